"""beltcue: a soft controller that puts each mark at the right place on a line whose speed changes."""

from controller.compiled import prefer

__version__ = "0.1.0"

prefer("controller", __path__)
