"""What keeps the rows of a run from adding up."""

from __future__ import annotations

IMBALANCES = (
    ("products ended without having been seen", "products", "opened = 0"),
    ("products seen twice under one number", "products", "opened > 1"),
    ("products given more than one fate", "products", "closed > 1"),
    ("products ended without a fate", "products", "(closed > 0) <> (fate <> 'in_flight')"),
    ("requests ended without having been made", "requests", "opened = 0"),
    ("requests made twice under one number", "requests", "opened > 1"),
    ("requests given more than one fate", "requests", "closed > 1"),
    ("requests ended without a fate", "requests", "(closed > 0) <> (fate <> 'pending')"),
    (
        "requests missed without a reason or not missed with one",
        "requests",
        "(fate = 'missed') <> (reason IS NOT NULL)",
    ),
)
"""What it is, and the table and the condition on its rows that find it."""


def adds_up(table: str) -> str:
    """Give the condition on a row of the table that it has ended and that nothing is wrong with it."""
    wrong = [f"NOT ({condition})" for _, where, condition in IMBALANCES if where == table]
    return " AND ".join(["closed > 0", *wrong])
