"""`beltcue measure` and `beltcue promise` as a person types them, against a simulated I/O side on real sockets."""

from __future__ import annotations

import asyncio
import json
import os
import socket
import sys
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

import pytest

from controller.field.links import make_reader
from controller.link_analysis import analyse
from controller.measuring import Measuring
from controller.settings.line import LineConfig, load_line
from sim.children import child
from sim.device import Device
from sim.proxy import Delays, proxying
from sim.scenario import load_scenario
from sim.server import serving, serving_plain
from sim.world import build_device, build_plain_device

CONFIG = Path(__file__).parents[2] / "config"
PNG = b"\x89PNG\r\n"


def line_file(folder: Path, name: str = "demo-line", *changes: tuple[str, str]) -> Path:
    text = (CONFIG / f"{name}.toml").read_text().replace('"jobs/', f'"{CONFIG}/jobs/')
    for old, new in (('"bench/', f'"{CONFIG}/bench/'), *changes):
        assert old in text
        text = text.replace(old, new)
    path = folder / "line.toml"
    path.write_text(text)
    return path


async def beltcue(*words: str) -> tuple[int, str, list[str]]:
    """Exit code, standard output, and the lines said on standard error."""
    process = await asyncio.create_subprocess_exec(
        sys.executable, "-m", "controller.cli.main", *words,
        stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.PIPE,
    )  # fmt: skip
    async with asyncio.timeout(60):
        out, err = await process.communicate()
    assert process.returncode is not None
    return process.returncode, out.decode(), err.decode().splitlines()


@asynccontextmanager
async def simulated(line: Path) -> AsyncIterator[str]:
    words = ["sim", str(line), "--address", "127.0.0.1:0", "--truth", "-"]
    async with child("simulator", "controller.cli.main", words, os.environ) as side:
        yield f"127.0.0.1:{json.loads(await side.first_line())['ready']['port']}"


def older(folder: Path) -> list[Path]:
    return list(folder.glob("line.measured.*.json"))


def world(config: LineConfig) -> Device:
    assert config.scenario_path is not None
    return build_device(config.spec(), load_scenario(config.scenario_path, config.spec()))


@pytest.mark.long
async def test_measure_then_promise(tmp_path: Path) -> None:
    line = line_file(tmp_path)
    code, out, _ = await beltcue("promise", str(line), "--json", "--speeds", "100 mm/s")
    assert code == 0
    assert json.loads(out.splitlines()[-1])["source"].startswith("ASSUMED, nothing was measured")

    async with simulated(line) as address:
        code, out, said = await beltcue("measure", str(line), "--for", "2s", "--address", address, "--json")
        measured = json.loads(out.splitlines()[-1])
        assert (code == 1) == bool(measured["refused"]), said
        assert measured["address"] == address
        assert measured["bench"]
        assert measured["exchanges"] > 50
        assert (
            0 < measured["exchange"]["median_ms"] <= measured["exchange"]["p99_ms"] <= measured["exchange"]["worst_ms"]
        )
        assert measured["out"]["median_ms"] + measured["back"]["median_ms"] == pytest.approx(
            measured["exchange"]["median_ms"], rel=0.5
        )
        assert measured["send_late"]["n"] > 5
        assert (tmp_path / "line.measured.png").read_bytes().startswith(PNG)

        code, out, _ = await beltcue("measure", str(line), "--for", "500ms", "--address", address, "--no-plot")
        assert "the one before is" in " ".join(out.split())
        assert len(older(tmp_path)) == 1

    picture = tmp_path / "p.png"
    words = ("promise", str(line), "--json", "--terms", "--plot", str(picture), "--speeds", "100 mm/s, 25 m/min")
    code, out, _ = await beltcue(*words)
    assert code == 0
    found = json.loads(out.splitlines()[-1])
    assert found["source"].startswith("measured ")
    assert {f["name"]: f["measured"] for f in found["figures"]}["exchange"] is True
    assert {(p["path"], p["detector"]) for p in found["paths"]} == {
        (path, kind) for path in ("compare", "timed") for kind in ("captured", "sampled")
    }
    for path in found["paths"]:
        assert path["half_width_95_mm"] > 0 and path["worst_mm"] >= path["half_width_95_mm"] - abs(path["bias_mm"])
    assert [p["speed_mm_s"] for p in found["paths"] if p["used"]] == pytest.approx([100.0, 25_000 / 60])
    assert picture.read_bytes().startswith(PNG)

    line.write_text(line.read_text().replace("unit_id = 1", "unit_id = 2"))
    code, out, _ = await beltcue("promise", str(line), "--json", "--speeds", "100 mm/s")
    assert "were changed after the measurement" in json.loads(out.splitlines()[-1])["source"]


