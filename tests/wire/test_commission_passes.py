"""`beltcue commission scale` with live passes: Enter at a terminal, the belt's clock in the test's hand."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.wire.commission_kit import Clock, address, at_terminal, jogging
from tests.wire.processes import until

SCENE = """
name = "half a metre"
[belt]
segments = [
    { kind = "stop", duration = "1 s" },
    { kind = "constant", speed = "20 m/min", distance = "500 mm" },
    { kind = "stop" },
]
[encoder]
circumference_factor = 1.02
start_count = 4294967000
[[products]]
length = "40 mm"
pitch = "70 mm"
"""


async def test_a_pass_is_taken_where_the_belt_stands_and_not_where_it_runs(tmp_path: Path) -> None:
    clock = Clock()
    async with jogging(tmp_path, SCENE, clock) as place:
        words = ["commission", "scale", str(place.line), "--taped", "500 mm", "--passes", "1", "--json"]
        environment = {"XDG_STATE_HOME": str(tmp_path)}
        async with at_terminal(*words, *address(place), environment=environment) as terminal:
            await terminal.sees("first mark at the pointer")
            terminal.type()
            await terminal.sees("second mark")
            clock.go(2.0, pace=0.2)
            await until(lambda: clock() > 1_050_000_000, "a belt that moves")
            terminal.type()
            await terminal.sees("The belt was running")
            await clock.run_to(10.0, pace=5.0)
            await terminal.sees("second mark", times=2)
            terminal.type()
            code, found = await terminal.end()
            assert terminal.shown.count(b"running. Stop") == 1, terminal.shown.decode()
    assert code == 1
    assert [each["kind"] for each in found["estimates"]] == ["taped distance"]
    assert found["mm_per_count"] == pytest.approx(1.02 * place.spec.scale_mm, rel=2e-4)
    assert found["changes"][0]["setting"] == "encoder.wheel.circumference"
