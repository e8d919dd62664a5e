"""The line file: its sections, what must agree between them and with the job, and the line made of both."""

from __future__ import annotations

import ipaddress
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Self

from pydantic import Field, model_validator

from controller.check import problems
from controller.faults import check_raised
from controller.forcing import AUXILIARY
from controller.node_points import NodeMap
from controller.plain_points import PlainMap
from controller.points import PointMap
from controller.serial_line import (
    is_pseudo,
    is_serial,
    least_exchange_s,
    least_plain_exchange_s,
    place_text,
    same_port,
)
from controller.settings.base import SettingsError, Strict, load_toml, problem
from controller.settings.job import JobSettings, plan_of, plan_problems
from controller.settings.opcua import OPCUA_PORT, OpcuaSection, opcua_problem
from controller.settings.opcua_access import Access, load_access
from controller.settings.places import plain_points_of, points_of
from controller.settings.plain import PlainSection
from controller.settings.plant import PlantSection
from controller.settings.points import PointsConfig
from controller.settings.proof import Proof, digest, load_proof, proof_path
from controller.settings.sections import (
    DetectorSection,
    DisplaySection,
    EncoderSection,
    JournalSection,
    LimitsSection,
    LineSection,
    LinkSection,
    StationSection,
    split_address,
)
from controller.settings.state import state_folder
from controller.settings.uncertainty import UncertaintySection
from controller.spec import Counter, Detector, Limits, LineSpec, Material, Plain, ReleasePath, Station
from controller.units import Display

MODBUS_PORT = 502


class LineSettings(Strict):
    """A line file as it is written."""

    line: LineSection
    display: DisplaySection = DisplaySection()
    link: LinkSection
    points: PointsConfig = PointsConfig()
    opcua: OpcuaSection | None = None
    plain: PlainSection | None = None
    encoder: EncoderSection
    detector: DetectorSection = DetectorSection()
    stations: list[StationSection] = Field(min_length=1, max_length=16, description="in the order of the registers")
    interlocks: dict[str, Annotated[int, Field(ge=0, le=15)]] = Field(
        default_factory=dict, description="name of each interlock = its bit in the interlocks register"
    )
    limits: LimitsSection = LimitsSection()
    uncertainty: UncertaintySection = UncertaintySection()
    reactions: dict[str, str] = Field(default_factory=dict, description="fault = a stronger reaction than usual")
    journal: JournalSection = JournalSection()
    plant: PlantSection | None = None

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        names = [s.name for s in self.stations]
        for number, name in enumerate(names, start=1):
            if name in names[: number - 1]:
                raise problem(f"stations#{number}.name", f'"{name}" is the name of two stations; rename one')
        if (found := opcua_problem(self.link, self.opcua, self.model_fields_set)) is not None:
            raise found
        if self.plain is not None:
            for name in ("points", "interlocks"):
                if name in self.model_fields_set:
                    raise problem(name, "is for a field block, and this line has [plain]; move its points there")
        for number, station in enumerate(self.stations, start=1):
            if station.release is not None and (station.release == "scan") != (self.plain is not None):
                text = "a plain device releases by scan, and nothing else does; remove release, or change [plain]"
                raise problem(f"stations#{number}.release", text)
        bits = list(self.interlocks.values())
        for position, (name, bit) in enumerate(self.interlocks.items()):
            if bit in bits[:position]:
                raise problem(f"interlocks.{name}", f"bit {bit} is another interlock's too; give each its own")
        for name, reaction in self.reactions.items():
            try:
                check_raised(name, reaction)
            except ValueError as error:
                raise problem(f"reactions.{name}", f"{error}; raise it or remove it") from None
        return self


