"""The configuration of a line: schema, units, and the refusal of whatever is not understood."""
