"""Measured, promised, marked: the promise of a measured link against where the marks land, on real sockets.

The whole row, over many links and paths, is `python -m tests.performance --only promise_coverage`; here one line only,
whose error is nearly all the belt between two looks, so that a busy machine does not decide.
"""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from tests.performance.promise import Bench, Link, run_bench


@pytest.mark.long
@pytest.mark.skipif(
    not os.environ.get("BELTCUE_QUIET"), reason="needs a machine with nothing else to do: set BELTCUE_QUIET=1"
)
async def test_a_promise_is_kept_and_not_far_too_wide(tmp_path: Path, runtime: Path) -> None:
    bench = Bench("compare", "sampled", Link(), (400.0,), pitch_mm=30.0, seed=21, measure_s=2.0)
    (row,) = await run_bench(bench, tmp_path, 60)
    assert row.marks > 40
    # Half a look of belt is 1 mm; what is promised and what is seen are of that size, and of each other's.
    assert 0.8 < row.half_width_mm < 2.5, row
    assert 0.5 < row.ratio < 2.5, row