@dataclass(frozen=True, slots=True)
class LineConfig:
    """A line and its job, checked. `path` and `job_path` are the files they came from."""

    path: Path
    job_path: Path
    settings: LineSettings
    job: JobSettings
    points: PointMap
    """Where the I/O side keeps the field block; for a plain device what of it is played on our side, and where all
    values are OPC UA nodes which of them there are."""
    nodes: NodeMap | None = None
    """The values that are OPC UA nodes: all, or some beside a Modbus link."""
    access: Access | None = None
    """What it takes to get at them."""
    plain: PlainMap | None = None
    """Where a plain device keeps its inputs and outputs; None: the I/O side is a field block."""
    proof: Proof | None = None
    """The cable-pull test that is kept for a plain device, whatever it says."""

    @property
    def name(self) -> str:
        """The line's short name."""
        return self.settings.line.name

    @property
    def display(self) -> Display:
        """The units that this line's people read."""
        return Display(self.settings.display.length, self.settings.display.speed)

    @property
    def address(self) -> tuple[str, int]:
        """Host and port of the I/O side; of a serial line its port's path, and 0."""
        link, opcua = self.settings.link, self.settings.opcua
        if link.protocol == "opcua" and opcua is not None:
            return opcua.address
        if link.port is not None:
            return link.port, 0
        if link.address is None:
            raise ValueError("a link has an address or a serial port")
        host, port = split_address(link.address)
        return host, MODBUS_PORT if port is None else port

    @property
    def default_port(self) -> int:
        """The port of an address that names none."""
        return OPCUA_PORT if self.settings.link.protocol == "opcua" else MODBUS_PORT

    @property
    def inputs_address(self) -> tuple[str, int] | None:
        """Host and port of the OPC UA server beside a Modbus link; None where there is none beside it."""
        opcua = self.settings.opcua
        return None if opcua is None or self.settings.link.protocol == "opcua" else opcua.address

    @property
    def least_exchange_s(self) -> float | None:
        """The least that an exchange takes on this line's serial line, in s; None over Ethernet."""
        link = self.settings.link
        if link.protocol != "modbus-rtu":
            return None
        if self.plain is not None:
            return least_plain_exchange_s(link.serial_line(), self.plain)
        return least_exchange_s(link.serial_line(), self.points, link.function_23)

    @property
    def scenario_path(self) -> Path | None:
        """The bench scenario that the line names, or None."""
        scenario = self.settings.line.scenario
        return None if scenario is None else self.path.parent / scenario

    @property
    def journal_path(self) -> Path:
        """The journal's file: as the line says, relative to its file, or in the user's state directory.

        Raises SettingsError where the user has no home directory and the line does not say.
        """
        return journal_path(self.path, self.settings)

    def is_test_bench(self, host: str, port: int) -> bool:
        """Whether the I/O side at that address, and the OPC UA server beside it if there is one, are a test bench."""
        inputs = self.inputs_address
        return self.is_test_address(host, port) and (inputs is None or self.is_test_address(*inputs))

    def is_test_address(self, host: str, port: int) -> bool:
        """Whether an address is a test bench: this computer itself, or listed as one in the line file.

        A pseudo terminal leads to a program of this computer.
        """
        listed_places = self.settings.link.test_addresses
        if is_serial(host):
            ports = [same_port(text) for text in listed_places if is_serial(text)]
            return is_pseudo(host) or same_port(host) in ports
        if _is_loopback(host):
            return True
        listed = (split_address(text) for text in listed_places if not is_serial(text))
        return any(_plain_host(host) == _plain_host(other) and at in (None, port) for other, at in listed)

    def spec(self, dry: bool = False, at: tuple[str, int] | None = None) -> LineSpec:
        """Make the line as the decision core takes it; `dry` keeps the enable output off.

        `at` is the I/O side's address where it is not the line's own.
        """
        line, link, limits = self.settings.line, self.settings.link, self.settings.limits
        detector, encoder = self.settings.detector, self.settings.encoder
        web, plain = self.job.material is Material.WEB, self.settings.plain
        return LineSpec(
            name=line.name,
            scale_mm=encoder.scale_mm(),
            stations=tuple(self._station(s) for s in self.settings.stations),
            counter=Counter(
                self.points.modulus, 1 if encoder.forward == "counts up" else -1, encoder.greatest_counts_s()
            ),
            detector=Detector(
                captured=detector.kind == "captured",
                response_s=detector.response,
                least_length_mm=detector.least_length,
                least_gap_mm=detector.least_gap,
                hold_off_mm=detector.hold_off,
                jam_length_mm=None if web else detector.jam_length,
                silent_after_s=None if web else detector.silent_after,
            ),
            limits=Limits(
                lease_s=link.lease,
                link_lost_s=link.lost_after,
                enable_s=limits.enable,
                stop_s=limits.stop,
                order_s=limits.order,
                stall_s=limits.stall,
                least_lead_s=limits.least_lead,
                misses_in_a_row=limits.misses_in_a_row,
            ),
            material=self.job.material,
            grid=self.job.grid,
            top_speed_mm_s=line.top_speed,
            max_accel_mm_s2=line.greatest_acceleration,
            period_s=line.scan_period,
            exchange_s=link.worst_exchange,
            has_drive=self.points.has("bits.drive_running") if plain is None else plain.drive is not None,
            # A marker that cannot say which job it has loaded cannot be held to one.
            job_number=self.job.number if self.points.has("job_loaded") else 0,
            job_name=self.job.name,
            interlocks=self._interlocks,
            auxiliary=self._auxiliary,
            plain=self._plain(self.address if at is None else at),
            auto_unsuspend=line.unsuspend_by_itself,
            dry=dry,
            remote=line.remote,
            raised_reactions=dict(self.settings.reactions),
        )

    @property
    def _auxiliary(self) -> tuple[str, ...]:
        if self.plain is not None:
            return tuple(name for name in AUXILIARY if name in self.plain.outputs)
        return tuple(name for name in AUXILIARY if f"control.{name}" in self.points.command)

    @property
    def _interlocks(self) -> dict[int, str]:
        if self.settings.plain is not None:
            return dict(enumerate(self.settings.plain.interlocks))
        return {bit: name for name, bit in self.settings.interlocks.items()}

    def _plain(self, at: tuple[str, int]) -> Plain | None:
        section = self.settings.plain
        if section is None or self.plain is None:
            return None
        return section.spec(self.plain, [s.name for s in self.settings.stations], self.dry_only(*at))

    def dry_only(self, host: str, port: int) -> str:
        """Why this line may be run dry only with the I/O side at that address, and what to do; empty: it may mark."""
        section = self.settings.plain
        if section is None:
            return ""
        if section.watchdog is None and not section.one_shot:
            return (
                "[plain] names neither watchdog nor one_shot, so nothing drops the outputs when the link fails: "
                "fit a device that has one and name it, or run with --dry"
            )
        if section.enable is not None and section.watchdog is None:
            return (
                "the enable output has no watchdog, and a one_shot does not drop it: "
                "name plain.watchdog, leave plain.enable out, or run with --dry"
            )
        again = f"run beltcue cable-pull {self.path}, or run with --dry"
        if self.proof is None:
            return f"no cable-pull test is kept for this line: {again}"
        if self.proof.digest != digest(self.settings.link, section):
            return f"[link] or [plain] was changed after the cable-pull test of {self.proof.date}: {again}"
        own = not self.proof.simulated and (host, port) == self.address
        if not (own or self.is_test_address(host, port)):
            where = "a test bench" if self.proof.simulated else "the line's own address"
            place = place_text(host, port)
            return f"the cable-pull test of {self.proof.date} was made at {where}, not at {place}: {again}"
        return ""

    def _station(self, station: StationSection) -> Station:
        plan = plan_of(station.name, self.job.plans)
        return Station(
            name=station.name,
            distance_mm=station.distance,
            plan=plan.plan(),
            response_s=station.response,
            mark_time_s=station.mark_time,
            rearm_s=station.rearm,
            max_speed_mm_s=station.max_speed,
            release=ReleasePath(station.release or ("compare" if self.plain is None else "scan")),
            window_mm=station.window,
            mark_window_mm=station.mark_window,
        )


