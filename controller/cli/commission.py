"""`beltcue commission`: the steps from an unknown wheel to a proven line, each a verb of its own."""

from __future__ import annotations

from controller.cli import (
    commission_accept,
    commission_budget,
    commission_contact,
    commission_detector,
    commission_distance,
    commission_limits,
    commission_marker,
    commission_record,
    commission_results,
    commission_scale,
    commission_sense,
    commission_trial,
    commission_walk,
)
from controller.cli.common import Verbs

NAMES = ("commission",)
STEPS = (
    commission_sense,
    commission_contact,
    commission_scale,
    commission_detector,
    commission_distance,
    commission_marker,
    commission_limits,
    commission_budget,
    commission_trial,
    commission_accept,
    commission_walk,
    commission_results,
    commission_record,
)


def register(verbs: Verbs) -> None:
    """Add the verb and its steps."""
    parser = verbs.add_parser(
        "commission",
        help="measure a line, say what to change, and prove it",
        description="Measure a line, say what to change, and prove it. Each step is a verb of its own; beltcue "
        "commission LINE.toml goes through them in order, at a terminal.",
        allow_abbrev=False,
    )
    steps = parser.add_subparsers(title="steps", metavar="STEP", required=True, parser_class=type(parser))
    for step in STEPS:
        step.register(steps)
