"""A line file with OPC UA nodes: which values stand where, and what is refused, each in one line."""

from __future__ import annotations

import datetime
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import rsa
from cryptography.x509.oid import NameOID

from controller.cli.main import main
from controller.settings.base import SettingsError
from controller.settings.line import LineConfig, load_line
from controller.settings.measured import Measured, Times, keep_measured, link_digest, measured_path

LINE = """
[line]
name = "test"
job = "job.toml"
top_speed = "30 m/min"
greatest_acceleration = "1 m/s^2"

[link]
protocol = "opcua"

[opcua]
endpoint = "opc.tcp://192.0.2.10/line"
prefix = "ns=2;s=F."

[encoder]
mm_per_count = "0.05 mm"

[[stations]]
name = "front"
distance = "400 mm"
"""
MIXED = LINE.replace('protocol = "opcua"', 'address = "192.0.2.20"').replace(
    'prefix = "ns=2;s=F."', '[opcua.nodes]\ninterlocks = "ns=2;i=5"\nbits.marker_ready = "0:Objects/2:Marker/2:Ready"'
)
JOB = 'name = "job"\nnumber = 3\n[[plans]]\noffset = "10 mm"\n'


def write(folder: Path, *changes: tuple[str, str], line: str = LINE) -> Path:
    (folder / "job.toml").write_text(JOB)
    for old, new in changes:
        assert line.count(old) == 1, old
        line = line.replace(old, new)
    path = folder / "line.toml"
    path.write_text(line)
    return path


def load(folder: Path, *changes: tuple[str, str], line: str = LINE) -> LineConfig:
    return load_line(write(folder, *changes, line=line))


def refused(folder: Path, *changes: tuple[str, str], line: str = LINE) -> str:
    with pytest.raises(SettingsError) as caught:
        load(folder, *changes, line=line)
    text = str(caught.value)
    assert "\n" not in text
    return text


def places(config: LineConfig) -> dict[str, str]:
    assert config.nodes is not None
    return {node.name: str(node.place) for node in config.nodes.nodes}


def test_every_value_is_prefix_and_name_but_for_those_that_are_named(tmp_path: Path) -> None:
    more = '[opcua.nodes]\nbelt_count = "ns=4;i=77"\ncaptures.edge = "0:Objects/2:Edges"\ncommand.heartbeat = "i=9"\n[encoder]'
    config = load(tmp_path, ("[encoder]", more))
    at = places(config)
    assert config.address == ("192.0.2.10", 4840)
    assert (at["belt_count"], at["captures.edge"], at["command.heartbeat"]) == ("ns=4;i=77", "0:Objects/2:Edges", "i=9")
    assert (at["boot_id"], at["captures.count"]) == ("ns=2;s=F.boot_id", "ns=2;s=F.captures.count")
    assert (at["status_bits"], at["command.control_bits"]) == ("ns=2;s=F.status_bits", "ns=2;s=F.command.control_bits")
    assert not any(name.startswith(("bits.", "control.", "station.")) for name in at)


def test_bits_may_each_be_a_node_of_their_own(tmp_path: Path) -> None:
    at = places(load(tmp_path, ('prefix = "ns=2;s=F."', 'prefix = "0:Objects/2:F/2:"\nbits = "single"')))
    assert at["bits.marker_ready"] == "0:Objects/2:F/2:bits.marker_ready"
    assert at["control.enable"] == "0:Objects/2:F/2:control.enable"
    assert not {"status_bits", "command.control_bits"} & set(at)


def test_a_word_of_which_every_bit_is_named_is_not_asked_for(tmp_path: Path) -> None:
    control = "\n".join(f'{bit} = "ns=2;s=C.{bit}"' for bit in ("enable", "flush", "forward_counts_down", "line_stop"))
    at = places(load(tmp_path, ("[encoder]", f"[opcua.nodes.control]\n{control}\n[encoder]"),
                     ('prefix = "ns=2;s=F."', 'prefix = "ns=2;s=F."\ndrop = ["running"]')))  # fmt: skip
    assert "command.control_bits" not in at
    assert "control.running" not in at
    assert at["control.enable"] == "ns=2;s=C.enable"


