"""The record of a commissioning: gathered from a real job store, and a page that needs nothing else."""

from __future__ import annotations

import json
import math
import re
import tomllib
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.cli.main import main
from controller.commission_record import keep_result
from controller.record_page.data import FIRST, LAST, data_tables
from controller.record_page.gather import NothingKeptError, gather
from controller.record_page.model import Record
from controller.record_page.render import render
from controller.record_page.rounding import rounded
from controller.record_page.shown import Shown, number
from controller.record_page.steps import PARTS, body_of, changes_of, unknown_of, verdict_of
from controller.settings.line import LineConfig
from controller.units import Display
from tests.unit.job_kit import LineFolder, line_folder
from tests.unit.page_kit import Page

HOUR_NS = 3_600_000_000_000
BEGAN_NS = 1_780_000_000_000_000_000


@pytest.fixture
def folder(tmp_path: Path) -> LineFolder:
    return line_folder(tmp_path)


def keep(folder: LineFolder, step: str, result: dict[str, Any], raw: dict[str, Any] | None = None, *, hour: int = 0,
         who: str = "anna") -> int:  # fmt: skip
    wall_ns = BEGAN_NS + hour * HOUR_NS
    return keep_result(folder.config, step, who=who, wall_ns=wall_ns, result=result, raw=raw or {})


def change(old: str, new: str, *, applied: bool) -> dict[str, Any]:
    return {"changes": [{"setting": "stations#1.distance", "from": old, "to": new}], "applied": applied}


def page_of(record: Record) -> Page:
    return Page(render(record, "a4"))


def test_an_unknown_step_is_shown_by_its_names_with_unit_and_uncertainty(folder: LineFolder) -> None:
    result = {
        "verdict": ["all went well"], "unknown": [{"what": "a", "why": "b", "needs": "c"}],
        "reach_mm": {"value": 12.3456, "low95": 12.2222, "high95": 12.469}, "stroke_ms": 4.25, "armed": True,
        "tries": [{"speed_mm_s": 1000.0, "left": "x"}, {"speed_mm_s": 500.0, "left": "y"}], "inner": {"depth_mm": 2.0},
    }  # fmt: skip
    keep(folder, "polish", result, {"t_s": [0.5, 1.0], "counts": [1, 2]})
    record = gather(folder.config)
    body = record.steps[0].body
    figures = {f.name: f.text.replace("\u00a0", " ") for f in body.figures}
    assert figures == {"reach": "12.35 ± 0.12 mm", "stroke": "4.25 ms", "armed": "yes", "inner: depth": "2 mm"}
    assert [list(row) for row in body.tables[0].rows] == [["60\u00a0m/min", "x"], ["30\u00a0m/min", "y"]]
    page = page_of(record)
    assert "Polish" in page.text and "all went well" in page.text and "a: b; needs c" in page.text
    assert record.done[-1].title == "Polish"


def test_every_step_stands_in_the_list_and_what_was_not_done_is_said(folder: LineFolder) -> None:
    for hour, step in enumerate(("trial", "polish", "trial", "sense")):
        keep(folder, step, {"verdict": f"said at {hour}"}, {"station": "flap"}, hour=hour)
    record = gather(folder.config)
    done = {(row.title, row.number): row.remark for row in record.done}
    assert done["Trial", "1"] == "superseded by result 3"
    assert (done["Trial", "3"], done["Polish", "2"], done["Sense", "4"]) == ("", "", "")
    missing = [row.title for row in record.done if row.remark == "not done"]
    assert missing == [part.title for name, part in PARTS.items() if name not in ("trial", "sense")]
    assert [step.number for step in record.steps] == [4, 3, 2]
    text = page_of(record).text
    assert all(f"said at {hour}" in text for hour in range(4)), "one that was superseded has its line"


