"""A technician who commissions a line that nobody has commissioned, by the walk, on the simulated bench.

It knows what a technician knows: what stands on the walk's screen, what the drive shows, how long the cartons are, and
what a ruler says of the scrap in the tray. It types what a technician would type, sets the belt's speeds, starts and
ends the controller when it is told to, and never looks at the simulator's figures.

`python -m tests.wire.technician` does the same for somebody who wants to watch; what is made stays in a folder of its own.
"""

from __future__ import annotations

import os
import pty
import re
import select
import signal
import socket
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Mapping
from pathlib import Path

from controller.local_client import LocalClient, NotRunningError
from controller.local_socket import socket_path
from tests.wire.processes import CONFIG, LIMIT_S, roomy

WRONG = (
    ('forward = "counts up"', 'forward = "counts down"'),
    ('circumference = "299.7 mm"', 'circumference = "305.7 mm"'),
    ('distance = "399.994 mm"', 'distance = "406 mm"\nmax_speed = "62 m/min"'),
)
"""What nobody has settled yet: wrong sense, a wheel 2 % off, a distance 6 mm off; and 8 ms of delay, not configured."""
ONE_SPEED = """
name = "one speed"
[belt]
segments = [{ kind = "constant", speed = "45 m/min" }]
"""
SPEEDS = ("30.0", "45.0", "60.0")
"""What the drive is set to, and shows, in m/min."""
THREE_SPEEDS = """
name = "three speeds, one after the other"
[belt]
repeat = true
segments = [
    { kind = "constant", speed = "45 m/min", duration = "1.7 s" },
    { kind = "ramp", to = "60 m/min", duration = "300 ms" },
    { kind = "constant", speed = "60 m/min", duration = "1.4 s" },
    { kind = "ramp", to = "30 m/min", duration = "500 ms" },
    { kind = "constant", speed = "30 m/min", duration = "2.5 s" },
    { kind = "ramp", to = "45 m/min", duration = "300 ms" },
]
"""
JOGGED = """
name = "one carton at a time, jogged by sight until it is under the print point"
[belt]
repeat = true
segments = [{ kind = "stop", duration = "1 s" }, { kind = "constant", speed = "40 m/min", distance = "500 mm" }]
"""
CARTONS = """
[[products]]
length = "90 mm"
pitch = "110 mm"
"""
ONE_BY_ONE = """
[[products]]
length = "90 mm"
pitch = "500 mm"
first = "100 mm"
"""
SLOW_MARKER = """
[[markers]]
response = "8 ms"
"""
LINE = "tea-cartons"