def test_what_the_device_lacks_is_not_asked_for(tmp_path: Path) -> None:
    drop = (
        'prefix = "ns=2;s=F."',
        'prefix = "ns=2;s=F."\ndrop = ["sample_us", "job_loaded", "marker_fault", "running"]',
    )
    config = load(tmp_path, drop)
    assert not {"sample_us", "job_loaded"} & set(places(config))
    assert not config.points.has("sample_us")
    assert config.spec().job_number == 0
    assert config.nodes is not None
    assert (config.nodes.no_status_bits, config.nodes.no_control_bits) == (1 << 4, 1 << 4)


def test_further_stations_and_a_narrow_counter(tmp_path: Path) -> None:
    more = '[[stations]]\nname = "rear"\ndistance = "700 mm"\n'
    path = write(tmp_path, ('"0.05 mm"', '"0.05 mm"\ncounter_bits = 16'), line=LINE + more)
    (tmp_path / "job.toml").write_text('name = "job"\n[[plans]]\nstation = "front"\n[[plans]]\nstation = "rear"\n')
    config = load_line(path)
    assert places(config)["station.1.armed"] == "ns=2;s=F.station.1.armed"
    assert config.spec().counter.modulus == 1 << 16


def test_inputs_beside_a_modbus_link_do_not_stand_in_its_registers(tmp_path: Path) -> None:
    config = load(tmp_path, line=MIXED)
    assert places(config) == {"interlocks": "ns=2;i=5", "bits.marker_ready": "0:Objects/2:Marker/2:Ready"}
    assert (config.address, config.inputs_address) == (("192.0.2.20", 502), ("192.0.2.10", 4840))
    assert not {"interlocks", "bits.marker_ready"} & set(config.points.status)
    assert config.points.has("interlocks")
    assert config.points.has("bits.marker_ready")


GUARDS = ("[encoder]", "[interlocks]\nguard = 0\ncover = 3\n[encoder]")
ALL_APART = ('interlocks = "ns=2;i=5"', 'interlock = { guard = "ns=2;i=5", cover = "ns=2;i=6" }')


def test_single_interlocks_are_named_as_the_line_names_them(tmp_path: Path) -> None:
    some = load(tmp_path, GUARDS, ('interlocks = "ns=2;i=5"', 'interlock.guard = "ns=2;i=5"'), line=MIXED)
    assert places(some)["interlocks.guard"] == "ns=2;i=5"
    assert some.nodes is not None
    assert some.nodes.interlocks == {"interlocks.guard": 1}
    assert "interlocks" in some.points.status
    every = load(tmp_path, GUARDS, ALL_APART, line=MIXED)
    assert "interlocks" not in every.points.status
    assert every.points.has("interlocks")