def test_a_result_that_changed_a_setting_stands_in_full_although_it_was_done_again(folder: LineFolder) -> None:
    keep(folder, "trial", change("400 mm", "394 mm", applied=True))
    folder.change(('distance = "399.994 mm"', 'distance = "394 mm"'))
    keep(folder, "trial", change("394 mm", "395 mm", applied=False), hour=1, who="otto")
    record = gather(folder.config)
    assert [step.number for step in record.steps] == [1, 2]
    (changed, proposed) = record.settings
    assert list(changed.rows[0][:5]) == ["stations#1.distance", "400 mm", "394 mm", "Trial, result 1", "anna"]
    assert (proposed.rows[0][2], proposed.rows[0][4]) == ("395 mm", "otto")
    assert record.settings_notes == []


def test_settings_that_were_changed_by_hand_are_told(folder: LineFolder) -> None:
    keep(folder, "limits", {})
    folder.change(('rearm = "20 ms"', 'rearm = "25 ms"'))
    record = gather(folder.config)
    assert [note[:37] for note in record.settings_notes] == ["Between result 1 (Limits) and now set"]
    assert record.done[6].remark == "settings changed since"


def test_the_saved_job_stands_there_with_its_checksum_and_what_differs(folder: LineFolder) -> None:
    saved = folder.store.save("Tea carton 100 g, flap", folder.text, who="anna", why="as delivered", wall_ns=BEGAN_NS)
    keep(folder, "limits", {})
    facts = dict(gather(folder.config).facts)
    assert facts["Checksum of the settings"] == saved.sha256
    assert facts["Saved"].endswith("anna: as delivered")
    folder.change(('rearm = "20 ms"', 'rearm = "25 ms"'))
    record = gather(folder.config)
    assert "Saved" not in dict(record.facts)
    assert record.jobs[-1].caption.endswith("NOT SAVED")
    assert [list(row) for row in record.jobs[-1].rows] == [["stations.flap.rearm", "20 ms", "25 ms"]]


def test_nothing_kept_is_refused_in_one_line(folder: LineFolder, capsys: pytest.CaptureFixture[str]) -> None:
    out = folder.line.parent / "record.html"
    words = ["commission", "record", str(folder.line), "--out", str(out)]
    assert main(words) == 2
    assert "nothing was kept of tea-cartons yet" in capsys.readouterr().err
    keep(folder, "limits", {})
    with pytest.raises(NothingKeptError, match="since then; the last is of 2026-05-28"):
        gather(folder.config, BEGAN_NS + 1)
    assert main([*words, "--since", "2027-01-01"]) == 2
    assert main([*words, "--since", "yesterday"]) == 2
    assert 'write e.g. 2026-11-26 or "2026-11-26 08:30"' in capsys.readouterr().err
    assert not out.exists()
    assert main([*words, "--since", "2026-01-01", "--json"]) == 0
    said = json.loads(capsys.readouterr().out.splitlines()[-1])
    assert (said["file"], [step["title"] for step in said["steps"]]) == (str(out), ["Limits"])
    assert "Trial" in said["not_done"]


def test_since_leaves_out_what_is_older_and_says_so(folder: LineFolder) -> None:
    keep(folder, "limits", {})
    keep(folder, "budget", {}, hour=2)
    record = gather(folder.config, BEGAN_NS + HOUR_NS)
    assert [step.number for step in record.steps] == [2]
    assert dict(record.facts)["Steps"].endswith("1 older ones left out")


def test_another_file_is_never_replaced_unasked(folder: LineFolder, capsys: pytest.CaptureFixture[str]) -> None:
    keep(folder, "limits", {})
    out = folder.line.parent / "record.html"
    out.write_text("somebody's own")
    words = ["commission", "record", str(folder.line), "--out", str(out)]
    assert main(words) == 2
    assert "--force" in capsys.readouterr().err
    assert out.read_text() == "somebody's own"
    assert main([*words, "--force"]) == 0
    made = out.read_bytes()
    assert main(words) == 0, "the same record again is no other file"
    assert out.read_bytes() == made
    assert main([*words[:-1], str(out / "deeper.html")]) == 2
    assert main([*words[:-1], str(out.parent)]) == 2
    errors = capsys.readouterr().err.splitlines()
    assert [error.split(": ")[1].split()[0] for error in errors] == ["--out", "--out"]
    assert "Traceback" not in "".join(errors)


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_the_page_says_its_paper(folder: LineFolder, paper: Any) -> None:
    keep(folder, "limits", {})
    assert re.search(r"size: (A4|letter);", render(gather(folder.config), paper))[1].lower() == paper  # type: ignore[index]


