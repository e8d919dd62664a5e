"""Adapters to the I/O side of the line, one a protocol; the quirks of their libraries end here."""
