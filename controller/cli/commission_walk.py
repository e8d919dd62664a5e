"""`beltcue commission LINE.toml`: all steps in order, at a terminal; each is the step's own verb.

Nothing is written but what a verb writes, and each asks before. What was done is read from the kept results, so that a
walk that was stopped goes on another day.
"""

from __future__ import annotations

import argparse
import sys
from typing import TYPE_CHECKING

from controller.cli.commission_walk_steps import LINE, STEPS, Needs, Question, Step
from controller.cli.commission_watch import ask_yes, load, tell
from controller.cli.common import NOT_OK, OK, BadInputError, RefusedError, Verbs, complain, print_rows, verb

if TYPE_CHECKING:
    from collections.abc import Sequence

    from controller.records.store import CommissioningResult

STEP = "walk"
_NUMBERS = {step.name: number for number, step in enumerate(STEPS)}


class _StopError(Exception):
    """Whoever is at the terminal wants to stop, or went away."""


def register(steps: Verbs) -> None:
    """Add the walk; `beltcue commission LINE.toml` is the same."""
    parser = verb(
        steps,
        STEP,
        execute,
        "go through all of these in order (LINE.toml alone is the same)",
        "At a terminal: each step says what it does, asks what it must know, measures, gives its verdict, and asks "
        "before it changes the line's file. Steps may be skipped and repeated; what was done is kept, so that it can "
        "be stopped and gone on with another day. Marks are made after a typed confirmation only. Exit code 1: it was "
        "stopped.",
        json_too=False,
    )
    parser.add_argument("line_file", metavar="LINE.toml", help="the line's file")


def spelled(words: list[str]) -> list[str]:
    """Put in the name of the walk where a line's file alone is given."""
    if len(words) > 1 and words[0] == "commission" and words[1].endswith(".toml"):
        return ["commission", STEP, *words[1:]]
    return words


def execute(args: argparse.Namespace) -> int:
    """Walk."""
    load(args.line_file)
    if not sys.stdin.isatty():
        raise BadInputError("the walk asks at every step: sit at a terminal, or give the steps one by one")
    return _Walk(args.line_file).walk()


