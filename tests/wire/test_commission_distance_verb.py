"""`beltcue commission distance` at a terminal, through a running controller, on a simulated belt that is jogged."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from tests.wire.commission_kit import Clock, at_terminal, jogging

SCENE = """
name = "one carton jogged to the marker, 406 mm from the eye, twice"
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
FIRST_S, SECOND_S = 1.0 + 456 / V, 1.0 + 500 / V
RESPONSE = (("[detector]", '[detector]\nresponse = "3 ms"'),)


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
            await terminal.sees("Pass 1 of 2")
            terminal.type()
            await terminal.sees("jog on")
            terminal.type()
            await terminal.sees("the count hardly moved")
            await terminal.sees("Pass 1 of 2", times=2)
            terminal.type()
            await terminal.sees("jog on", times=2)
            await clock.run_to(FIRST_S + 0.5)
            terminal.type()
            await terminal.sees("Pass 2 of 2")
            terminal.type()
            await terminal.sees("jog on", times=3)
            await clock.run_to(FIRST_S + SECOND_S + 0.5)
            terminal.type()
            code, found = await terminal.end()
    assert (code, found["source"], found["applied"]) == (0, "controller", True), terminal.shown.decode()
    assert found["distance_mm"]["value"] == pytest.approx(406.0, abs=0.1)
    assert found["response_mm"] == pytest.approx(0.003 * V, rel=0.1)
    assert [change["setting"] for change in found["changes"]] == ["stations#1.distance"]
    after = place.line.read_text()
    assert tomllib.loads(after)["stations"][0]["distance"] == found["changes"][0]["to"]
    assert after.replace(found["changes"][0]["to"], found["changes"][0]["from"]) == before, "comments are kept"
