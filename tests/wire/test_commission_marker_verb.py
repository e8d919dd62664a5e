"""`beltcue commission marker` through a running controller, on a simulated marker slower than it is set."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest

from controller.cli.main import main
from tests.unit.page_kit import recorded
from tests.wire.commission_kit import Typing, at_terminal, plain_jogging, typing_at
from tests.wire.processes import CONFIG, Place, benching

SLOW = """
# So much slower that a busy machine, whose looks tell less, still tells it.
name = "a marker that is slower than it is set"
[belt]
segments = [{ kind = "stop" }]
[[markers]]
response = "12 ms"
mark_time = "290 ms"
rearm = "20 ms"
busy = "while marking"
[[products]]
length = "40 mm"
pitch = "70 mm"
"""
MARKS = ("--marks", "3", "--every", "50ms", "--yes-bench")


async def maintenance(bench: Place) -> None:
    """Bring the line to Execute of mode Maintenance."""
    await bench.status(lambda status: not status["not_permitted"])
    refused = await bench.call("mode", "maintenance")
    assert refused is None, refused
    await bench.start()


async def test_times_are_measured_and_a_setting_that_is_too_short_is_mended_when_asked(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    async with typing_at(tmp_path, SLOW, capsys, monkeypatch) as (bench, typed):
        assert (await typed("marker", *MARKS))[0] == 1
        assert "no controller answers" in typed.told
        async with bench.controller():
            await bench.status(lambda status: not status["not_permitted"])
            assert (await typed("marker", *MARKS))[0] == 1
            assert "need Execute of mode Maintenance" in typed.told
            await maintenance(bench)
            before = bench.line.read_text()
            assert (await typed("marker", "--marks", "3"))[0] == 2
            assert "by a person at a terminal" in typed.told
            code, found = await typed("marker", *MARKS)
            assert (code, found["marks"], found["wrong"], found["applied"]) == (1, 3, {}, False), typed.told
            mark, rearm, cycle = (found["times"][name] for name in ("mark", "rearm", "cycle"))
            assert (mark["fits"], rearm["fits"], cycle["fits"]) == ("longer", "fits", "longer")
            for figure, true in ((mark, 302.0), (rearm, 20.0), (cycle, 322.0)):
                assert figure["at_least_ms"] <= true <= figure["at_most_ms"]
            assert [item["what"] for item in found["unknown"]] == ["response"]
            assert [change["setting"] for change in found["changes"]] == ["stations#1.mark_time"]
            assert bench.line.read_text() == before
            code, found = await typed("marker", *MARKS, "--busy-tells", "mark", "--apply")
            assert (code, found["applied"], found["unknown"]) == (0, True, []), typed.told
            response, busy = found["times"]["response"], found["times"]["busy"]
            assert response["at_least_ms"] <= 12.0 <= response["at_most_ms"]
            assert busy["at_least_ms"] <= 290.0 <= busy["at_most_ms"]
            assert [change["setting"] for change in found["changes"]] == ["stations#1.response", "stations#1.mark_time"]
            status = await bench.status(lambda status: status["test_marks"] == 6)
            assert status["requests"]["created"] == 0, "test marks are counted apart"
        written = tomllib.loads(bench.line.read_text())["stations"][0]
        assert [written["response"], written["mark_time"]] == [change["to"] for change in found["changes"]]
        assert written["rearm"] == tomllib.loads(before)["stations"][0]["rearm"]
        code, kept = await typed("results", "--step", "marker")
        assert len(kept["results"]) == 2
        assert {"t_s", "triggered", "busy"} <= set(kept["results"][0]["raw"]["marks"][0])
        assert "station flap, 3 test marks: trigger to done, trigger to ready again: not as set" in recorded(bench.line)
    assert len(bench.marks) == 6


async def test_a_plain_devices_marker_is_timed_from_its_trigger_output(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    async with plain_jogging(tmp_path, SLOW) as place, place.controller():
        monkeypatch.setenv("XDG_RUNTIME_DIR", str(place.runtime))
        monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
        await maintenance(place)
        typed = Typing(place.line, capsys)
        code, found = await typed("marker", *MARKS, "--busy-tells", "mark")
    assert (code, found["marks"], found["wrong"]) == (1, 3, {}), typed.told
    assert [item["what"] for item in found["unknown"]] == ["done"], "the line has no such input"
    assert set(found["times"]) == {"ready_off", "response", "busy", "cycle"}
    for name, true in (("response", 12.0), ("busy", 290.0), ("cycle", 322.0)):
        figure = found["times"][name]
        assert figure["at_least_ms"] <= true <= figure["at_most_ms"], name
    assert "stations#1.mark_time" in {change["setting"] for change in found["changes"]}


async def test_a_person_confirms_all_marks_at_once_and_any_other_word_makes_none(tmp_path: Path) -> None:
    async with benching(tmp_path / "bench", SLOW) as bench, bench.controller():
        await maintenance(bench)
        before = bench.line.read_text()
        environment = {**bench.environment, "XDG_STATE_HOME": str(tmp_path)}
        words = ["commission", "marker", str(bench.line), "--marks", "2", "--every", "50ms"]
        async with at_terminal(*words, environment=environment) as terminal:
            await terminal.sees("> ")
            terminal.type("no")
            assert (await terminal.end())[0] == 1
            assert "not confirmed" in terminal.shown.decode()
        words[-1] = "60s"
        async with at_terminal(*words, environment=environment) as terminal:
            await terminal.sees("> ")
            asked = re.search(r"the 2 marks, type (\w+) and Enter", terminal.shown.decode())
            assert asked is not None, terminal.shown.decode()
            terminal.type(asked[1])
            await terminal.sees("Mark 1 of 2")
            terminal.interrupt()
            assert (await terminal.end())[0] == 130
            assert b"interrupted" in terminal.shown
        assert (await bench.status(lambda status: status["test_marks"] == 1))["state"] == "Execute"
        assert bench.line.read_text() == before


DEMO = str(CONFIG / "demo-line.toml")


@pytest.mark.parametrize(
    ("words", "code", "says"),
    [
        ([DEMO], 1, "no controller answers"),
        ([DEMO, "--marks", "0"], 2, "--marks is 1 to 1000"),
        ([DEMO, "--marks", "1001"], 2, "--marks is 1 to 1000"),
        ([DEMO, "--every", "0s"], 2, "--every"),
        ([DEMO, "--every", "-1s"], 2, "--every"),
        ([DEMO, "--station", "lid"], 2, 'no station "lid"'),
        (["nowhere.toml"], 2, "nowhere.toml"),
    ],
)
def test_bad_input_is_one_line(words: list[str], code: int, says: str, capsys: pytest.CaptureFixture[str]) -> None:
    try:
        assert main(["commission", "marker", *words]) == code
    except SystemExit as ended:
        assert ended.code == code
    told = capsys.readouterr().err.splitlines()
    assert len(told) == 1
    assert says in told[0]
