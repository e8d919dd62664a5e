"""Lines whose errors are hidden, and the marks they make: reckoned count by count, or simulated in virtual time.

The reckoning is the line's own arithmetic: the edge is captured within a count, its middle is taken for its place, the target
is rounded once, the mark begins when the belt enters the target and the delay has passed. `simulated` proves it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from controller.commissioning.correction import Correction
from controller.commissioning.trial_data import Marks, Setup
from controller.spec import LineSpec, Pacing
from tests.scenario.rig import WholeLine, constant, encoder, marker, products, scene, spec_of, with_station

SPEEDS_MM_S = (100.0, 250.0, 450.0)
EACH = 8
TOP_MM_S = 500.0
OFFSET_MM, DESIGN_MM, STEP_MM = 30.0, 30.0, 0.01
LINE = "demo-line.toml"
SECOND_MM = 250.0
"""How much farther off the marker stands in the second half of a trial at two distances."""


@dataclass(frozen=True)
class Hidden:
    """What is true and nobody is told; the scale's error is real ÷ configured − 1."""

    distance_mm: float
    delay_s: float
    scale: float
    sd_mm: float


@dataclass(frozen=True)
class Settings:
    """What the line's file says."""

    distance_mm: float
    response_s: float
    scale_mm: float

    @classmethod
    def of_demo(cls) -> Settings:
        spec = spec_of(LINE)
        return cls(spec.stations[0].distance_mm, 0.0, spec.scale_mm)

    def corrected(self, by: Correction) -> Settings:
        return Settings(
            self.distance_mm - by.distance_mm, self.response_s + by.delay_s, self.scale_mm * (1.0 + by.scale)
        )


@dataclass(frozen=True)
class World:
    """A line as it is: the true distance, delay and belt for one count."""

    distance_mm: float
    delay_s: float
    count_mm: float

    @classmethod
    def of(cls, told: Settings, hidden: Hidden) -> World:
        return cls(told.distance_mm - hidden.distance_mm, hidden.delay_s, told.scale_mm * (1.0 + hidden.scale))

    def mean_error_mm(self, told: Settings, speed_mm_s: float) -> float:
        """Where the mean mark lands, but for the residue of rounding to whole counts, which is within half a count."""
        travelled = (told.distance_mm + OFFSET_MM) * self.count_mm / told.scale_mm
        return travelled - self.distance_mm - OFFSET_MM + speed_mm_s * (self.delay_s - told.response_s)

    def places_mm(self, told: Settings, speed_mm_s: np.ndarray, lead_mm: np.ndarray) -> np.ndarray:
        """Where marks begin on products whose leading edges lie there, with no response configured."""
        ahead = (told.distance_mm + OFFSET_MM) / told.scale_mm
        targets = np.rint(np.floor(lead_mm / self.count_mm) + 0.5 + ahead)
        return targets * self.count_mm - lead_mm - self.distance_mm + self.delay_s * speed_mm_s


def draw(chance: np.random.Generator) -> Hidden:
    """One line of the 2,000."""
    return Hidden(
        chance.uniform(-8.0, 8.0), chance.uniform(0.0, 0.012), chance.uniform(-0.03, 0.03), chance.uniform(0.05, 0.4)
    )


def read(values: np.ndarray, sd_mm: float, chance: np.random.Generator) -> np.ndarray:
    """What somebody types who measures a scattering value in steps of a hundredth."""
    return np.round(np.asarray(values + chance.normal(0.0, sd_mm, len(values))), 2)