class _Walk:
    """One walk through the steps."""

    def __init__(self, line_file: str) -> None:
        self._line_file = line_file
        self._config = load(line_file)
        self._began = self._text()
        self._done: list[str] = []

    def walk(self) -> int:
        """Go through the steps; the exit code."""
        try:
            self._overview()
            at = self._first()
            while at < len(STEPS):
                at = self._step(at)
        except (_StopError, KeyboardInterrupt) as stopped:
            tell(f"\nstopped{f': {stopped}' if str(stopped) else ''}")
            self._summary()
            tell(f"Go on another day with: beltcue commission {self._line_file}")
            return NOT_OK
        tell("\nThat was the last step.")
        self._overview()
        self._summary()
        return OK

    # One step.

    def _step(self, at: int) -> int:
        """Do one step, or not; gives the number of the next."""
        from controller.commissioning.cautions import BELT, MARKING

        step = STEPS[at]
        self._config = load(self._line_file)
        rows = [("step", f"{at + 1} of {len(STEPS)}: {step.name}: {step.what}"), ("so far", self._state(step))]
        rows += [("before", text) for text in step.before]
        rows += [("caution", BELT)] if step.belt else []
        rows += [("caution", text) for text in MARKING] if step.marks else []
        tell("")
        print_rows(rows)
        answer = self._choose("Enter does it; skip, stop, or the name of another step", ("do", "skip"), "do")
        if answer not in ("do", "skip"):
            return _NUMBERS[answer]
        if answer == "skip":
            return at + 1
        if step.needs in (Needs.AGREED, Needs.AT_WORK) and not self._agreed(must_run=step.needs is Needs.AT_WORK):
            return at + 1
        if step.name == "job" and not self._accepted():
            return at + 1
        if step.first:
            self._run(step.first)
        before = self._text()
        code = self._run([*step.verb, *self._answers(step), *(["--ask"] if step.asks else [])])
        changed = self._tell_changes(before)
        if code == OK:
            self._done.append(step.name)
            tell(f"{step.name}: done, in order")
            return at + 1
        if code == NOT_OK:
            self._done.append(f"{step.name} (not in order)")
        left = "left after it had changed what stands above" if changed else "not done, nothing was changed by it"
        tell(f"{step.name}: {'not in order, see above' if code == NOT_OK else left}")
        answer = self._choose("again, next, stop, or the name of another step", ("again", "next"), None)
        return at if answer == "again" else at + 1 if answer == "next" else _NUMBERS[answer]

    def _run(self, words: Sequence[str]) -> int | None:
        """Run a verb as if it had been typed; its exit code, None where it could not do its work and has said why."""
        from controller.cli.main import parser

        typed = [self._line_file if word == LINE else word for word in words]
        try:
            args = parser(everything=False).parse_args(typed)
            return int(args.execute(args))
        except SystemExit:
            return None  # the command line was refused, with the reason
        except (BadInputError, RefusedError) as error:
            complain(str(error))
        except KeyboardInterrupt:
            tell("\nleft half-way")
        return None

    def _answers(self, step: Step) -> list[str]:
        """The options that the answers stand for."""
        words: list[str] = []
        stations = [station.name for station in self._config.settings.stations]
        which = Question(f"which station, of {', '.join(stations)}", "--station")
        for question in (which, *step.questions) if step.station and len(stations) > 1 else step.questions:
            if question.after and question.after not in words:
                continue
            if question.yes:
                words += [question.option] if ask_yes(question.text, None) else []
                continue
            answer = self._line(f"{question.text}: ")
            if not answer:
                words += question.otherwise
                continue
            for each in answer.replace(",", " ").split() if question.many else [answer]:
                words += [question.option, each]
        return words

    # What must be so before a step.

    def _agreed(self, *, must_run: bool) -> bool:
        """Have the controller, if it runs or must, run with the settings of the file; False: the step is skipped."""
        from controller.job_text import changes
        from controller.local_client import LocalClient, NotRunningError
        from controller.local_socket import socket_path

        while True:
            wanted = self._text()
            start = f"start it in another terminal: beltcue run {self._line_file}"
            try:
                with LocalClient(socket_path(self._config.name)) as client:
                    status = client.status()
                at_work = status.get("job_settings")
                if status["dry"]:
                    tell("The controller runs dry: nothing is marked until it is started without --dry.")
            except NotRunningError:
                if not must_run:
                    return True
                tell(f"The line's controller does not run: {start}")
            else:
                if at_work is None:
                    tell("The controller does not tell its settings: make sure that it was started after all changes.")
                    return True
                differ = changes(at_work["text"], wanted, self._config.display)
                if not differ:
                    return True
                tell("The controller was started with other settings than those of the file now:")
                print_rows([(f"  {place}", f"{old}, in the file {new}") for place, old, new in differ])
                tell(f"Stop the line, end its controller with Ctrl-C, and {start}")
            if self._choose("Enter when it runs; skip or stop", ("runs", "skip"), "runs", names=False) == "skip":
                return False

    def _accepted(self) -> bool:
        """Whether the job may be saved: the settings are accepted as they are, or somebody wants it all the same."""
        found = self._results("accept")
        if found and found[-1][1] and found[-1][0].result.get("verdict") == "pass":
            return True
        return bool(ask_yes("These settings have not passed accept. Save the job all the same?", None))

    # What there is to tell.

    def _overview(self) -> None:
        rows = [(f"{number} {step.name}", self._state(step)) for number, step in enumerate(STEPS, start=1)]
        print_rows([("line", f"{self._config.name}, {self._config.path}"), *rows])

    def _first(self) -> int:
        """Where to begin: at the first step that nobody has done, or where it is said."""
        at = next((n for n, step in enumerate(STEPS) if not self._is_done(step)), 0)
        name = STEPS[at].name
        answer = self._choose(f"Enter begins with {name}; stop, or the name of another step", ("begin",), "begin")
        return at if answer == "begin" else _NUMBERS[answer]

    def _is_done(self, step: Step) -> bool:
        if step.name == "job":
            from controller.job_files import state_of

            return state_of(self._config).saved
        found = self._results(step.name)
        # What was accepted, was so with the settings of then.
        return bool(found) and (step.name != "accept" or found[-1][1])

    def _state(self, step: Step) -> str:
        """What is known of a step from before."""
        from controller.job_files import state_of
        from controller.job_state import when

        if step.name == "job":
            return str(state_of(self._config))
        found = self._results(step.name)
        if not found:
            return "done in this walk" if step.name in self._done else "not done"
        kept, same = found[-1]
        said = f" {kept.result.get('verdict')}," if step.name == "accept" else ""
        others = "" if same else "; with other settings than those of now"
        return f"done:{said} result {kept.number}, {when(kept.wall_ns)}, {kept.who}{others}"

    def _results(self, name: str) -> list[tuple[CommissioningResult, bool]]:
        from controller.commission_record import results_of
        from controller.records.store import StoreError
        from controller.settings.base import SettingsError

        try:
            return results_of(self._config, name)
        except (SettingsError, StoreError) as error:
            raise BadInputError(str(error)) from None

    def _text(self) -> str:
        from controller.settings.saved import text_of

        self._config = load(self._line_file)
        return text_of(self._config)

    def _tell_changes(self, before: str) -> bool:
        """Say what a step has changed in the line's files, if anything."""
        from controller.job_text import changes

        rows = changes(before, self._text(), self._config.display)
        if rows:
            print_rows([("now", f"{place}: {old} → {new}") for place, old, new in rows])
        return bool(rows)

    def _summary(self) -> None:
        """Say what was done and what is changed since the walk began."""
        from controller.job_text import changes

        found = changes(self._began, self._text(), self._config.display)
        made = [f"{place}: {old} → {new}" for place, old, new in found] or ["nothing"]
        print_rows([("done", ", ".join(self._done) or "nothing"), *(("changed", text) for text in made)])

    # Asking.

    def _choose(self, text: str, words: tuple[str, ...], default: str | None, *, names: bool = True) -> str:
        """One of the words, or a step's name; by its first letters. Raises _StopError."""
        every: tuple[str, ...] = (*words, "stop", *((step.name for step in STEPS) if names else ()))
        while True:
            answer = self._line(f"{text} > ").lower()
            if not answer and default is not None:
                return default
            found: str | None
            # The choices here go before steps whose names begin alike.
            found = next((word for word in every if answer and word.startswith(answer)), None)
            if found == "stop":
                raise _StopError
            if found is not None:
                return found
            tell(f"not understood; write one of {', '.join(every)}")

    def _line(self, prompt: str) -> str:
        """A typed line. Raises _StopError where nobody is there any more."""
        try:
            return input(prompt).strip()
        except EOFError:
            raise _StopError("nobody is at the terminal any more") from None