def test_a_word_of_interlocks_of_which_each_is_named_is_not_asked_for(tmp_path: Path) -> None:
    guard, cover = 'interlock.guard = "ns=2;i=5"\n', 'interlock.cover = "ns=2;i=6"\n'
    some = places(load(tmp_path, ("[encoder]", f"[opcua.nodes]\n{guard}{GUARDS[1]}")))
    assert {"interlocks", "interlocks.guard"} <= set(some)
    every = places(load(tmp_path, ("[encoder]", f"[opcua.nodes]\n{guard}{cover}{GUARDS[1]}")))
    assert "interlocks" not in every
    assert every["interlocks.cover"] == "ns=2;i=6"


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ([("[opcua]", "[opc]")], "opc: unknown key"),
        ([("[encoder]", f'[opcua.nodes]\ninterlock.gard = "i=7"\n{GUARDS[1]}')],
         'opcua.nodes.interlock.gard: the line has no interlock "gard"; did you mean "guard"?'),
        ([("[encoder]", '[opcua.nodes]\ninterlock.guard = "i=7"\n[encoder]')], "name it in [interlocks]"),
        ([("[encoder]", '[opcua.nodes]\ninterlock.guard = "7"\n[encoder]')], "opcua.nodes.interlock.guard: '7' is neither"),
        ([('prefix = "ns=2;s=F."', 'prefx = "ns=2;s=F."')], 'did you mean "prefix"?'),
        ([("[encoder]", '[opcua.nodes]\nbelt_cont = "i=7"\n[encoder]')], 'did you mean "belt_count"?'),
        ([("[encoder]", '[opcua.nodes.command]\nheart = "i=7"\n[encoder]')], 'did you mean "heartbeat"?'),
        ([("opc.tcp://192.0.2.10/line", "http://192.0.2.10")], "is no endpoint; write e.g."),
        ([("opc.tcp://192.0.2.10/line", "opc.tcp://anna:pw@192.0.2.10")], "is no endpoint"),
        ([("opc.tcp://192.0.2.10/line", "opc.tcp://192.0.2.10:70000")], "port outside 1 to 65535"),
        ([('"ns=2;s=F."', '"F."')], "is no beginning of a node id or browse path"),
        ([('prefix = "ns=2;s=F."', "")], "opcua.nodes.heartbeat_echo: has no node; name it, or give opcua.prefix"),
        ([('prefix = "ns=2;s=F."', 'prefix = "ns=2;s=F."\ndrop = ["belt_count"]')], '"belt_count" cannot be dropped: everything is'),
        ([('prefix = "ns=2;s=F."', 'prefix = "ns=2;s=F."\ndrop = ["belt"]')], 'opcua: drop: "belt" is not a value'),
        ([('protocol = "opcua"', 'protocol = "opcua"\naddress = "192.0.2.1"')], "link.address: belongs to Modbus; remove it"),
        ([('protocol = "opcua"', 'protocol = "opcua"\nfunction_23 = true')], "link.function_23: belongs to Modbus"),
        ([('protocol = "opcua"', 'protocol = "opcua"\nport = "/dev/ttyS0"')], 'belongs to protocol = "modbus-rtu"'),
        ([("[encoder]", "[points]\nread_gap = 3\n[encoder]")], "points: is for Modbus"),
        ([("[encoder]", '[opcua.nodes.station.1]\narmed = "i=7"\n[encoder]')], "station.1.armed: is one of 0 further stations"),
        ([('prefix = "ns=2;s=F."', 'prefix = "ns=2;s=F."\ndrop = ["job_loaded"]'), ("[encoder]", '[opcua.nodes]\njob_loaded = "i=7"\n[encoder]')],
         "opcua.nodes.job_loaded: is dropped, and named"),
        ([('prefix = "ns=2;s=F."', 'prefix = "ns=2;s=F."\nbits = "single"\nnodes.status_bits = "i=7"')], 'opcua.bits: is "single"'),
        ([('prefix = "ns=2;s=F."', 'prefix = "ns=2;s=F."\nsecurity = "Basic256Sha256"')], "opcua.certificate: is missing"),
        ([('prefix = "ns=2;s=F."', 'prefix = "ns=2;s=F."\nuser = "anna"\npassword_file = "p"')], "opcua.user: is of no use without security"),
        ([("[encoder]", '[opcua.nodes]\narmed = "i=7"\ndepth = "i=7"\n[encoder]')], "armed and depth are the same node"),
    ],
)  # fmt: skip
def test_what_is_wrong_is_said_in_one_line(tmp_path: Path, changes: list[tuple[str, str]], words: str) -> None:
    assert words in refused(tmp_path, *changes)


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ([('interlocks = "ns=2;i=5"', 'belt_count = "ns=2;i=5"')], "opcua.nodes.belt_count: belongs with the counts"),
        ([('interlocks = "ns=2;i=5"', 'bits.inhibited = "ns=2;i=5"')], "opcua.nodes.bits.inhibited: belongs with"),
        ([("[opcua.nodes]", 'prefix = "ns=2;s=F."\n[opcua.nodes]')], "opcua.prefix: is for link.protocol"),
        ([('interlocks = "ns=2;i=5"\nbits.marker_ready = "0:Objects/2:Marker/2:Ready"', "")], "opcua.nodes: is missing"),
        ([("[encoder]", "[points.interlocks]\naddress = 7\n[encoder]")], "points: interlocks stands in opcua.nodes too"),
        ([GUARDS, ALL_APART, ("[[stations]]", "[points.interlocks]\naddress = 7\n[[stations]]")], "points: interlocks stands in"),
        ([("[encoder]", "[points.bits.marker_ready]\naddress = 7\n[encoder]")], "points: bits.marker_ready stands in"),
        ([("[opcua.nodes]", '[plain]\nstations = {}\n[opcua.nodes]')], "plain"),
    ],
)  # fmt: skip
def test_what_does_not_go_beside_modbus_is_said_in_one_line(
    tmp_path: Path, changes: list[tuple[str, str]], words: str
) -> None:
    assert words in refused(tmp_path, *changes, line=MIXED)


