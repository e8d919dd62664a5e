"""The demo line and the line over a slow link, as a person types them: every product marked once, and what is refused."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from controller.lead import needed_lease_s
from controller.settings.line import load_line
from sim.verdict import CLOCK_MM
from tests.wire.processes import roomy

CONFIG = Path(__file__).parents[2] / "config"
SLOW, DEMO = CONFIG / "slow-link-line.toml", CONFIG / "demo-line.toml"


def beltcue(*words: str) -> tuple[int, str, list[str]]:
    """Exit code, standard output, and the lines on standard error that are said to the user."""
    done = subprocess.run(
        [sys.executable, "-m", "controller.cli.main", *words],
        stdin=subprocess.DEVNULL, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert "Traceback" not in done.stderr
    return done.returncode, done.stdout, [line for line in done.stderr.splitlines() if line.startswith("beltcue: ")]


def last_object(out: str) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(out.splitlines()[-1])
    return found


@pytest.mark.long
@pytest.mark.parametrize("line", [DEMO, SLOW], ids=["fast link", "slow link"])
def test_every_product_that_passes_is_marked_once_within_a_count(line: Path, tmp_path: Path) -> None:
    code, out, said = beltcue("bench", str(roomy(tmp_path, line)), "--port", "0", "--for", "12s", "--json")
    result = last_object(out)
    assert code == 0, (result["shortfalls"], said)
    world, placement, requests = result["world"], result["placement"], result["requests"]
    assert world["complete"] == world["past_marker"] >= 7
    assert world["undetected"] == world["partial"] == world["bare"] == result["doubles"] == result["off_product"] == 0
    assert world["marks"] == placement["n"] == requests["marked"] == result["products"]["marked"]
    assert requests["missed"].keys() <= {"void"}, "of those that had not come to the marker at the end"
    assert result["balanced"]
    # Neither scenario has a wheel that is off: the tolerance is the count itself.
    assert placement["max_abs_mm"] <= load_line(line).spec().scale_mm + CLOCK_MM


def test_check_states_the_distance_the_orders_and_the_lease_that_the_link_needs() -> None:
    code, out, said = beltcue("check", str(SLOW), "--json")
    assert (code, said) == (0, [])
    for words in ("at least 119.5 mm", "the link carries 22.22 a second", "at least 200 ms", "limited by the link"):
        assert words in " ".join(out.split())
    needs = last_object(out)["needs"]
    # By hand: a sample up to one exchange old, one scan until the next, one exchange for its order, 20 ms for the host.
    lead_s = 0.045 + 2 * 0.045 + 0.020
    assert needs["lead_s"] == pytest.approx(lead_s)
    # 30 m/min, 2 m/s²: v·t + ½·a·t², and the mark is known to fit when its 18 mm have passed the eye.
    assert needs["lead_mm"] == pytest.approx(500 * lead_s + 0.5 * 2000 * lead_s**2)
    assert needs["stations"][0]["least_distance_mm"] == pytest.approx(18 + needs["lead_mm"])
    assert needs["orders_per_s"] == pytest.approx(1 / 0.045)
    # Two exchanges with their scans, the first of which fails, and the host's 20 ms.
    assert needs["shortest_lease_s"] == pytest.approx(2 * (0.045 + 0.045) + 0.020) == needed_lease_s(0.005, 0.045)


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('distance = "399.994 mm"', 'distance = "119 mm"', ("stations#1", "distance 119 mm", "119.5", "downstream")),
        ('lease = "500 ms"', 'lease = "199 ms"', ("link.lease", "199 ms", "200 ms or more")),
        ('lost_after = "500 ms"', 'lost_after = "100 ms"', ("link.lost_after", "100 ms", "110 ms or more")),
        (
            'least_length = "30 mm"\nleast_gap = "5 mm"\nhold_off = "40 mm"',
            'least_length = "15 mm"\nleast_gap = "5 mm"\nhold_off = "20 mm"',
            ("25.0 marks a second", "22.2 orders a second", "top_speed"),
        ),
    ],
    ids=["distance", "lease", "lost_after", "orders"],
)
def test_a_line_that_its_link_cannot_keep_is_refused_in_one_line(
    tmp_path: Path, old: str, new: str, words: tuple[str, ...]
) -> None:
    line = changed(tmp_path, old, new)
    code, _, said = beltcue("check", str(line))
    assert_refused(code, said, str(line), *words)


def test_every_verb_that_would_use_such_a_line_refuses_it_alike(tmp_path: Path) -> None:
    line = changed(tmp_path, 'lease = "500 ms"', 'lease = "199 ms"')
    journal = tmp_path / "j.sqlite"
    for verb, *more in (("run", "--bench-start", "--journal", str(journal)), ("bench", "--port", "0"), ("sim",)):
        code, _, said = beltcue(verb, str(line), *more)
        assert_refused(code, said, str(line), "link.lease", "200 ms or more")
    assert not journal.exists()


def changed(folder: Path, old: str, new: str) -> Path:
    """A copy of the slow line with some of its text changed; its job and scenario are still found."""
    text = SLOW.read_text(encoding="utf-8")
    assert text.count(old) == 1
    text = text.replace(old, new).replace('"jobs/', f'"{CONFIG}/jobs/').replace('"bench/', f'"{CONFIG}/bench/')
    line = folder / "line.toml"
    line.write_text(text, encoding="utf-8")
    return line


def assert_refused(code: int, said: list[str], *words: str) -> None:
    assert code == 2
    assert len(said) == 1
    for word in words:
        assert word in said[0]