KEYS = ["line", "verdict", "says", "unknown", "changes", "applied", "notes", "value", "low95", "high95", "estimates", "right", "filters", "times",
        "limits", "terms", "marks", "setup", "t_s", "counts", "reach_mm", "mean_speed_mm_s", "position_mm", "station"]  # fmt: skip
NASTY = st.text(st.characters(exclude_categories=("Cs", "Cc")), min_size=1, max_size=30) | st.sampled_from(
    [
        "</style><script>alert(1)</script>",
        '"><img src=x onerror=alert(1)>',
        "&lt;b&gt;",
        "{{ 7*7 }}",
        "</td>",
        "'\\\"",
        "-->",
    ]
)


@settings(max_examples=20, deadline=None)
@given(who=NASTY, words=NASTY, name=NASTY)
def test_whatever_people_write_stays_words(
    tmp_path_factory: pytest.TempPathFactory, tame_elements: set[str], who: str, words: str, name: str
) -> None:
    page = page_of(gather(worded(tmp_path_factory.mktemp("line"), who, words, name)))
    assert set(page.elements) == tame_elements
    assert page.outside == []
    assert " ".join(words.split()) in page.text
    assert " ".join(who.split()) in page.text


@pytest.fixture(scope="module")
def tame_elements(tmp_path_factory: pytest.TempPathFactory) -> set[str]:
    """The elements of the same page where all words are tame."""
    return set(page_of(gather(worded(tmp_path_factory.mktemp("tame"), "w", "w", "w"))).elements)


def worded(path: Path, who: str, words: str, name: str) -> LineConfig:
    """A line of which everything that people write is these words."""
    folder = line_folder(path)
    result = {"verdict": [words], "unknown": [{"what": words, "why": words, "needs": words}], "rows": [{name: words}],
              "changes": [{"setting": name, "from": words, "to": words}], "applied": True, name: words}  # fmt: skip
    keep(folder, "polish", result, {name: words, "series": [words, words]}, who=who)
    folder.store.save("job", folder.text, who=who, why=words, wall_ns=BEGAN_NS)
    return folder.config


@given(value=st.floats(-1e6, 1e6), u=st.floats(1e-6, 1e4))
def test_a_figure_is_rounded_to_the_place_of_two_digits_of_its_uncertainty(value: float, u: float) -> None:
    text, spread = rounded(value, u)
    digits = Decimal(spread).as_tuple()
    assert "e" not in (text + spread).lower()
    assert len(digits.digits) == 2 or (int(digits.exponent) == 0 and spread.strip("0") == spread.rstrip("0"))
    place = 10.0 ** (math.floor(math.log10(float(spread))) - 1)
    assert abs(float(text) - value) <= 0.5000001 * place
    assert abs(float(spread) - u) <= 0.5000001 * place
    assert text != "-0"


@pytest.mark.parametrize(
    ("value", "u", "told"),
    [(12.3456, 0.1234, ("12.35", "0.12")), (0.03746, 0.0000996, ("0.03746", "0.00010")), (13345.7, 123.0, ("13350", "120")),
     (-0.0004, 0.12, ("0.00", "0.12")), (100.02147, 0.00035, ("100.02147", "0.00035")), (1.5, 0.0, ("1.5", "")), (7.0, math.nan, ("7", ""))],
)  # fmt: skip
def test_rounding_by_the_gum(value: float, u: float, told: tuple[str, str]) -> None:
    # 100.021 47(35) g is the GUM's own example (7.2.2), from memory.
    assert rounded(value, u) == told


