"""`beltcue commission distance` at a terminal, on a simulated belt that is jogged."""

from __future__ import annotations

import asyncio
import tomllib
from pathlib import Path

import pytest

from controller.cli.main import main
from tests.wire.commission_kit import Clock, Terminal, address, at_terminal, jogging, plain_jogging
from tests.wire.processes import CONFIG

SCENE = """
name = "one carton after the other jogged to the marker, 406 mm from the eye"
[belt]
segments = [
    { kind = "stop", duration = "1 s" },
    { kind = "constant", speed = "20 m/min", distance = "456 mm" },
    { kind = "stop", duration = "1 s" },
    { kind = "constant", speed = "20 m/min", distance = "500 mm" },
    { kind = "stop", duration = "1 s" },
    { kind = "constant", speed = "20 m/min", distance = "500 mm" },
    { kind = "stop" },
]
[encoder]
start_count = 4294967000
[detector]
response = "3 ms"
[[products]]
length = "40 mm"
first = "50 mm"
pitch = "500 mm"
"""
V = 20_000 / 60
FIRST_S, SECOND_S = 1.0 + 456 / V + 0.5, 2.0 + 956 / V + 0.5
"""When the belt stands with the first, and then the second, carton at the marker."""
RESPONSE = (("[detector]", '[detector]\nresponse = "3 ms"'),)
BEFORE, AT = "upstream of the eye", "under the print point"


async def both_ends(terminal: Terminal, clock: Clock, until_s: float, number: int, pace: float = 1.0) -> None:
    """Enter before and after the belt has run to that time: the `number`th pass that is begun."""
    await terminal.sees(BEFORE, times=number)
    terminal.type()
    await terminal.sees(AT, times=number)
    await clock.run_to(until_s, pace)
    terminal.type()


async def test_the_distance_is_jogged_through_the_running_controller_and_written_only_when_asked(
    tmp_path: Path,
) -> None:
    clock = Clock(0.5)
    async with jogging(tmp_path, SCENE, clock, RESPONSE) as place, place.controller():
        await place.status(lambda status: not status["not_permitted"])
        before = place.line.read_text()
        environment = {"XDG_RUNTIME_DIR": str(place.runtime), "XDG_STATE_HOME": str(tmp_path)}
        words = ["commission", "distance", str(place.line), "--passes", "2", "--json", "--apply"]
        async with at_terminal(*words, environment=environment) as terminal:
            await both_ends(terminal, clock, 0.6, 1)
            await terminal.sees("the count hardly moved")
            await both_ends(terminal, clock, FIRST_S, 2)
            await both_ends(terminal, clock, SECOND_S, 3)
            code, found = await terminal.end()
        await place.start()
        async with at_terminal(*words, environment=environment) as started:
            assert (await started.end())[0] == 1
            assert b"marking is enabled" in started.shown
            assert BEFORE.encode() not in started.shown
    assert (code, found["source"], found["applied"]) == (0, "controller", True), terminal.shown.decode()
    assert [each["stops"] for each in found["passes"]] == [0, 0]
    assert found["distance_mm"]["value"] == pytest.approx(406.0, abs=0.1)
    assert found["response_mm"] == pytest.approx(0.003 * V, rel=0.1)
    assert [change["setting"] for change in found["changes"]] == ["stations#1.distance"]
    after = place.line.read_text()
    assert tomllib.loads(after)["stations"][0]["distance"] == found["changes"][0]["to"]
    assert after.replace(found["changes"][0]["to"], found["changes"][0]["from"]) == before, "comments are kept"


async def test_an_eye_that_is_only_looked_at_tells_the_distance_within_what_passes_between_two_looks(
    tmp_path: Path,
) -> None:
    clock = Clock(0.5)
    async with plain_jogging(tmp_path, SCENE, clock) as place:
        words = ["commission", "distance", str(place.line), "--passes", "1", "--json", *address(place)]
        async with at_terminal(*words, environment={"XDG_STATE_HOME": str(tmp_path)}) as terminal:
            await both_ends(terminal, clock, FIRST_S, 1)
            code, found = await terminal.end()
    assert (code, found["source"], found["applied"]) == (1, "io_side", False), terminal.shown.decode()
    within_mm = found["passes"][0]["edge_within_counts"] * place.spec.scale_mm
    # The eye is 3 ms late, and the device takes its inputs every 2 ms.
    assert abs(found["distance_mm"]["value"] - 406.0) <= within_mm + 0.005 * V
    assert within_mm > 0.2, "a look takes its time"


async def test_passes_that_tell_nothing_and_a_person_who_leaves_change_nothing(tmp_path: Path) -> None:
    clock = Clock(0.5)
    none = SCENE.replace('first = "50 mm"', 'first = "3000 mm"')
    async with jogging(tmp_path, none, clock) as place:
        before = place.line.read_text()
        words = ["commission", "distance", str(place.line), *address(place)]
        async with at_terminal(*words, environment={"XDG_STATE_HOME": str(tmp_path)}) as terminal:
            for number, until_s in enumerate((FIRST_S, SECOND_S, SECOND_S + 0.1), start=1):
                await both_ends(terminal, clock, until_s, number, pace=4.0)
            code, _ = await terminal.end()
            assert code == 1
            assert terminal.shown.count(b"the eye saw no product") == 2
            assert b"no pass of 3 told the distance" in terminal.shown
        async with at_terminal(*words, environment={"XDG_STATE_HOME": str(tmp_path)}) as terminal:
            await terminal.sees(BEFORE)
            terminal.type()
            await terminal.sees(AT)
            terminal.interrupt()
            code, _ = await terminal.end()
            assert code == 130
            assert b"interrupted" in terminal.shown
            assert b"Traceback" not in terminal.shown
        assert place.line.read_text() == before
        kept = await asyncio.to_thread(lambda: list(tmp_path.rglob("*.jobs.sqlite")))
        assert not kept, "nothing is kept of a step that came to nothing"


DEMO = str(CONFIG / "demo-line.toml")


@pytest.mark.parametrize(
    ("words", "says"),
    [
        ([DEMO], "sit at a terminal"),
        ([DEMO, "--passes", "0"], "--passes is 1 or more"),
        ([DEMO, "--placing-within", "-1 mm"], "--placing-within: -1 mm is not more than 0"),
        ([DEMO, "--placing-within", "1"], "--placing-within"),
        ([DEMO, "--counts", "0"], "--counts"),
        ([DEMO, "--counts", "many"], "--counts"),
        ([DEMO, "--station", "lid", "--counts", "10000"], 'no station "lid"'),
        (["nowhere.toml"], "nowhere.toml"),
    ],
)
def test_bad_input_is_one_line(words: list[str], says: str, capsys: pytest.CaptureFixture[str]) -> None:
    try:
        assert main(["commission", "distance", *words]) == 2
    except SystemExit as ended:
        assert ended.code == 2
    told = capsys.readouterr().err.splitlines()
    assert len(told) == 1
    assert says in told[0]
