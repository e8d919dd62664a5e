"""The whole walk on the bench, by a script that reads what a technician would read; and the walk's own ways."""

from __future__ import annotations

import asyncio
import os
from pathlib import Path

import pytest

from controller.cli.main import main
from controller.commission_record import results_of
from controller.job_files import state_of
from controller.settings.line import load_line
from tests.wire.commission_kit import at_terminal
from tests.wire.processes import CONFIG
from tests.wire.technician import Technician

STEPS = ["sense", "contact", "scale", "detector", "distance", "marker", "limits", "budget", "trial", "accept"]


def test_a_line_nobody_has_settled_is_accepted_and_saved_by_the_walk_alone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Wrong sense, a wheel 2 % off, the marker 6 mm off and 8 ms late: what the walk makes of it is the truth."""
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path))
    technician = Technician(tmp_path)
    try:
        code, screen = technician.walk()
    finally:
        technician.go_home()
    assert code == 0, screen
    assert "PASS: with 95 % confidence" in screen and "saved: Tea carton 100 g, flap, revision 1" in screen
    config, truth = load_line(technician.line), load_line(CONFIG / "demo-line.toml")
    assert config.settings.encoder.forward == truth.settings.encoder.forward
    scale, true_scale = config.settings.encoder.scale_mm(), truth.settings.encoder.scale_mm()
    assert scale == pytest.approx(true_scale, rel=0.005)
    (station,), (true_station,) = config.settings.stations, truth.settings.stations
    assert station.response == pytest.approx(0.008, abs=0.001)
    # Distance and scale are settled one after the other: what counts is where the mark then comes to stand.
    assert station.distance / scale == pytest.approx(true_station.distance / true_scale, abs=0.5 / true_scale)
    assert state_of(config).saved
    found = {kept.step: kept for kept, _ in results_of(config)}
    assert list(dict.fromkeys(kept.step for kept, _ in results_of(config))) == STEPS
    assert found["accept"].result["verdict"] == "pass" and results_of(config, "accept")[-1][1]
    assert all(kept.raw for kept in found.values())
    page = (tmp_path / "record.html").read_text()
    assert "Acceptance" in page and "PASS: station flap" in page
    assert technician.launches >= 4, "the controller was started anew each time that it was asked for"


def my_line(tmp_path: Path) -> Path:
    line = tmp_path / "line.toml"
    line.write_text((CONFIG / "demo-line.toml").read_text().replace('"jobs/', f'"{CONFIG}/jobs/'))
    return line


async def test_it_is_stopped_says_what_was_done_and_goes_on_another_day(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path))
    line = my_line(tmp_path)
    before = line.read_text()
    environment = {"XDG_RUNTIME_DIR": os.environ["XDG_RUNTIME_DIR"], "XDG_STATE_HOME": str(tmp_path), "COLUMNS": "1000"}
    words = ("commission", str(line))
    async with at_terminal(*words, environment=environment) as terminal:
        await terminal.sees("Enter begins with sense")
        terminal.type("limits")
        for prompt in ("7 of 12: limits", "the present speed", "from one product to the next"):
            await terminal.sees(prompt)
            await terminal.sees("Enter")
            terminal.type()
        await terminal.sees("limits: done, in order")
        await terminal.sees("8 of 12: budget")
        terminal.type("trial")
        await terminal.sees("9 of 12: trial")
        terminal.type("do")
        await terminal.sees("does not run: start it in another terminal")
        terminal.type("skip")
        await terminal.sees("10 of 12: accept")
        terminal.type("job")
        await terminal.sees("11 of 12: job")
        terminal.type()
        await terminal.sees("have not passed accept. Save the job all the same?")
        terminal.type("no")
        await terminal.sees("12 of 12: record")
        terminal.type("stop")
        await asyncio.wait_for(terminal.process.wait(), 60.0)
    shown = terminal.shown.decode()
    assert terminal.process.returncode == 1
    assert "Go on another day with: beltcue commission" in shown
    assert "limits" in shown.split("stopped")[1] and "nothing" in shown.split("stopped")[1]
    assert line.read_text() == before and not state_of(load_line(line)).saved
    async with at_terminal(*words, environment=environment) as terminal:
        await terminal.sees("7 limits    done: result 1")
        await terminal.sees("Enter begins with sense")
        terminal.type("\x04")
        await asyncio.wait_for(terminal.process.wait(), 60.0)
    assert "nobody is at the terminal any more" in terminal.shown.decode()


async def test_a_step_that_is_refused_or_left_half_way_changes_nothing_and_is_asked_for_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path))
    line = my_line(tmp_path)
    before = line.read_text()
    environment = {"XDG_RUNTIME_DIR": os.environ["XDG_RUNTIME_DIR"], "XDG_STATE_HOME": str(tmp_path), "COLUMNS": "1000"}
    async with at_terminal("commission", str(line), environment=environment) as terminal:
        await terminal.sees("Enter begins with sense")
        terminal.type("scale")
        await terminal.sees("3 of 12: scale")
        terminal.type()
        await terminal.sees("a taped distance")
        terminal.type()
        await terminal.sees("length of the products")
        terminal.type()
        await terminal.sees("nothing measured is given")
        await terminal.sees("not done, nothing was changed by it")
        terminal.type("again")
        await terminal.sees("3 of 12: scale", times=2)
        terminal.type()
        await terminal.sees("a taped distance", times=2)
        terminal.type("5 m")
        await terminal.sees("the counts of each pass")
        terminal.type("133000, 133010 133020")
        await terminal.sees("length of the products", times=2)
        terminal.type()
        await terminal.sees("Write this change to")
        terminal.type("no")
        await terminal.sees("scale: not in order")
        terminal.type("again")
        await terminal.sees("3 of 12: scale", times=3)
        terminal.type("job")
        await terminal.sees("11 of 12: job")
        terminal.type()
        await terminal.sees("Save the job all the same?")
        terminal.type("yes")
        await terminal.sees("Why, for the record?")
        # A Ctrl-C that comes between the prompt and the reading is only noticed with the next key.
        await asyncio.sleep(0.5)
        terminal.interrupt()
        await terminal.sees("left half-way")
        await terminal.sees("job: not done, nothing was changed by it")
        terminal.type("stop")
        await asyncio.wait_for(terminal.process.wait(), 60.0)
    shown = terminal.shown.decode()
    assert "encoder.wheel.circumference: 299.7 mm → " in shown and "scale (not in order)" in shown.split("stopped")[1]
    assert line.read_text() == before and not state_of(load_line(line)).saved


async def test_where_there_are_several_stations_it_asks_which(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path))
    line = my_line(tmp_path)
    job = tmp_path / "job.toml"
    plan = '[[plans]]\nstation = "{}"\nedge = "leading"\noffset = "12 mm"\n'
    job.write_text('name = "two"\nnumber = 3\n' + plan.format("flap") + plan.format("lid"))
    text = line.read_text().replace(f"{CONFIG}/jobs/tea-carton-flap.toml", str(job))
    lid = '[[stations]]\nname = "lid"\ndistance = "600 mm"\nmark_time = "60 ms"\nrearm = "20 ms"\n\n[interlocks]'
    line.write_text(text.replace("[interlocks]", lid))
    environment = {"XDG_RUNTIME_DIR": os.environ["XDG_RUNTIME_DIR"], "XDG_STATE_HOME": str(tmp_path), "COLUMNS": "1000"}
    async with at_terminal("commission", str(line), environment=environment) as terminal:
        await terminal.sees("Enter begins with sense")
        terminal.type("distance")
        await terminal.sees("5 of 12: distance")
        terminal.type()
        await terminal.sees("which station, of flap, lid")
        terminal.type("roof")
        await terminal.sees("how many passes")
        terminal.type()
        await terminal.sees("roof")
        await terminal.sees("distance: not done, nothing was changed by it")
        terminal.type("stop")
        await asyncio.wait_for(terminal.process.wait(), 60.0)
    assert 'the line has no station "roof"' in terminal.shown.decode()


def test_without_a_terminal_it_is_refused_in_one_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["commission", str(my_line(tmp_path))]) == 2
    assert "sit at a terminal" in capsys.readouterr().err
    assert main(["commission", "walk", str(tmp_path / "none.toml")]) == 2
    assert "none.toml" in capsys.readouterr().err


def test_its_steps_are_all_there_are(capsys: pytest.CaptureFixture[str]) -> None:
    """A step that is added to the verbs has its row in the walk."""
    from controller.cli import commission
    from controller.cli.commission_walk_steps import STEPS as ROWS

    verbs = {module.__name__.rsplit("commission_")[-1] for module in commission.STEPS} - {"walk", "results"}
    assert {row.name for row in ROWS} == verbs | {"job"}
    with pytest.raises(SystemExit):
        main(["commission", "--help"])
    shown = capsys.readouterr().out
    assert all(row.name in shown for row in ROWS if row.name != "job") and "walk" in shown