class Technician:
    """One commissioning, from a line's wrong file to what the walk makes of it."""

    def __init__(self, folder: Path, *, show: bool = False) -> None:
        """Everything is made in `folder`; `show` prints the walk's screen as it comes."""
        self.folder, self._show = folder, show
        self.line, self.tray = folder / "line.toml", folder / "tray.csv"
        self._truth = folder / "truth.toml"
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            self._address = f"127.0.0.1:{free.getsockname()[1]}"
        text = roomy(folder, CONFIG / "demo-line.toml").read_text()
        text = _changed(
            text, ('"127.0.0.1:15020"', f'"{self._address}"'), ('"30 m/min"', '"66 m/min"\nlowest_speed = "30 m/min"')
        )
        self._truth.write_text(text)
        self.line.write_text(_changed(text, *WRONG))
        self.environment = {**os.environ, "XDG_STATE_HOME": str(folder), "COLUMNS": "160" if show else "1000"}
        self._side: subprocess.Popen[str] | None = None
        self._controller: subprocess.Popen[str] | None = None
        self._read = 0
        self.launches = 0

    # The belt, the controller, the panel, the ruler.

    def set_drive(self, speeds: str, cartons: str = CARTONS) -> None:
        """Run the belt at other speeds, with other cartons: the bench's line is started anew with them."""
        _end(self._side)
        scene = self.folder / "scene.toml"
        scene.write_text(speeds + cartons + SLOW_MARKER)
        self._read = 0
        words = ["sim", str(self._truth), "--scenario", str(scene), "--tray", str(self.tray)]
        self._side = self._started("simulator", words)

    def start_controller(self) -> None:
        """End the controller, if one runs, and start it with what the file says now."""
        _end(self._controller)
        _until(self._listening, "the simulated I/O side")
        self._controller = self._started("controller", ["run", str(self.line)])
        self.launches += 1
        _until(lambda: self._status() is not None, "the controller")
        self.see_values()

    def see_values(self) -> None:
        """Look whether the display shows the I/O side's values."""
        _until(self._linked, "the controller to find the I/O side")

    def belt_stands(self) -> None:
        """Jog on: wait until the belt, which runs again first, stands once more, by the speed on the display."""
        _until(lambda: abs(self._speed_mm_s()) > 1.0, "the belt to run")
        _until(lambda: abs(self._speed_mm_s()) < 0.1, "the belt to stand")

    def _speed_mm_s(self) -> float:
        status = self._status()
        speed = None if status is None else status["speed_mm_s"]
        assert isinstance(speed, float | int)
        return speed

    def run_line(self, *, run: bool, mode: str = "production") -> None:
        """Start the line at the panel, or stop it."""
        if run:
            if self._state() == "Execute":
                self._give("stop", "Stopped")
            # After another belt and the I/O side's restart there may be a fault to clear first.
            _until(lambda: self._state() in ("Stopped", "Aborted"), "a line that stands")
            if self._state() == "Aborted":
                self._give("clear", "Stopped")
            self._give("mode", "Stopped", mode)
            self._give("reset", "Idle")
            self._give("start", "Execute")
        else:
            self._give("stop", "Stopped")

    def scrap(self, each: int) -> list[str]:
        """Mark scrap until there is enough of every speed; the rows that a technician would write."""

        def enough() -> bool:
            seen = Counter(row.split(",")[0] for row in self._scrap())
            return all(seen[speed] >= each for speed in SPEEDS)

        self.run_line(run=True)
        self._read = len(self._rows())  # what lay there before has other settings
        _until(enough, f"{each} marks at each of {SPEEDS}")
        self.run_line(run=False)
        scrap = self._scrap()
        return [row for speed in SPEEDS for row in [r for r in scrap if r.startswith(f"{speed},")][:each]]

    def _rows(self) -> list[str]:
        return self.tray.read_text().splitlines()[1:]

    def _scrap(self) -> list[str]:
        """The scrap since the line was started."""
        return self._rows()[self._read :]

    # The walk.

    def walk(self) -> tuple[int, str]:
        """Go through the walk; its exit code and all that stood on the screen."""
        self.set_drive(ONE_SPEED)
        self.start_controller()
        ours, theirs = pty.openpty()
        process = subprocess.Popen(
            [sys.executable, "-m", "controller.cli.main", "commission", str(self.line)],
            stdin=theirs, stdout=theirs, stderr=theirs, env=self.environment, start_new_session=True,
        )  # fmt: skip
        os.close(theirs)
        try:
            screen = self._talk(ours, process)
            return process.wait(LIMIT_S), screen
        finally:
            process.kill()
            process.wait()
            os.close(ours)

    def _talk(self, ours: int, process: subprocess.Popen[bytes]) -> str:
        """Answer each question as it comes to stand at the end of the screen, until the walk ends."""
        screen, asked_from, deadline_s = "", 0, time.monotonic() + LIMIT_S
        answers = _Answers(self)
        while True:
            ready, _, _ = select.select([ours], [], [], 0.05)
            if ready:
                try:
                    more = os.read(ours, 65536).decode(errors="replace").replace("\r\n", "\n")
                except OSError:
                    return screen  # the terminal is gone with the walk
                screen += more
                if self._show:
                    print(more, end="", flush=True)
                deadline_s = time.monotonic() + LIMIT_S
                continue
            if process.poll() is not None:
                return screen
            answer = answers.to(screen[asked_from:])
            if answer is not None:
                asked_from = len(screen)
                os.write(ours, f"{answer}\n".encode())
                deadline_s = time.monotonic() + LIMIT_S
            assert time.monotonic() < deadline_s, f"nothing more came; the screen ends with: {screen[-2000:]}"

    # Processes.

    def _started(self, name: str, words: list[str]) -> subprocess.Popen[str]:
        with (self.folder / f"{name}.log").open("a") as log:
            return subprocess.Popen(
                [sys.executable, "-m", "controller.cli.main", *words],
                stdin=subprocess.DEVNULL, stdout=log, stderr=log, env=self.environment, text=True,
            )  # fmt: skip

    def _listening(self) -> bool:
        host, port = self._address.split(":")
        with socket.socket() as asking:
            return asking.connect_ex((host, int(port))) == 0

    def _status(self) -> Mapping[str, object] | None:
        try:
            with LocalClient(socket_path(LINE)) as client:
                return client.status()
        except NotRunningError:
            return None

    def _linked(self) -> bool:
        with LocalClient(socket_path(LINE)) as client:
            told = client.points()
        return not told["link_error"] and told["age_ms"] is not None and told["age_ms"] < 100.0

    def _state(self) -> object:
        status = self._status()
        return None if status is None else status["state"]

    def _give(self, verb: str, state: str, argument: str = "") -> None:
        refused: list[str | None] = [None]

        def taken() -> bool:
            with LocalClient(socket_path(LINE)) as client:
                refused[0] = client.call(verb, "anna", argument)
            return refused[0] is None

        _until(taken, f"{verb} to be taken")
        _until(lambda: self._state() == state, f"state {state}")

    def go_home(self) -> None:
        """End what was started."""
        for process in (self._controller, self._side):
            _end(process)


