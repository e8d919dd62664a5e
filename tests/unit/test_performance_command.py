"""The performance command says what it is read by; what it measures is not judged here."""

from __future__ import annotations

import json
import subprocess
import sys


def measured(*words: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "tests.performance", *words]
    return subprocess.run(command, capture_output=True, text=True, check=False)


def test_the_last_line_has_the_rows_their_details_and_the_machine() -> None:
    done = measured("--json", "--only", "pending_cost", "--periods", "400")
    assert done.returncode == 0, done.stderr
    found = json.loads(done.stdout.splitlines()[-1])
    assert found.keys() == {"pending_cost", "details", "machine"}
    assert found["machine"].keys() >= {"machine", "python", "pymodbus"}
    pending = found["details"]["pending_cost"]
    assert found["pending_cost"] == pending["value"] > 0
    assert pending["by_pending"].keys() == {"1", "100", "10000"}
    for number, row in pending["by_pending"].items():
        assert abs(row["pending_now"] - int(number)) <= 1
        assert row["quiet_us"]["n"] > row["work_us"]["n"] > 0
    assert pending["bare_exchange_us"]["median"] > 0


def test_a_stretch_of_the_shift_is_measured() -> None:
    done = measured("--json", "--only", "shift_wall_s", "--hours", "0.01")
    shift = json.loads(done.stdout.splitlines()[-1])["details"]["shift_wall_s"]
    assert shift["virtual_h"] == 0.01
    assert shift["products"] > 0
    assert shift["wall_s_per_100000_products"] > 0


def test_a_row_that_is_not_there_is_refused_in_one_line() -> None:
    done = measured("--only", "pendng_cost")
    assert done.returncode == 2
    assert "the rows are pending_cost, timed_vs_scan" in done.stderr.splitlines()[-1]
