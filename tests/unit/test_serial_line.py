"""Serial lines in a line's file, and how long an exchange over one takes."""

from __future__ import annotations

from pathlib import Path

import pytest

from controller.check import describe
from controller.serial_line import (
    Parity,
    SerialLine,
    is_pseudo,
    is_serial,
    least_exchange_s,
    least_plain_exchange_s,
    place_text,
)
from controller.settings.base import SettingsError
from controller.settings.line import load_line
from tests.wire.test_modbus_link import points_of

CONFIG = Path(__file__).parents[2] / "config"


def changed(tmp_path: Path, *changes: tuple[str, str], line: str = "serial-line.toml") -> Path:
    text = (CONFIG / line).read_text().replace('"jobs/', f'"{CONFIG}/jobs/')
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    file = tmp_path / "line.toml"
    file.write_text(text)
    return file


def refused(file: Path) -> str:
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


def test_a_real_port_is_a_test_bench_only_where_it_is_listed_by_any_of_its_names(tmp_path: Path) -> None:
    name = tmp_path / "by-id"
    name.symlink_to("/dev/ttyS7")
    config = load_line(changed(tmp_path, ("unit_id = 17", f'unit_id = 17\ntest_addresses = ["{name}", "192.0.2.9"]')))
    assert config.is_test_address("/dev/ttyS7", 0)
    assert config.is_test_address(str(name), 0)
    assert config.is_test_address("192.0.2.9", 502)
    assert not config.is_test_address("/dev/ttyUSB0", 0)


def test_a_pseudo_terminal_by_another_name_is_one_and_has_no_parity(tmp_path: Path) -> None:
    name = tmp_path / "tty"
    name.symlink_to("/dev/pts/0")
    assert is_pseudo(str(name))
    assert SerialLine(9600, Parity.ODD).at(str(name)) == SerialLine(9600, Parity.NONE)
    assert SerialLine(9600, Parity.ODD).at("/dev/ttyS0") == SerialLine(9600, Parity.ODD)


def test_check_says_how_the_line_goes_and_what_an_exchange_takes_at_least() -> None:
    config = load_line(CONFIG / "serial-line.toml")
    said = dict(describe(config))["I/O side"]
    assert said == (
        "/dev/ttyUSB0, real I/O, unit 17, 115200 baud, even parity, 1 stop bit: an exchange takes 22.98 ms or more"
    )


def test_check_says_that_the_framing_is_serial_over_ethernet(tmp_path: Path) -> None:
    framed = ('protocol = "modbus-tcp"', 'protocol = "modbus-rtu-tcp"')
    said = dict(describe(load_line(changed(tmp_path, framed, line="demo-line.toml"))))["I/O side"]
    assert said.endswith(", a test address, serial framing over Ethernet")


def test_a_plain_device_on_a_serial_line_needs_its_reads_and_its_writes(tmp_path: Path) -> None:
    serial = 'protocol = "modbus-rtu"\nport = "/dev/ttyUSB0"\nbaud = 38400'
    file = changed(tmp_path, ('address = "127.0.0.1:15028"', serial), line="plain-line.toml")
    with pytest.raises(SettingsError, match=r"link.worst_exchange: 5 ms is shorter than the 17.6 ms that 38400 baud"):
        load_line(file)
    file.write_text(file.read_text().replace(serial, f'{serial}\nworst_exchange = "20 ms"'))
    config = load_line(file, must_work=False)
    points = config.plain
    assert points is not None
    line = SerialLine(38_400)
    turns = [(5 + 3) + (2 + (-(-r.count // 8) if r.table.of_bits else 2 * r.count) + 3) for r in points.read_plan]
    turns += [(6 + -(-w.count // 8) + 3) + (5 + 3) for w in points.steady_plan]
    expected_s = sum(turns) * 11 / 38_400 + 2 * len(turns) * 0.00175
    assert config.least_exchange_s == pytest.approx(expected_s)
    assert least_plain_exchange_s(line, points) == config.least_exchange_s


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
    file = changed(tmp_path, ('parity = "even"', 'parity = "none"'))
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
    assert said in refused(changed(tmp_path, (old, new))).replace(": ", " ")
