"""What of a line belongs to a job: its text, back again, compared and shown."""

from __future__ import annotations

from pathlib import Path

import pytest

from controller.job_text import changes, differing, rows, settings_in, unified
from controller.settings.base import SettingsError
from controller.settings.line import load_line
from controller.settings.saved import MACHINE, PRODUCT, is_machine, read_saved, saved_text, text_of
from controller.settings.sections import DetectorSection, EncoderSection, StationSection
from controller.units import Display
from tests.unit.job_kit import CONFIG, line_folder


@pytest.mark.parametrize("path", sorted(CONFIG.glob("*-line.toml")), ids=lambda path: path.stem)
def test_every_line_of_the_examples_is_a_text_that_reads_back_as_itself(path: Path) -> None:
    text = text_of(load_line(path))
    assert saved_text(read_saved(text, "here")) == text


def test_every_setting_of_the_sections_belongs_to_the_product_the_machine_or_the_wiring() -> None:
    wiring = {
        "detector": {"kind"},
        "stations": {"name", "kind", "release"},
        "encoder": {"counter_bits", "modulus", "greatest_frequency"},
    }
    for section, model in (("detector", DetectorSection), ("stations", StationSection), ("encoder", EncoderSection)):
        parts = [set(PRODUCT[section]), set(MACHINE[section]), wiring[section]]
        assert set.union(*parts) == set(model.model_fields), section
        assert sum(map(len, parts)) == len(model.model_fields), section


def test_the_same_values_in_other_units_are_the_same_text(tmp_path: Path) -> None:
    folder = line_folder(tmp_path)
    before = folder.text
    folder.change(('offset = "12 mm"', 'offset = "0.012 m"'), ('\nlength = "18 mm"', '\nlength = "1.8 cm"'))
    assert folder.text == before


def test_wiring_and_reactions_are_no_part_of_a_job(tmp_path: Path) -> None:
    folder = line_folder(tmp_path)
    before = folder.text
    folder.change(('"127.0.0.1:15020"', '"192.0.2.1"'), ("misses_in_a_row = 10", "misses_in_a_row = 3"))
    assert folder.text == before


@pytest.mark.parametrize(
    ("old", "new", "place", "machine"),
    [
        ('offset = "12 mm"', 'offset = "13 mm"', ("job", "plans#1", "offset"), False),
        ("number = 7", "number = 9", ("job", "number"), False),
        ('rearm = "20 ms"', 'rearm = "21 ms"', ("stations", "flap", "rearm"), False),
        ('hold_off = "40 mm"', 'hold_off = "41 mm"', ("detector", "hold_off"), False),
        ('silent_after = "20 s"', "", ("detector", "silent_after"), False),
        ('distance = "399.994 mm"', 'distance = "400 mm"', ("stations", "flap", "distance"), True),
        ('"299.7 mm"', '"305 mm"', ("encoder", "wheel", "circumference"), True),
        ('"counts up"', '"counts down"', ("encoder", "forward"), True),
    ],
)
def test_a_changed_setting_is_found_at_its_place(
    tmp_path: Path, old: str, new: str, place: tuple[str, ...], machine: bool
) -> None:
    folder = line_folder(tmp_path)
    before = folder.text
    folder.change((old, new))
    assert differing(before, folder.text) == [place]
    assert is_machine(place) is machine


def test_what_is_shown_is_in_the_units_of_the_line(tmp_path: Path) -> None:
    # NIST SP 811: 1 in = 25.4 mm exactly, 1 ft/min = 5.08 mm/s
    folder = line_folder(tmp_path)
    folder.change(('offset = "12 mm"', 'offset = "12.7 mm"'), ("mark_time", 'max_speed = "508 mm/s"\nmark_time'))
    shown = dict(rows(folder.text, Display("in", "ft/min")))
    assert shown["job.plans#1.offset"] == "0.5 in"
    assert shown["stations.flap.max_speed"] == "100 ft/min"
    assert shown["stations.flap.mark_time"] == "60 ms"
    assert shown["job.plans#1.keep_on_product"] == "yes"


def test_a_name_that_looks_like_a_length_stays_a_name(tmp_path: Path) -> None:
    folder = line_folder(tmp_path)
    folder.change(('"Tea carton 100 g, flap"', '"50 mm"'))
    assert dict(rows(folder.text, Display("in", "ft/min")))["job.name"] == "50 mm"


def test_a_difference_beyond_the_digits_shown_is_shown_with_all_of_them(tmp_path: Path) -> None:
    folder = line_folder(tmp_path)
    before = folder.text
    folder.change(('"399.994 mm"', '"399.99400000001 mm"'))
    ((place, old, new),) = changes(before, folder.text, Display())
    assert (place, old != new) == ("stations.flap.distance", True)
    found = unified(before, folder.text, ("a", "b"), Display())
    assert [line[0] for line in found if "distance" in line] == ["-", "+"]


def test_no_difference_is_an_empty_diff(tmp_path: Path) -> None:
    text = line_folder(tmp_path).text
    assert unified(text, text, ("a", "b"), Display()) == []
    assert changes(text, text, Display()) == []


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('"format": 1', '"format": 2', "format"),
        ('"hold_off"', '"hold_on"', 'hold_on: unknown key; did you mean "hold_off"'),
    ],
)
def test_a_text_of_another_program_is_refused_in_one_line(tmp_path: Path, old: str, new: str, words: str) -> None:
    text = line_folder(tmp_path).text
    assert old in text
    with pytest.raises(SettingsError, match=words):
        read_saved(text.replace(old, new), "job")


@pytest.mark.parametrize("text", ["", "[]", "{}", '{"stations": 3}', '{"stations": {"flap": 3}}'])
def test_a_text_that_is_no_job_is_refused_in_one_line(text: str) -> None:
    with pytest.raises(SettingsError, match="no saved job"):
        read_saved(text, "job")


def test_settings_are_read_job_first() -> None:
    text = text_of(load_line(CONFIG / "demo-line.toml"))
    assert list(dict.fromkeys(place[0] for place in settings_in(text))) == ["job", "detector", "stations", "encoder"]