async def test_nobody_answers(tmp_path: Path) -> None:
    line = line_file(tmp_path)
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        address = f"127.0.0.1:{free.getsockname()[1]}"
        code, _, said = await beltcue("measure", str(line), "--for", "600ms", "--address", address)
    assert code == 1
    assert said[0].startswith("beltcue: no answer, trying on: cannot reach")
    assert said[-1].startswith("beltcue: nothing was measured: cannot reach")
    assert len(said) == 2
    assert not (tmp_path / "line.measured.json").exists()


@pytest.mark.parametrize(
    ("words", "part"),
    [
        (("measure", "no-such.toml"), "no such file"),
        (("measure", "{line}", "--for", "3"), "has no unit"),
        (("measure", "{line}", "--address", "nonsense:port"), "--address"),
        (("promise", "no-such.toml"), "no such file"),
        (("promise", "{line}", "--speeds", "900 m/min"), "up to the line's top speed 30 m/min"),
        (("promise", "{line}", "--speeds", "0 m/min"), "is not above zero"),
        (("promise", "{line}", "--speeds", "fast"), "does not begin with a number"),
        (("promise", "{line}", "--speeds", "100 mm/s", "--plot", "/no-such-directory/p.png"), "can be written"),
        (("promise", "{line}", "--speeds", "100 mm/s", "--plot", "{folder}/p.nonsense"), "name a .png"),
    ],
)
async def test_bad_input_is_one_line(tmp_path: Path, words: tuple[str, ...], part: str) -> None:
    line = line_file(tmp_path)
    code, _, said = await beltcue(*(w.format(line=line, folder=tmp_path) for w in words))
    assert code == 2
    assert len(said) == 1
    assert part in said[0]


async def test_a_foreign_layout_is_refused(tmp_path: Path) -> None:
    line = line_file(tmp_path)
    config = load_line(line)
    device = world(config)
    device.spec = type(device.spec)(layout=2)
    async with serving(device, config.points) as server:
        code, _, said = await beltcue("measure", str(line), "--for", "5s", "--address", f"127.0.0.1:{server.port}")
    assert code == 2
    assert "says register layout 2, this program speaks 1" in said[-1]


async def test_measuring_changes_nothing_at_the_io_side(tmp_path: Path) -> None:
    config = load_line(line_file(tmp_path))
    device = world(config)
    before = device.read(0)
    async with serving(device, config.points) as server:
        said: list[str] = []
        link = make_reader(config, config.spec(), "127.0.0.1", server.port)
        record = await Measuring(link, "there", 0.005, said.append, lambda _: None).run(0.5)
    after = device.read(device.now_ns)
    assert (after.owner, after.heartbeat_echo, after.inhibit_cause) == (0, 0, before.inhibit_cause)
    assert not device.running
    assert record.exchanges > 10 and record.failed == 0 and said == []


async def test_a_plain_device_s_outputs_are_not_written(tmp_path: Path) -> None:
    config = load_line(line_file(tmp_path, "plain-line"))
    assert config.plain is not None and config.scenario_path is not None
    spec = config.spec()
    device = build_plain_device(spec, load_scenario(config.scenario_path, spec), None)
    async with serving_plain(device, config.plain) as server:
        link = make_reader(config, spec, "127.0.0.1", server.port)
        record = await Measuring(link, "there", 0.005, print, lambda _: None).run(0.5)
    assert device._write_ns is None, "something was written"
    found = analyse(record)
    assert found.out is None
    assert record.exchanges > 10


async def test_the_two_ways_of_a_lopsided_link_are_not_guessed_beyond_what_is_known(tmp_path: Path) -> None:
    """What is constant on one way cannot be told from a clock's offset; what varies is told to its own way."""
    config = load_line(line_file(tmp_path))
    async with (
        serving(world(config), config.points) as server,
        proxying("127.0.0.1", server.port, Delays(0.0, 0.008), seed=3) as proxy,
    ):
        link = make_reader(config, config.spec(), "127.0.0.1", proxy.port)
        record = await Measuring(link, "there", 0.005, print, lambda _: None).run(2.0)
    found = analyse(record)
    assert found.out is not None and found.back is not None
    # Each way up to 8 ms evenly, and the proxy's own millisecond: neither takes the other's share.
    assert 0.5 < found.out.std() / found.back.std() < 2.0
    assert found.exchange.std() > 1.1 * max(found.out.std(), found.back.std())
