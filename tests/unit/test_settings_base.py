from __future__ import annotations

import os
from pathlib import Path

import pytest
from pydantic import Field, model_validator

from controller.settings.base import SettingsError, Strict, load_toml, problem
from controller.settings.quantities import (
    AccelMmS2,
    DurationS,
    LengthMm,
    PositiveLengthMm,
    SignedLengthMm,
    SpeedMmS,
)
from controller.spec import Grid


class Post(Strict):
    distance: PositiveLengthMm
    shift: SignedLengthMm = 0.0
    reach: LengthMm = 0.0
    response: DurationS = 0.0
    bits: int = 0


class Belt(Strict):
    name: str
    top_speed: SpeedMmS = 0.0
    acceleration: AccelMmS2 | None = None
    posts: tuple[Post, ...] = ()
    spare: dict[str, Post] = Field(default_factory=dict)
    grid: Grid = Grid.EDGE
    checked: bool = True
    size: int = Field(default=1, ge=0, le=5)

    @model_validator(mode="after")
    def _consistent(self) -> Belt:
        if self.name == "bad":
            raise problem("name", "is {bad}; choose another")
        return self


def load(tmp_path: Path, text: str) -> Belt:
    file = tmp_path / "belt.toml"
    file.write_text(text, encoding="utf-8")
    return load_toml(file, Belt)


def lines(tmp_path: Path, text: str) -> list[str]:
    with pytest.raises(SettingsError) as caught:
        load(tmp_path, text)
    found = caught.value.all_lines()
    assert all("\n" not in line for line in found)
    assert str(caught.value).startswith(found[0])
    return [line.removeprefix(f"{tmp_path / 'belt.toml'}: ") for line in found]


def test_quantities_are_floats_in_our_units(tmp_path: Path) -> None:
    belt = load(
        tmp_path,
        'name = "a"\ntop_speed = "50 ft/min"\nacceleration = "1 m/s^2"\ngrid = "phase"\n'
        '[[posts]]\ndistance = "0.5 in"\nshift = "-1 mm"\n[spare.x]\ndistance = "1 m"\nresponse = "5 ms"\n',
    )
    assert (belt.top_speed, belt.acceleration, belt.grid) == (254.0, 1000.0, Grid.PHASE)
    assert (belt.posts[0].distance, belt.posts[0].shift) == (12.7, -1.0)
    assert belt.spare["x"].response == 0.005


def test_a_byte_order_mark_and_windows_line_ends_are_taken(tmp_path: Path) -> None:
    file = tmp_path / "belt.toml"
    file.write_bytes(b'\xef\xbb\xbfname = "a"\r\n')
    assert load_toml(file, Belt).name == "a"


