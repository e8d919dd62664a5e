"""`beltcue bench` and `beltcue sim` as a person types them: processes over real sockets, and the verdict."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from controller.records.report import report
from tests.wire.processes import roomy

LINE = "config/demo-line.toml"
FIXED = {
    "path", "virtual", "duration_s", "wall_s", "balanced", "state", "products", "requests", "world", "doubles",
    "off_product", "placement", "by_speed", "faults",
}  # fmt: skip
"""The names that scripts rely on."""

FAST = """
name = "fast"
[belt]
starts = "with running"
segments = [{ kind = "constant", speed = "25 m/min" }]
[[products]]
length = "90 mm"
pitch = "150 mm"
"""


@pytest.fixture
def fast(tmp_path: Path) -> Path:
    path = tmp_path / "fast.toml"
    path.write_text(FAST)
    return path


def begun(*words: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-m", "controller.cli.main", *words],
        stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip


def beltcue(*words: str) -> tuple[int, str, str]:
    process = begun(*words)
    out, err = process.communicate()
    assert "Traceback" not in err
    return process.returncode, out, err


def last_object(out: str) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(out.splitlines()[-1])
    return found


def children_of(pid: int) -> set[int]:
    return {int(word) for word in Path(f"/proc/{pid}/task/{pid}/children").read_text().split()}


def gone(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return True
    return False


def test_a_bench_marks_every_product_that_passes_and_says_so_in_the_fixed_names(fast: Path, tmp_path: Path) -> None:
    journal = tmp_path / "kept.sqlite"
    words = ("--port", "0", "--for", "6s", "--scenario", str(fast), "--journal", str(journal), "--json")
    code, out, err = beltcue("bench", str(roomy(tmp_path, Path(LINE).resolve())), *words)
    result = last_object(out)
    assert code == 0, (result["shortfalls"], err)
    assert result.keys() >= FIXED
    assert (result["virtual"], result["balanced"], result["state"]) == (False, True, "Stopped")
    world, placement = result["world"], result["placement"]
    assert world["complete"] == world["past_marker"] > 0
    assert world["marks"] == placement["n"] == result["requests"]["marked"]
    assert placement["max_abs_mm"] <= placement["tolerance_mm"] == pytest.approx(0.0375, rel=0.01)
    assert report(journal).requests["marked"] == world["marks"]
    assert "m/min" in err
    assert "largest error" in err


def test_a_bench_over_a_delaying_proxy_is_link_limited_and_as_exact(tmp_path: Path) -> None:
    code, out, err = beltcue(
        "bench",
        str(roomy(tmp_path, Path("config/slow-link-line.toml").resolve())),
        "--port",
        "0",
        "--for",
        "8s",
        "--json",
    )
    result = last_object(out)
    assert code == 0, (result["shortfalls"], err)
    scan = result["scan"]
    assert scan["scan_ms"] == scan["exchange_median_ms"] > scan["period_ms"]
    assert scan["link_limited"] > scan["exchanges"] / 2


def test_a_virtual_bench_has_the_same_names_and_waits_for_nothing() -> None:
    code, out, err = beltcue("bench", LINE, "--virtual", "--for", "10 min", "--json")
    result = last_object(out)
    assert code == 0, err
    assert result.keys() >= FIXED
    assert result["virtual"] is True
    assert result["duration_s"] >= 600
    assert result["world"]["complete"] == result["world"]["past_marker"] > 600


def test_the_same_seed_gives_the_same_and_another_seed_another_virtual_bench() -> None:
    def placement(seed: int) -> object:
        code, out, err = beltcue("bench", LINE, "--virtual", "--for", "1 min", "--seed", str(seed), "--json")
        assert code == 0, err
        return last_object(out)["placement"]

    assert placement(3) == placement(3) != placement(4)


def test_a_bench_in_which_no_product_comes_is_not_good(tmp_path: Path) -> None:
    empty = tmp_path / "empty.toml"
    empty.write_text(FAST.replace('pitch = "150 mm"', 'pitch = "150 mm"\nfirst = "900 m"'))
    code, out, _ = beltcue("bench", LINE, "--virtual", "--for", "20s", "--scenario", str(empty), "--json")
    assert code == 1
    assert "no product was seen" in last_object(out)["shortfalls"]


def test_a_marker_that_stands_elsewhere_than_configured_is_found_out(tmp_path: Path) -> None:
    moved = tmp_path / "moved.toml"
    moved.write_text(FAST + '[[markers]]\ndistance = "400.5 mm"\n')
    code, out, _ = beltcue("bench", LINE, "--virtual", "--for", "20s", "--scenario", str(moved), "--json")
    result = last_object(out)
    assert code == 1
    assert result["placement"]["mean_mm"] == pytest.approx(399.994 - 400.5, abs=0.02)


def test_a_dry_bench_makes_no_mark_and_is_good() -> None:
    code, out, _ = beltcue("bench", LINE, "--virtual", "--for", "20s", "--dry", "--json")
    result = last_object(out)
    assert code == 0
    assert result["world"]["marks"] == 0
    assert result["requests"]["dry"] > 0


def test_the_scenarios_calls_are_given_over_the_control_socket(tmp_path: Path) -> None:
    held = tmp_path / "held.toml"
    held.write_text(FAST + '[[calls]]\nat = "2 s"\nverb = "hold"\n[[calls]]\nat = "3 s"\nverb = "unhold"\n')
    journal = tmp_path / "held.sqlite"
    words = ("--port", "0", "--for", "7s", "--scenario", str(held), "--journal", str(journal), "--json")
    code, out, err = beltcue("bench", LINE, *words)
    assert code == 0, (last_object(out)["shortfalls"], err)
    given = [(c.verb, c.who, c.accepted) for c in report(journal).commands if c.who == "bench"]
    assert given == [("hold", "bench", True), ("unhold", "bench", True)]
    assert last_object(out)["requests"]["missed"]["not_permitted"] > 0


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_signal_ends_all_processes_and_there_is_still_a_verdict(fast: Path, tmp_path: Path, number: int) -> None:
    words = (
        "--port",
        "0",
        "--for",
        "10 min",
        "--scenario",
        str(fast),
        "--journal",
        str(tmp_path / "j.sqlite"),
        "--json",
    )
    process = begun("bench", LINE, *words)
    assert process.stderr is not None
    while "marked 1" not in process.stderr.readline():
        pass
    children = children_of(process.pid)
    assert len(children) == 2
    process.send_signal(number)
    out, _ = process.communicate()
    assert process.returncode == 0
    assert last_object(out)["world"]["marks"] > 0
    assert all(gone(pid) for pid in children)


@contextmanager
def taken_port() -> Iterator[int]:
    with socket.create_server(("127.0.0.1", 0)) as server:
        yield int(server.getsockname()[1])


def assert_one_line(answer: tuple[int, str, str], *words: str) -> None:
    code, _, err = answer
    assert code == 2, err
    lines = [line for line in err.splitlines() if line.startswith("beltcue: ")]
    assert len(lines) == 1
    for word in words:
        assert word in lines[0]


def test_bad_benches_are_one_line_and_exit_code_2(tmp_path: Path) -> None:
    with taken_port() as port:
        assert_one_line(beltcue("bench", LINE, "--port", str(port)), str(port), "in use")
    assert_one_line(beltcue("bench", LINE, "--port", "70000"), "--port")
    assert_one_line(beltcue("bench", LINE, "--scenario", str(tmp_path / "none.toml")), "none.toml", "no such file")
    odd = tmp_path / "odd.toml"
    odd.write_text(FAST.replace("segments", "segmets"))
    assert_one_line(beltcue("bench", LINE, "--scenario", str(odd), "--virtual"), "segmets", "segments")
    odd.write_text(FAST.replace('kind = "constant"', 'kind = "ramp", to = "0 m/min", duration = "0 s"'))
    assert_one_line(beltcue("bench", LINE, "--scenario", str(odd), "--virtual"), "odd.toml")
    assert_one_line(beltcue("bench", LINE, "--journal", "/proc/none/j.sqlite", "--virtual"), "/proc/none")
    assert_one_line(beltcue("sim", LINE, "--address", "nowhere"), "HOST:PORT")


def test_sim_alone_tells_the_truth_as_json_lines(fast: Path) -> None:
    process = begun("sim", LINE, "--scenario", str(fast), "--address", "127.0.0.1:0", "--truth", "-")
    assert process.stdout is not None
    assert json.loads(process.stdout.readline())["ready"]["port"] > 0
    assert json.loads(process.stdout.readline())["progress"]["t_s"] is None
    process.send_signal(signal.SIGTERM)
    out, err = process.communicate()
    assert process.returncode == 0, err
    assert json.loads(out.splitlines()[-1])["verdict"]["world"]["products"] == 0


def test_status_does_not_load_what_it_does_not_need() -> None:
    code = "import sys, controller.cli.main as m; m.main(['status']); print(*sys.modules)"
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout
    heavy = {"pymodbus", "pint", "pydantic", "numpy", "rich", "structlog", "asyncio", "sqlite3"}
    assert heavy.isdisjoint(out.split())
