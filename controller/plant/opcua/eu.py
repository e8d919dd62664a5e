"""Engineering units as OPC UA writes them: UNECE Recommendation 20 codes, and ranges of values."""

from __future__ import annotations

from asyncua import ua

CODES = {
    "mm": "MMT",
    "m": "MTR",
    "in": "INH",
    "ft": "FOT",
    "mm/s": "C16",
    "m/s": "MTS",
    "m/min": "2X",
    "ft/min": "FR",
    "in/s": "IU",
    "s": "SEC",
    "ms": "C26",
    "µs": "B98",
    "one": "C62",
}
"""The name we show → the code. "one" counts things."""

NAMESPACE = "http://www.opcfoundation.org/UA/units/un/cefact"


def unit_id(name: str) -> int:
    """The unit's number: the bytes of its code, the first one highest (Part 8, 5.6.3)."""
    return int.from_bytes(CODES[name].encode(), "big")


def unit(name: str) -> ua.EUInformation:
    """A unit of `CODES`."""
    text = ua.LocalizedText(name)
    return ua.EUInformation(NamespaceUri=NAMESPACE, UnitId=unit_id(name), DisplayName=text, Description=text)