@pytest.mark.parametrize(
    ("text", "first"),
    [
        ('name = "a"\ntop_sped = "1 m/s"', 'top_sped: unknown key; did you mean "top_speed"?'),
        ('name = "a"\n[[posts]]\ndistanc = "1 m"', 'posts#1.distanc: unknown key; did you mean "distance"?'),
        ('name = "a"\n[spare.x]\ndistance = "1 m"\nbit = 3', 'spare.x.bit: unknown key; did you mean "bits"?'),
        ('name = "a"\nzzz = 1', "zzz: unknown key; known here: name, top_speed"),
        ("", "name: is missing; add it"),
        ('name = "a"\n[[posts]]\n', 'posts#1.distance: is missing; write e.g. distance = "35 mm"'),
        ('name = "a"\ntop_speed = 3', "top_speed: 3 has no unit; a speed is wanted"),
        ('name = "a"\ntop_speed = "3 mm"', "top_speed: '3 mm' is a length, a speed is wanted"),
        ('name = "a"\ntop_speed = "-3 m/s"', "top_speed: '-3 m/s' is negative; write 0 or more"),
        ('name = "a"\n[[posts]]\ndistance = "1 m"\n[[posts]]\ndistance = "0 mm"', "posts#2.distance: '0 mm' is zero"),
        ('name = "a"\n[[posts]]\ndistance = "-1 mm"', "posts#1.distance: '-1 mm' is negative; write more than 0"),
        ('name = "a"\n[[posts]]\ndistance = nan', "posts#1.distance: nan has no unit"),
        ('name = "a"\ngrid = "phse"', "grid: 'phse' is not one of 'edge', 'start' or 'phase'; did you mean \"phase\"?"),
        ("name = 3", "name: 3 is not accepted; wanted: text in quotes"),
        ('name = "a"\nchecked = "yes"', "checked: 'yes' is not accepted; wanted: true or false"),
        (
            'name = "a"\n[[posts]]\ndistance = "1 m"\nbits = true',
            "posts#1.bits: True is not accepted; wanted: a whole number",
        ),
        ('name = "a"\n[[posts]]\ndistance = "1 m"\nbits = "3"', "posts#1.bits: '3' is not accepted"),
        ('name = "a"\nposts = 3', "posts: 3 is not accepted; wanted: a list"),
        ('name = "a"\n[posts]\ndistance = "1 m"', "posts: is one table, and there may be several; write [[posts]]"),
        ('name = "a"\nspare = 3', "spare: 3 is not accepted; wanted: a section"),
        ('name = "a"\n[[spare.x]]', "spare.x: [{}] is not accepted; wanted: a section"),
        ('name = "a"\nsize = 9', "size: 9 is not accepted; wanted: less than or equal to 5"),
        ('name = "bad"', "name: is {bad}; choose another"),
        ('name = "a', "TOML syntax: Unterminated string (at line 1, column 10)"),
        ('name = "a"\nx = = 2', "TOML syntax: Invalid value (at line 2, column 5)"),
        ('name = "a"\nx = [1,', "TOML syntax: "),
        ("x = " + "[" * 5000, "TOML syntax: nested too deeply"),
    ],
)
def test_what_is_wrong_is_said_in_one_line(tmp_path: Path, text: str, first: str) -> None:
    assert lines(tmp_path, text)[0].startswith(first)


def test_a_syntax_error_at_the_end_still_has_a_line_and_a_column(tmp_path: Path) -> None:
    (line,) = lines(tmp_path, 'name = "a"\nx = [1,')
    assert "line 2, column 8" in line


def test_several_problems_are_counted_and_all_can_be_had(tmp_path: Path) -> None:
    with pytest.raises(SettingsError) as caught:
        load(tmp_path, 'top_sped = 1\n[[posts]]\ndistance = "5 ms"')
    assert str(caught.value).endswith("(and 2 more)")
    assert len(caught.value.all_lines()) == 3
    assert "top_sped" in str(caught.value)


def test_a_missing_file_names_one_that_is_near(tmp_path: Path) -> None:
    (tmp_path / "demo-line.toml").touch()
    with pytest.raises(SettingsError, match=r"no such file; did you mean .*demo-line\.toml"):
        load_toml(tmp_path / "demo-lin.toml", Belt)
    with pytest.raises(SettingsError, match="no such file; check the path"):
        load_toml(tmp_path / "none" / "x.toml", Belt)


@pytest.mark.parametrize(
    ("name", "says"), [(".", "is a directory"), ("/dev/null", "is not a plain file"), ("a\0b", "cannot be read")]
)
def test_what_is_no_file_is_refused(tmp_path: Path, name: str, says: str) -> None:
    with pytest.raises(SettingsError, match=says):
        load_toml(tmp_path / name, Belt)


@pytest.mark.skipif(os.geteuid() == 0, reason="the superuser may read everything")
def test_an_unreadable_file_is_refused(tmp_path: Path) -> None:
    file = tmp_path / "belt.toml"
    file.touch(mode=0o000)
    with pytest.raises(SettingsError, match="cannot be read"):
        load_toml(file, Belt)


def test_text_that_is_not_utf8_is_refused_with_its_line(tmp_path: Path) -> None:
    file = tmp_path / "belt.toml"
    file.write_bytes(b'# one\nname = "caf\xe9"\n')
    with pytest.raises(SettingsError, match=r"is not UTF-8 text \(line 2\)"):
        load_toml(file, Belt)


def test_settings_cannot_be_changed_afterwards(tmp_path: Path) -> None:
    belt = load(tmp_path, 'name = "a"')
    with pytest.raises(ValueError, match="frozen"):
        belt.name = "b"
