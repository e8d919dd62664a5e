"""The computations of commissioning: plain functions on numbers and arrays. No I/O, no clock."""