def test_opcua_without_its_section_says_what_to_add(tmp_path: Path) -> None:
    text = refused(tmp_path, ('[opcua]\nendpoint = "opc.tcp://192.0.2.10/line"\nprefix = "ns=2;s=F."', ""))
    assert "opcua: is missing; add [opcua] with endpoint" in text


# Certificates and passwords.


def certificate(folder: Path, days: int = 30) -> None:
    """A key and a certificate of its own, as files ours.pem and ours-key.pem; and another key."""
    key = rsa.generate_private_key(65537, 2048)
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "beltcue")])
    begin = datetime.datetime.now(datetime.UTC) - datetime.timedelta(days=60)
    made = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(7)
        .not_valid_before(begin)
        .not_valid_after(begin + datetime.timedelta(days=60 + days))
        .add_extension(x509.SubjectAlternativeName([x509.UniformResourceIdentifier("urn:test:line")]), False)
        .sign(key, hashes.SHA256())
    )
    form = serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
    (folder / "ours.pem").write_bytes(made.public_bytes(serialization.Encoding.PEM))
    (folder / "ours-key.pem").write_bytes(key.private_bytes(*form))
    (folder / "other-key.pem").write_bytes(rsa.generate_private_key(65537, 2048).private_bytes(*form))


SECURE = (
    'prefix = "ns=2;s=F."',
    'prefix = "ns=2;s=F."\nsecurity = "Basic256Sha256"\ncertificate = "ours.pem"\nkey = "ours-key.pem"\n'
    'server_certificate = "ours.pem"\nuser = "anna"\npassword_file = "password"',
)


def password(folder: Path, text: str = "secret\n", mode: int = 0o600) -> None:
    (folder / "password").write_text(text)
    (folder / "password").chmod(mode)


def test_what_it_takes_to_get_in_is_read_from_the_files_beside_the_line(tmp_path: Path) -> None:
    certificate(tmp_path)
    password(tmp_path)
    access = load(tmp_path, SECURE).access
    assert access is not None
    assert (access.policy, access.application_uri, access.user, access.password, access.path) == (
        "Basic256Sha256", "urn:test:line", "anna", "secret", "/line",
    )  # fmt: skip
    assert access.server_certificate == access.certificate
    assert "secret" not in repr(access)


@pytest.mark.parametrize(
    ("spoil", "words"),
    [
        (lambda f: (f / "ours.pem").unlink(), "opcua.certificate: ours.pem cannot be read (No such file or directory)"),
        (lambda f: (f / "ours.pem").write_text("no"), "opcua.certificate: ours.pem is no certificate"),
        (lambda f: (f / "ours-key.pem").unlink(), "opcua.key: ours-key.pem cannot be read"),
        (lambda f: (f / "ours-key.pem").write_text("no"), "opcua.key: ours-key.pem is no private key"),
        (lambda f: (f / "other-key.pem").replace(f / "ours-key.pem"), "ours-key.pem is not the key of ours.pem"),
        (lambda f: certificate(f, days=-1), "was valid until"),
        (lambda f: (f / "password").unlink(), "opcua.password_file: password cannot be read"),
        (lambda f: password(f, mode=0o644), "password can be read by others; run chmod 600"),
        (lambda f: password(f, "\n"), "opcua.password_file: password is empty"),
    ],
)  # fmt: skip
def test_a_file_that_is_no_good_is_said_in_one_line(
    tmp_path: Path, spoil: Callable[[Path], object], words: str, capsys: pytest.CaptureFixture[str]
) -> None:
    certificate(tmp_path)
    password(tmp_path)
    spoil(tmp_path)
    path = write(tmp_path, SECURE)
    for verb in ("check", "run"):
        assert main([verb, str(path)]) == 2
        said = capsys.readouterr().err
        assert said.count("\n") == 1
        assert words in said


