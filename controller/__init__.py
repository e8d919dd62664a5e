"""beltcue: a soft controller that puts each mark at the right place on a line whose speed changes."""

__version__ = "0.1.0"
