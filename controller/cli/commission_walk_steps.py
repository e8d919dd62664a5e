"""The steps of the walk, a row each: what is done, what it needs, what is asked, and the verb that does it."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum


class Needs(Enum):
    """What a step looks at."""

    NOTHING = "the line's files only"
    LIVE = "the running controller, or else the I/O side"
    AGREED = "the same, but no controller that has other settings than the file: it tells the I/O side what is forward"
    AT_WORK = "a running controller that has the settings of the file"


@dataclass(frozen=True, slots=True)
class Question:
    """What a step asks before it begins; the answer is an option of its verb. Enter leaves it out."""

    text: str
    option: str
    after: str = ""
    """Asked only where this option was answered."""
    many: bool = False
    """Several answers on one line, the option given with each."""
    yes: bool = False
    """Yes or no; yes gives the option."""
    otherwise: tuple[str, ...] = ()
    """The words that Enter stands for."""


@dataclass(frozen=True, slots=True)
class Step:
    """One step. `verb` are the words of its verb, with LINE for the line's file."""

    name: str
    what: str
    needs: Needs
    verb: tuple[str, ...]
    before: tuple[str, ...] = ()
    """What the technician does first."""
    first: tuple[str, ...] = ()
    """Words of a verb that is run before the questions, such as one that proposes the marks to make."""
    belt: bool = False
    """The belt moves."""
    marks: bool = False
    """The marker could fire."""
    questions: tuple[Question, ...] = ()
    asks: bool = True
    """Whether it may change the file, and is to ask before."""
    station: bool = False
    """It is of one station; where the line has several, it asks which."""


LINE = "LINE.toml"


def _commission(name: str) -> tuple[str, ...]:
    return ("commission", name, LINE)


MARKS = (
    Question("the CSV file with the marks (Enter: type them here, a line each)", "--csv", otherwise=("--typed",)),
    Question('where a mark should be, from the leading edge, e.g. "30 mm" (Enter: as the job says)', "--offset"),
    Question('length of the scrap, to refuse marks that lie off it, e.g. "90 mm" (Enter: unknown)', "--product-length"),
)  # fmt: skip

STEPS = (
    Step(
        "sense",
        "does the count go up as the belt runs forward",
        Needs.LIVE,
        _commission("sense"),
        ("have the belt run forward while it looks, best with some seconds of standstill in it",),
        belt=True,
        questions=(Question('for how long to look, e.g. "10 s" (Enter: 10 s)', "--for"),),
    ),
    Step(
        "contact",
        "does the wheel turn steadily with the belt",
        Needs.AGREED,
        _commission("contact"),
        ("have the belt run at one speed while it looks, for ten turns of the wheel or more",),
        belt=True,
        questions=(
            Question('for how long to look, e.g. "20 s" (Enter: 20 s)', "--for"),
            Question('what the drive\'s own display shows, e.g. "20.0 m/min" (Enter: not known)', "--speed"),
            Question("do products pass at one distance on the belt?", "--repeated", yes=True),
        ),
        asks=False,
    ),
    Step(
        "scale",
        "how much belt is one count",
        Needs.AGREED,
        _commission("scale"),
        ("measure with a tape along the belt, or let products of known length pass, or both",),
        belt=True,
        questions=(
            Question('a taped distance, e.g. "5 m" (Enter: none)', "--taped"),
            Question(
                "the counts of each pass over it (Enter: count them here, live)", "--counts", "--taped", many=True
            ),
            Question('length of the products that pass, e.g. "200 mm" (Enter: none)', "--length"),
            Question('how well it is known, e.g. "0.5 mm" (Enter: 0.5 mm)', "--length-within", "--length"),
            Question("for how long to look at them (Enter: 30 s)", "--for", "--length", otherwise=("--for", "30s")),
        ),
    ),
    Step(
        "detector",
        "what the eye tells of the products, and which filters suit that",
        Needs.AGREED,
        _commission("detector"),
        ("let products pass while it looks, half of the time slowly and half fast",),
        belt=True,
        questions=(
            Question('for how long to look, e.g. "60 s" (Enter: 30 s)', "--for"),
            Question('length of the products that pass, e.g. "90 mm" (Enter: not known)', "--product-length"),
        ),
    ),
    Step(
        "distance",
        "how far is it from the eye to the marker",
        Needs.AGREED,
        _commission("distance"),
        (
            "stop the line (beltcue command stop) and cover the head or the beam: the marker must not fire",
            "have one product at a time ready, to be jogged from the eye to the marker",
        ),
        belt=True,
        station=True,
        questions=(Question("how many passes (Enter: 3)", "--passes"),),
    ),
    Step(
        "marker",
        "does the marker answer as it should, and how long does it take; IT FIRES, after a word that you must type",
        Needs.AT_WORK,
        _commission("marker"),
        (
            "put scrap before the marker, with nobody in its reach",
            "in another terminal: beltcue command stop; beltcue mode maintenance; beltcue command reset; "
            "beltcue command start",
        ),
        marks=True,
        station=True,
        questions=(
            Question("how many test marks (Enter: 10)", "--marks"),
            Question(
                "what its papers say of busy: that it comes with the trigger, or with the mark? trigger or mark "
                "(Enter: not known)",
                "--busy-tells",
            ),
        ),
    ),
    Step(
        "limits",
        "how fast may the line run, and what limits it",
        Needs.NOTHING,
        _commission("limits"),
        questions=(
            Question('the present speed, e.g. "25 m/min" (Enter: the line\'s highest)', "--speed"),
            Question(
                'from one product to the next, e.g. "150 mm" (Enter: as close as the filters let them)', "--pitch"
            ),
        ),
        asks=False,
    ),
    Step(
        "budget",
        "what the error of a mark is made of",
        Needs.NOTHING,
        _commission("budget"),
        questions=(Question('at which speed, e.g. "25 m/min" (Enter: the line\'s highest)', "--speed"),),
        asks=False,
    ),
    Step(
        "trial",
        "where do marks land at several speeds, and what is to be changed",
        Needs.AT_WORK,
        _commission("trial"),
        (
            "cover the head or the beam for a dry run first: beltcue run --dry",
            "then, in another terminal: beltcue command stop; beltcue mode production; beltcue command reset; "
            "beltcue command start",
            "mark scrap at the speeds that are proposed below, stop (beltcue command stop), and measure each mark from "
            "the leading edge",
        ),
        first=_commission("trial"),
        belt=True,
        marks=True,
        station=True,
        questions=MARKS,
    ),
    Step(
        "accept",
        "are new marks within tolerance at all the line's speeds",
        Needs.AT_WORK,
        _commission("accept"),
        (
            "mark new scrap at the speeds that are proposed below, as for the trial, with the settings that are to be "
            "accepted",
            "stop, and measure each mark from the leading edge",
        ),
        first=_commission("accept"),
        belt=True,
        marks=True,
        station=True,
        questions=MARKS,
        asks=False,
    ),
    Step(
        "job",
        "save the job as its next revision, with who and why",
        Needs.NOTHING,
        ("job", LINE, "save"),
        asks=False,
    ),
    Step(
        "record",
        "write all that was found as one page to print and sign",
        Needs.NOTHING,
        _commission("record"),
        questions=(Question("the file to write (Enter: named after the line, here)", "--out"),),
        asks=False,
    ),
)
