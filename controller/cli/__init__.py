"""The command line: one small module a verb; what a verb needs is imported when it runs."""