def trial_marks(
    told: Settings, hidden: Hidden, chance: np.random.Generator, *, lengths: bool = False, second: bool = False
) -> Marks:
    """The marks of a trial, reckoned."""
    speeds = np.repeat(SPEEDS_MM_S, EACH)
    world = World.of(told, hidden)
    moved = np.tile([0.0, SECOND_MM], len(speeds) // 2) if second else np.zeros(len(speeds))
    places = np.empty(len(speeds))
    for far in np.unique(moved):
        here = moved == far
        at, there = (
            replace(told, distance_mm=told.distance_mm + far),
            replace(world, distance_mm=world.distance_mm + far),
        )
        places[here] = there.places_mm(at, speeds[here], chance.uniform(1e3, 1e5, int(here.sum())))
    made = np.full(len(speeds), DESIGN_MM * (1.0 + hidden.scale))
    return Marks(
        speeds, read(places, hidden.sd_mm, chance), read(made, hidden.sd_mm, chance) if lengths else None,
        told.distance_mm + moved if second else None, STEP_MM, STEP_MM,
    )  # fmt: skip


def setup_of(told: Settings, pacing: Pacing | None = Pacing.SHARED_COUNT) -> Setup:
    return Setup(OFFSET_MM, told.distance_mm, told.response_s, 0.0, TOP_MM_S, 1.5, DESIGN_MM, pacing, told.scale_mm)


# The same line in virtual time.


def spec_for(told: Settings) -> LineSpec:
    """The demo line with these settings, its mark 30 mm into the carton and 30 mm long."""
    spec = spec_of(LINE)
    plan = replace(spec.stations[0].plan, offset_mm=OFFSET_MM, length_mm=DESIGN_MM)
    # A count that is less belt than the line says makes its belt look faster than it is.
    spec = replace(spec, scale_mm=told.scale_mm, top_speed_mm_s=1.2 * TOP_MM_S)
    return with_station(spec, distance_mm=told.distance_mm, response_s=told.response_s, plan=plan)


@dataclass(frozen=True)
class Landed:
    """What the simulated marks of one speed are: place on the product, leading edge, true length."""

    place_mm: np.ndarray
    lead_mm: np.ndarray
    length_mm: np.ndarray


def simulated(
    told: Settings, world: World, speed_mm_s: float, each: int, *, seed: int = 1, pacing: Pacing = Pacing.SHARED_COUNT,
    own_scale: float = 1.0, mark_time_s: float = 0.06, window_mm: float | None = None,
) -> Landed:  # fmt: skip
    """Run the line at one steady speed until so many marks were made, and say where they really are."""
    spec = spec_for(told)
    true = marker(
        distance=world.distance_mm,
        response=world.delay_s,
        pacing=pacing,
        own_scale=own_scale,
        mark_time=mark_time_s,
        mark_window=window_mm,
    )
    cartons = products(length=90.0, pitch=170.0, spread=12.0, varies="uniform")
    wheel = encoder(circumference_factor=world.count_mm / told.scale_mm)
    line = WholeLine(
        spec, scene([constant(speed_mm_s)], [cartons], seed=seed, markers=[true], encoder=wheel), note="marks"
    )
    line.bench.start()
    line.on((world.distance_mm + 200.0 + 182.0 * (each + 2)) / speed_mm_s)
    good = [m for m in line.marks if m.error_mm is not None][:each]
    assert len(good) == each, f"{len(good)} of {each} marks at {speed_mm_s} mm/s, state {line.state}"
    place = np.array([OFFSET_MM + m.error_mm for m in good if m.error_mm is not None])
    return Landed(place, np.array([m.place_mm for m in good]) - place, np.array([m.truth.length_mm for m in good]))


def simulated_marks(
    told: Settings, hidden: Hidden, chance: np.random.Generator, *, moved_mm: tuple[float, ...] = (0.0,),
    lengths: bool = True, pacing: Pacing = Pacing.SHARED_COUNT, own_scale: float = 1.0, mark_time_s: float = 0.06,
    each: int = EACH, window_mm: float | None = None,
) -> Marks:  # fmt: skip
    """The marks of a trial in virtual time; the marker stands `moved_mm` farther off for each part of it."""
    speeds, places, made, distances = [], [], [], []
    for far in moved_mm:
        at = replace(told, distance_mm=told.distance_mm + far)
        world = World.of(at, hidden)
        for speed in SPEEDS_MM_S:
            seed = int(chance.integers(1, 1 << 30))
            landed = simulated(
                at,
                world,
                speed,
                each,
                seed=seed,
                pacing=pacing,
                own_scale=own_scale,
                mark_time_s=mark_time_s,
                window_mm=window_mm,
            )
            speeds += [speed] * each
            distances += [at.distance_mm] * each
            places.append(landed.place_mm)
            made.append(landed.length_mm)
    return Marks(
        np.array(speeds), read(np.concatenate(places), hidden.sd_mm, chance),
        read(np.concatenate(made), hidden.sd_mm, chance) if lengths else None,
        np.array(distances) if len(moved_mm) > 1 else None, STEP_MM, STEP_MM,
    )  # fmt: skip