def test_figures_stand_in_the_lines_units_with_mm_beside() -> None:
    inches = Shown(Display("in", "ft/min"))
    assert inches.length("", 25.4, 0.254).text == "1.000\u00a0±\u00a00.010\u00a0in (25.40\u00a0±\u00a00.25\u00a0mm)"
    assert inches.speed("", 5.08).text == "1\u00a0ft/min (5.08\u00a0mm/s)"
    assert Shown(Display()).length("", 25.4, 0.254).text == "25.40\u00a0±\u00a00.25\u00a0mm"
    assert inches.length("", None).text == number("", None).text == "not known"


def test_long_data_are_trimmed_and_the_count_is_said() -> None:
    n = 1000
    (table,) = data_tables({"t_s": [0.01 * k for k in range(n)], "counts": list(range(n))}, "all of them are kept")
    assert f"{n - FIRST - LAST} of {n} rows" in table.note and "all of them are kept" in table.note
    rows = {text for row in table.rows for text in row}
    assert {"1", str(FIRST), str(n - LAST + 1), str(n)} <= rows
    assert str(FIRST + 1) not in {row[0] for row in table.rows}
    assert data_tables({}, "") == []


def test_results_of_two_stations_stand_beside_one_another(folder: LineFolder) -> None:
    for hour, (step, station, speed) in enumerate(
        [
            ("distance", "flap", 0.0),
            ("distance", "back", 0.0),
            ("budget", "flap", 100.0),
            ("budget", "flap", 200.0),
            ("budget", "flap", 100.0),
        ]
    ):
        keep(folder, step, {"station": station, "speed_mm_s": speed}, hour=hour)
    record = gather(folder.config)
    assert [step.number for step in record.steps] == [1, 2, 4, 5]


def test_the_acceptance_stands_on_the_first_page(folder: LineFolder) -> None:
    keep(folder, "limits", {})
    assert dict(gather(folder.config).facts)["Acceptance"] == "not done"
    keep(folder, "accept", {"says": ["FAIL: not so"], "verdict": "fail"}, {"station": "flap"}, hour=1)
    keep(folder, "accept", {"says": ["PASS: so it is"], "verdict": "pass"}, {"station": "flap"}, hour=2)
    assert dict(gather(folder.config).facts)["Acceptance"] == "PASS: so it is; 2026-05-28 22:26 UTC, anna"


VALUES = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(10**9), 10**9)
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(max_size=8),
    lambda inner: (
        st.lists(inner, max_size=4) | st.dictionaries(st.sampled_from(KEYS) | st.text(max_size=8), inner, max_size=6)
    ),
    max_leaves=12,
)


@settings(max_examples=100, deadline=None)
@given(
    step=st.sampled_from([*PARTS, "polish"]),
    result=st.dictionaries(st.sampled_from(KEYS), VALUES),
    raw=st.dictionaries(st.sampled_from(KEYS), VALUES),
)
def test_whatever_another_version_has_kept_is_shown(step: str, result: dict[str, Any], raw: dict[str, Any]) -> None:
    body = body_of(step, 1, result, raw, Shown(Display("in", "ft/min")))
    assert isinstance(body.outcome, str)
    assert all(
        isinstance(text, str) for table in (*body.tables, *data_tables(raw, "")) for row in table.rows for text in row
    )
    verdict_of(result), unknown_of(result), changes_of(result)


def test_what_the_page_is_made_of_is_packed_with_the_program() -> None:
    root = Path(__file__).resolve().parents[2]
    packed = tomllib.loads((root / "pyproject.toml").read_text())["tool"]["setuptools"]["package-data"]
    there = [path.name for path in (root / "controller" / "record_page").iterdir() if path.suffix in (".css", ".html")]
    assert sorted(packed["controller.record_page"]) == sorted(there)