def journal_path(file: Path, settings: LineSettings) -> Path:
    """Give the journal's file: as the line says, relative to its own, or in the user's state directory.

    Raises SettingsError where the user has no home directory and the line does not say.
    """
    given = settings.journal.path
    try:
        if given is not None:
            return file.parent / Path(given).expanduser()
        return state_folder() / f"{settings.line.name}.sqlite"
    except RuntimeError:
        text = 'no home directory to keep it in; write e.g. path = "/var/lib/beltcue/line.sqlite"'
        raise SettingsError(file, [("journal.path", text)]) from None


def load_line(path: Path | str, *, must_work: bool = True) -> LineConfig:
    """Load a line file and the job it names, and check both together.

    With `must_work` a line that violates its link's needs is refused; a bench that tries such a line says False.
    Raises SettingsError.
    """
    file = Path(path)
    settings = load_toml(file, LineSettings)
    job_file = file.parent / settings.line.job
    return join(file, settings, job_file, load_toml(job_file, JobSettings), must_work=must_work)


def join(file: Path, settings: LineSettings, job_file: Path, job: JobSettings, *, must_work: bool = True) -> LineConfig:
    """Check a line and a job together, as read from those files or as they are to be. Raises SettingsError."""
    found = list(plan_problems([s.name for s in settings.stations], job.plans))
    if found:
        raise SettingsError(job_file, found)
    proof = None if settings.plain is None else load_proof(proof_path(file))
    points, nodes = points_of(file, settings)
    access = None if settings.opcua is None else load_access(settings.opcua, file)
    config = LineConfig(file, job_file, settings, job, points, nodes, access, plain_points_of(file, settings), proof)
    least_s = config.least_exchange_s
    if least_s is not None:
        link, units = settings.link, config.display
        serial = link.serial_line()
        if link.worst_exchange < least_s:
            text = (
                f"{units.time(link.worst_exchange)} is shorter than the {units.time(least_s)} that {serial.baud} baud "
                "need for one exchange; make it longer, or the line faster"
            )
            raise SettingsError(file, [("link.worst_exchange", text)])
    if must_work and (refused := line_problems(config)):
        raise SettingsError(file, [("", text) for text in refused])
    return config


def line_problems(config: LineConfig) -> list[str]:
    """Why the line cannot work as set, each "key: what; how to mend"; empty when it can. Raises SettingsError."""
    spec = config.spec()
    found = problems(spec, config.display)
    if config.settings.link.protocol == "opcua" and any(s.release is ReleasePath.TIMED for s in spec.stations):
        # Draws histories of the link, which takes a library that no other line has to load for this.
        from controller.link_known import timed_problems

        found += timed_problems(config, spec)
    return found


def _is_loopback(host: str) -> bool:
    try:
        address = ipaddress.ip_address(host)
    except ValueError:
        return host.lower() == "localhost"
    mapped = address.ipv4_mapped if isinstance(address, ipaddress.IPv6Address) else None
    return (mapped or address).is_loopback


def _plain_host(host: str) -> str:
    try:
        return str(ipaddress.ip_address(host))
    except ValueError:
        return host.lower().rstrip(".")
