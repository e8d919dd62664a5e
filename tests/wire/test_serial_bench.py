"""`beltcue bench` and `beltcue sim` with serial framing: whole lines, and the verdict on where each mark landed."""

from __future__ import annotations

import re
import signal
from pathlib import Path

import pytest

from controller.settings.line import load_line
from tests.wire.processes import roomy
from tests.wire.test_run_bench import FAST, assert_one_line, begun, beltcue, last_object

SERIAL = Path("config/serial-line.toml").resolve()
DEMO = Path("config/demo-line.toml").resolve()


def scenario(folder: Path) -> str:
    path = folder / "fast.toml"
    path.write_text(FAST)
    return str(path)


@pytest.mark.long
def test_a_serial_bench_needs_no_hardware_and_is_as_slow_as_its_characters_and_as_exact(tmp_path: Path) -> None:
    line = roomy(tmp_path, SERIAL)
    least_s = load_line(line).least_exchange_s
    assert least_s is not None
    code, out, err = beltcue("bench", str(line), "--for", "6s", "--scenario", scenario(tmp_path), "--json")
    result = last_object(out)
    assert code == 0, (result["shortfalls"], err)
    assert result["world"]["complete"] == result["world"]["past_marker"] > 0
    assert result["placement"]["max_abs_mm"] <= result["placement"]["tolerance_mm"]
    assert result["scan"]["exchange_median_ms"] >= 1e3 * least_s


@pytest.mark.long
def test_a_bench_with_serial_framing_over_ethernet(tmp_path: Path) -> None:
    line = roomy(tmp_path, DEMO)
    line.write_text(line.read_text().replace('protocol = "modbus-tcp"', 'protocol = "modbus-rtu-tcp"'))
    words = ("--port", "0", "--for", "6s", "--scenario", scenario(tmp_path), "--json")
    code, out, err = beltcue("bench", str(line), *words)
    result = last_object(out)
    assert code == 0, (result["shortfalls"], err)
    assert result["world"]["complete"] == result["world"]["past_marker"] > 0


def test_a_simulator_on_a_new_pair_says_its_name() -> None:
    side = begun("sim", str(SERIAL), "--address", "pty")
    assert side.stdout is not None
    said = side.stdout.readline()
    side.send_signal(signal.SIGINT)
    side.communicate(timeout=60)
    assert re.fullmatch(r"simulated I/O side listening on /dev/pts/\d+; Ctrl-C ends it\n", said)
    assert side.returncode == 0


def test_what_does_not_belong_to_a_serial_line_is_one_line(tmp_path: Path) -> None:
    line = str(SERIAL)
    assert_one_line(beltcue("bench", line, "--port", "0"), "--port", "serial line")
    assert_one_line(beltcue("sim", line, "--address", "127.0.0.1:0"), "--address", "no serial port", "pty")
    missing = str(tmp_path / "ttyUSB9")
    assert_one_line(beltcue("sim", line, "--address", missing), "cannot open", missing, "No such file", "another port")
    assert_one_line(beltcue("run", line, "--address", "127.0.0.1:502"), "--address", "no serial port")
