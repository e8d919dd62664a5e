"""The simulated line: belt, products, detector, marker and the I/O side of the field block."""
