"""What the steps of commissioning found is kept with its raw data, by whoever typed it, for good."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from controller.cli.main import main
from controller.commission_record import keep_result, results_of
from controller.spec import Material
from tests.unit.job_kit import LineFolder, line_folder


@pytest.fixture
def folder(tmp_path: Path) -> LineFolder:
    return line_folder(tmp_path)


def said(capsys: pytest.CaptureFixture[str]) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(capsys.readouterr().out.splitlines()[-1])
    return found


def test_a_result_comes_back_with_its_data_and_whether_the_settings_are_still_those(folder: LineFolder) -> None:
    raw = {"mm": np.array([0.0, math.nan]), "n": np.int64(3), "material": Material.WEB, "pairs": [(1, math.inf)]}
    keep_result(folder.config, "scale", who="anna", wall_ns=5, result={"mm_per_count": 0.0375}, raw=raw)
    folder.change(('rearm = "20 ms"', 'rearm = "25 ms"'))
    keep_result(folder.config, "sense", who="anna", wall_ns=6, result={}, raw={})
    (scale, scale_same), (sense, sense_same) = results_of(folder.config)
    assert (scale_same, sense_same) == (False, True)
    assert (scale.step, scale.who, scale.result) == ("scale", "anna", {"mm_per_count": 0.0375})
    assert scale.raw == {"mm": [0.0, None], "n": 3, "material": "web", "pairs": [[1, None]]}
    assert [kept.number for kept, _ in results_of(folder.config, "sense")] == [sense.number]


def test_each_step_keeps_what_it_prints(folder: LineFolder, capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    trial = tmp_path / "trial.csv"
    trial.write_text(
        "speed [m/min],position [mm]\n" + "".join(f"{v},{12 + v / 10 + n / 10}\n" for v in (10, 25) for n in range(4))
    )
    line, printed = str(folder.line), {}
    for step, words in (("limits", ["--pitch", "200 mm"]), ("budget", []), ("trial", ["--csv", str(trial)])):
        assert main(["commission", step, line, *words, "--json"]) == 0
        printed[step] = said(capsys)
    assert main(["commission", "results", line, "--json"]) == 0
    kept = said(capsys)["results"]
    assert {row["step"]: row["result"] for row in kept} == printed
    assert all(row["same_settings"] and row["who"] for row in kept)
    assert kept[0]["raw"]["pitch"] == "200 mm"
    assert len(kept[2]["raw"]["marks"]["position_mm"]) == 8
    assert main(["commission", "results", line, "--step", "trial"]) == 0
    assert "trial" in capsys.readouterr().out


def test_a_step_whose_result_cannot_be_kept_says_so_and_gives_it_all_the_same(
    folder: LineFolder, capsys: pytest.CaptureFixture[str]
) -> None:
    folder.store.path.write_bytes(b"no database at all" * 99)
    assert main(["commission", "limits", str(folder.line), "--json"]) == 0
    out, err = capsys.readouterr()
    assert json.loads(out.splitlines()[-1])["top_speed_mm_s"] > 0
    assert err.startswith("beltcue: not kept: ")
    assert main(["commission", "results", str(folder.line)]) == 2
