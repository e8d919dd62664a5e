"""Serial lines in a line's file, and how long an exchange over one takes."""

from __future__ import annotations

from pathlib import Path

import pytest

from controller.serial_line import Parity, SerialLine, is_pseudo, is_serial, least_exchange_s, place_text
from controller.settings.base import SettingsError
from controller.settings.line import load_line
from tests.wire.test_modbus_link import points_of

CONFIG = Path(__file__).parents[2] / "config"
LINE = (CONFIG / "serial-line.toml").read_text()


def refused(tmp_path: Path, old: str, new: str) -> str:
    assert old in LINE
    file = tmp_path / "line.toml"
    file.write_text(LINE.replace('"jobs/', f'"{CONFIG}/jobs/').replace(old, new))
    with pytest.raises(SettingsError) as caught:
        load_line(file)
    text = str(caught.value)
    assert "\n" not in text
    return text.removeprefix(f"{file}: ")


def test_the_serial_line_of_the_examples() -> None:
    config = load_line(CONFIG / "serial-line.toml")
    assert config.address == ("/dev/ttyUSB0", 0)
    assert config.settings.link.serial_line() == SerialLine(115_200, Parity.EVEN, 1)
    assert not config.is_test_address(*config.address)
    assert config.is_test_address("/dev/pts/3", 0)


def test_an_exchange_takes_what_its_characters_take() -> None:
    """Function 23: 10 + 26 bytes asked, 2 + 160 answered, 3 more round each, two silences."""
    line = SerialLine(19_200)
    characters = (36 + 3) + (162 + 3)
    expected_s = characters * 11 / 19_200 + 2 * 3.5 * 11 / 19_200
    assert least_exchange_s(line, points_of(""), True) == pytest.approx(expected_s)
    # With functions 16 and 3: 6 + 26 and 5, 5 and 2 + 160.
    two = (32 + 3) + (5 + 3) + (5 + 3) + (162 + 3)
    assert least_exchange_s(line, points_of(""), False) == pytest.approx(two * 11 / 19_200 + 4 * 3.5 * 11 / 19_200)


def test_without_parity_two_stop_bits_are_usual(tmp_path: Path) -> None:
    file = tmp_path / "line.toml"
    file.write_text(LINE.replace('"jobs/', f'"{CONFIG}/jobs/').replace('parity = "even"', 'parity = "none"'))
    assert load_line(file).settings.link.serial_line() == SerialLine(115_200, Parity.NONE, 2)


def test_a_place_is_written_as_people_write_it() -> None:
    assert place_text("/dev/ttyS1", 0) == "/dev/ttyS1"
    assert place_text("192.0.2.10", 502) == "192.0.2.10:502"
    assert (is_serial("/dev/ttyS1"), is_serial("plc.example")) == (True, False)
    assert (is_pseudo("/dev/pts/0"), is_pseudo("/dev/ttyUSB0")) == (True, False)


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('port = "/dev/ttyUSB0"', "", "link.port is missing"),
        ('port = "/dev/ttyUSB0"', 'address = "192.0.2.10"\nport = "/dev/ttyUSB0"', "link.address does not belong"),
        ('port = "/dev/ttyUSB0"', 'port = "COM3"', "is no serial port"),
        ('protocol = "modbus-rtu"', 'protocol = "modbus-rtu-tcp"', "link.address is missing"),
        ('protocol = "modbus-rtu"', 'address = "192.0.2.10"', 'link.port belongs to protocol = "modbus-rtu"'),
        ("unit_id = 17", "unit_id = 0", "link.unit_id 0 is no address on a serial line"),
        ("unit_id = 17", "unit_id = 248", "248"),
        ("baud = 115200", "baud = 19200", "need for one exchange"),
        ('worst_exchange = "35 ms"', 'worst_exchange = "5 ms"', "5 ms is shorter than the 22.98 ms that 115200 baud"),
        ('parity = "even"', 'parity = "mark"', "link.parity"),
    ],
)
def test_what_does_not_go_together_is_refused_in_one_line(tmp_path: Path, old: str, new: str, said: str) -> None:
    assert said in refused(tmp_path, old, new).replace(": ", " ")
