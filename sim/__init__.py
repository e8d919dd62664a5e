"""The simulated line: belt, products, detector, marker and the I/O side of the field block."""

from controller.compiled import prefer

prefer("sim", __path__)