# What check says.


def checked(path: Path, capsys: pytest.CaptureFixture[str]) -> str:
    assert main(["check", str(path)]) == 0
    return " ".join(capsys.readouterr().out.split())


def test_check_warns_where_anyone_on_the_network_can_interfere(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert "WARNING OPC UA without security: anyone on that network" in checked(write(tmp_path), capsys)
    certificate(tmp_path)
    password(tmp_path)
    secure = checked(write(tmp_path, SECURE), capsys)
    assert "WARNING" not in secure
    assert "Basic256Sha256, signed and encrypted, user anna" in secure


def test_check_says_what_interlocks_over_another_way_cost(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    said = checked(write(tmp_path, line=MIXED), capsys)
    assert "bits.marker_ready, interlocks, read in every exchange" in said
    assert "the interlocks do not come from the device that releases" in said
    said = checked(write(tmp_path, GUARDS, ALL_APART, line=MIXED), capsys)
    assert "WARNING guard and cover: an opening shorter than a scan goes unseen" in said


# Orders in time.

TIMED = ('distance = "400 mm"', 'distance = "400 mm"\nrelease = "timed"')


def keep(path: Path, exchange_ms: list[float], digest: str | None = None) -> None:
    """A measurement of the line's link, with exchanges of such times."""
    config = load_line(path, must_work=False)
    times = Times.of(np.array(exchange_ms) * 1e-3)
    still = Times(n=9, ms=[0.0, 0.01])
    keep_measured(
        measured_path(path),
        Measured(
            line="test", date="2031-02-03T04:05:06+00:00", host="h", address="a:1", bench=False, seconds=5.0,
            digest=link_digest(config.settings) if digest is None else digest, period_ms=5.0, exchanges=9, failed=0,
            largest_gap_ms=8.0, exchange=times, age=times, late=still, send_late=still, gap=times, out=None,
            release=None, back=None, io_step_ms=None, io_step_below_ms=None, clock_drift_ppm=None,
            clock_drift_off_ppm=None, clock_tie_ms=None,
        ),
    )  # fmt: skip


def test_orders_in_time_need_a_link_that_was_measured(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert "orders in time over OPC UA need a link that was measured, and this one was not" in refused(tmp_path, TIMED)
    path = write(tmp_path, TIMED)
    for verb in ("check", "run"):
        assert main([verb, str(path)]) == 2
        said = capsys.readouterr().err
        assert said.count("\n") == 1
        assert f"run beltcue measure {path}" in said
    keep(path, [1.0, 1.1, 1.2], digest="of other settings")
    assert "its settings were changed after the measurement of 2031-02-03" in refused(tmp_path, TIMED)


def test_orders_in_time_are_allowed_over_a_link_that_was_measured_to_serve_them(tmp_path: Path) -> None:
    path = write(tmp_path, TIMED)
    keep(path, [1.0, 1.1, 1.2])
    assert load_line(path).name == "test"


def test_orders_in_time_are_refused_over_a_link_that_was_measured_not_to(tmp_path: Path) -> None:
    path = write(tmp_path, TIMED)
    keep(path, [1.0, 20.0, 39.0])
    assert "outside the window of 2 mm" in refused(tmp_path, TIMED)


def test_captured_edges_and_compare_need_no_measurement(tmp_path: Path) -> None:
    assert load(tmp_path).nodes is not None


def test_a_line_without_opcua_does_not_load_its_library() -> None:
    import subprocess
    import sys

    line = Path(__file__).parents[2] / "config" / "demo-line.toml"
    code = (
        "import sys\nfrom controller.field.links import make_links\nfrom controller.settings.line import load_line\n"
        "import controller.cli.main, controller.app\n"
        f"config = load_line({str(line)!r})\nmake_links([(config, config.spec(), config.address)])\n"
        "sys.exit('asyncua' in sys.modules or 'cryptography' in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False, timeout=60).returncode == 0