class _Answers:
    """What a technician types at each question."""

    def __init__(self, who: Technician) -> None:
        self._who = who
        self._step = ""
        self._each = self._trials = 0
        self._rows: list[str] = []
        self._simple: tuple[tuple[str, str], ...] = (
            (r"Enter begins with \w+; .* > $", ""),
            (r"Did the belt run forward.*\n> $", "yes"),
            (r"channels wired as drawn\?.*\n> $", "yes"),
            (r"Was no product before the eye.*\n> $", "unknown"),
            (r"products pass at one distance.*\n> $", "yes"),
            (r"Write th.* to .*\?.*\n> $", "yes"),
            (r"how many passes .*: $", "2"),
            (r"the file to write .*: $", str(who.folder / "record.html")),
            (r"columns> $", ""),
            (r"Why, for the record\? $", "commissioned"),
            (r"again, next, stop, .* > $", "next"),
            (r"from one product to the next, .*: $", "110 mm"),
            (r"for how long to look, .*: $", "3 s"),
            (r"length of the products that pass, .*: $", "90 mm"),
            (r"how well it is known, .*: $", "0.1 mm"),
            (r"for how long to look at them .*: $", "3 s"),
            (r"what the drive's own display shows, .*: $", "45.0 m/min"),
            (r"length of the scrap, .*: $", "90 mm"),
            (r"\): $", ""),
        )

    def to(self, screen: str) -> str | None:
        """The answer to what stands there since the last one; None: it is no question yet."""
        if step := re.search(r"step +\d+ of \d+: (\w+):", screen):
            self._step = step[1]
        if re.search(r"Enter does it; .* > $", screen):
            self._prepare()
            return ""
        if re.search(r"for how long|how many", screen.splitlines()[-1] if screen else ""):
            self._who.see_values()
        if re.search(r"Pass \d+.*; Enter\n$", screen):
            self._who.belt_stands()
            return ""
        if re.search(r"how many test marks .*: $", screen):
            self._who.run_line(run=True, mode="maintenance")
            return "3"
        if confirmed := re.search(r"type (\w+) and Enter; anything else stops here\.\n> $", screen):
            return confirmed[1]
        if re.search(r"Enter when it runs; skip or stop > $", screen):
            self._who.start_controller()
            return ""
        if proposed := re.search(r"make +(\d+) marks at each of", screen):
            self._each = max(6, int(proposed[1]))
        if re.search(r"the CSV file with the marks .*: $", screen):
            self._rows = self._who.scrap(self._each)
            return ""
        if re.search(r"again, next, stop, .* > $", screen):
            # What does not belong may have been a carton that was knocked; what does not pass again and again is wrong.
            self._trials += self._step == "accept"
            return "again" if self._step == "accept" and self._trials < 3 else "next"
        if re.search(r"mark \d+> $", screen):
            return self._rows.pop(0) if self._rows else ""
        return next((answer for pattern, answer in self._simple if re.search(pattern, screen)), None)

    def _prepare(self) -> None:
        """What is done at the line before a step."""
        match self._step:
            case "detector" | "marker":
                self._who.set_drive(THREE_SPEEDS)
            case "distance":
                self._who.set_drive(JOGGED, ONE_BY_ONE)


def _changed(text: str, *changes: tuple[str, str]) -> str:
    for old, new in changes:
        assert old in text, old
        text = text.replace(old, new)
    return text


def _until(true: Callable[[], bool], what: str) -> None:
    deadline_s = time.monotonic() + LIMIT_S
    while not true():
        assert time.monotonic() < deadline_s, f"waited {LIMIT_S:g} s for {what}"
        time.sleep(0.02)


def _end(process: subprocess.Popen[str] | None) -> None:
    """End a process in order, as by Ctrl-C."""
    if process is not None and process.poll() is None:
        process.send_signal(signal.SIGINT)
        try:
            process.wait(15.0)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()


def main() -> int:
    """Commission the bench's line for somebody who watches."""
    folder = Path(tempfile.mkdtemp(prefix="beltcue-walk-"))
    runtime = folder / "run"
    runtime.mkdir(mode=0o700)
    os.environ["XDG_RUNTIME_DIR"] = str(runtime)
    technician = Technician(folder, show=True)
    try:
        code, _ = technician.walk()
    finally:
        technician.go_home()
    print(f"\nThe line's file and all that was kept are in {folder}")
    return code


if __name__ == "__main__":
    sys.exit(main())
