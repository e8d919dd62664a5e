"""Travel: the raw count unwrapped and direction-corrected, and the belt's speed.

The only place that knows about wrap and sense. With forward counting up, raw count c stands for travel [c, c+1);
with forward counting down for [-c-1, -c) (field block rule 8). Travel is zero at the first sample and goes on through
a restart of the counter: a restart changes the offset, never the travel.
"""

from __future__ import annotations

from collections import deque
from enum import Enum
from math import sqrt
from typing import Final

from controller.spec import Counter

WINDOW: Final = 16
"""Samples kept for the speed; half of them give the speed, the other half tell how it changes."""
JUMP_MARGIN: Final = 1.25
"""A count that moved this much faster than the top speed did not come from the belt."""
JUMP_SLACK_COUNTS: Final = 16
US_MODULUS: Final = 1 << 32


class Step(Enum):
    """What a new sample turned out to be."""

    FIRST = "first"
    GOOD = "good"
    JUMP = "jump"
    AMBIGUOUS = "ambiguous"
    """So long since the last sample that the counter may have wrapped unseen."""


class IdleStretch:
    """What evenly spaced scans read while nothing happened: raw counts, and the I/O side's clock (None: it has none).

    `sent_ns` is when the first of these exchanges began; each took `exchange_ns`.
    """

    __slots__ = ("exchange_ns", "period_ns", "raws", "sample_us", "sent_ns")

    def __init__(
        self, raws: list[int], sample_us: list[int] | None, sent_ns: int, period_ns: int, exchange_ns: int
    ) -> None:
        self.raws, self.sample_us = raws, sample_us
        self.sent_ns, self.period_ns, self.exchange_ns = sent_ns, period_ns, exchange_ns

    def got_ns(self, scans: int) -> int:
        """When the exchange of the last of so many scans ended."""
        return self.sent_ns + (scans - 1) * self.period_ns + self.exchange_ns


class Ahead:
    """A stretch looked at in advance: travel (counts), date (ns) and speed (counts/s) as they would be after each scan.

    Dates and speeds are worked out when they are asked for: far from the next order nobody does.
    """

    __slots__ = ("_known", "dates", "stretch", "travels")

    def __init__(self, stretch: IdleStretch, travels: list[int], first_ns: int, known: list[tuple[int, int]]) -> None:
        """`first_ns` is the first sample's date, `known` the samples before."""
        self.stretch, self.travels, self._known = stretch, travels, known
        us = stretch.sample_us
        if us is None:
            self.dates = [first_ns + n * stretch.period_ns for n in range(len(travels))]
        else:
            first_us = us[0]
            self.dates = [first_ns + (each - first_us) % US_MODULUS * 1000 for each in us]

    def speed(self, scan: int) -> float:
        """The speed after one of the scans."""
        known, back = self._known, WINDOW - 1 - WINDOW // 2
        held = len(known) + scan + 1
        if held < 2:
            return 0.0
        before = scan - back if held >= WINDOW else -len(known)
        if before >= 0:
            since_ns, since = self.dates[before], self.travels[before]
        else:
            since_ns, since = known[before]
        return (self.travels[scan] - since) * 1e9 / (self.dates[scan] - since_ns)


class Travel:
    """Unwraps one counter. `top_counts_s` is the line's top speed in counts a second."""

    def __init__(self, counter: Counter, top_counts_s: float, period_s: float) -> None:
        self._counter = counter
        self._top_counts_s = top_counts_s
        self._apart_ns = int(period_s * 0.5e9)
        self._period_age_s = period_s * (WINDOW - 1 - WINDOW // 2) / 2
        self._offset = 0
        self._raw: int | None = None
        self._sent_ns = 0
        self._us: int | None = None
        self._us_ns = 0
        self.counts = 0
        self.furthest = 0
        self.moved_ns = 0
        """When the count was last seen to change, by the scan's clock."""
        self.speed_counts_s = 0.0
        """Present speed in counts a second, positive forward; 0 before two samples are known."""
        self._samples: deque[tuple[int, int]] = deque(maxlen=WINDOW)
        """Counts, each with the instant it was taken at, in ns of whichever clock dates them."""

    def _norm(self, raw: int) -> int:
        return raw if self._counter.sense > 0 else self._counter.modulus - 1 - raw

    def _signed(self, difference: int) -> int:
        modulus = self._counter.modulus
        return (difference + modulus // 2) % modulus - modulus // 2

    def raw_of(self, travel: int) -> int:
        """The raw count that stands for this travel."""
        return self._norm((travel + self._offset) % self._counter.modulus)

    def travel_of(self, raw: int) -> int:
        """The travel of a raw count captured within half the counter's range of now."""
        return self.counts + self._signed(self._norm(raw) - self._norm(self._raw or 0))

    def update(self, raw: int, sample_us: int | None, sent_ns: int, got_ns: int) -> Step:
        """Take the next sample. After anything but GOOD the travel stays and what was tracked is void."""
        previous, self._raw = self._raw, raw
        # The earliest this sample and the latest the last one can have been taken bound the time between them.
        elapsed_s = (got_ns - self._sent_ns) * 1e-9
        self._sent_ns = sent_ns
        t_ns = self._date(sample_us, sent_ns, got_ns)
        if previous is None:
            self._offset = self._norm(raw)
            self.moved_ns = got_ns
            self._keep(t_ns)
            return Step.FIRST
        bound = self._top_counts_s * JUMP_MARGIN * elapsed_s + JUMP_SLACK_COUNTS
        delta = self._signed(self._norm(raw) - self._norm(previous))
        if bound >= self._counter.modulus // 2 or abs(delta) > bound:
            self.rebase(raw)
            self._keep(t_ns)
            return Step.AMBIGUOUS if bound >= self._counter.modulus // 2 else Step.JUMP
        if delta:
            self.counts += delta
            self.moved_ns = got_ns
            self.furthest = max(self.furthest, self.counts)
        self._keep(t_ns)
        return Step.GOOD

    def look(self, stretch: IdleStretch) -> Ahead:
        """What `update` would make of each sample of a stretch; changes nothing."""
        if self._raw is None:
            raise ValueError("there is nothing to follow before the first sample")
        modulus, sense, raws = self._counter.modulus, self._counter.sense, stretch.raws
        half, first = modulus // 2, raws[0]
        begins = self.counts + self._signed(self._norm(first) - self._norm(self._raw))
        travels = [begins + (sense * (raw - first) + half) % modulus - half for raw in raws]
        if stretch.sample_us is None or self._us is None:
            date_ns = (2 * stretch.sent_ns + stretch.exchange_ns) // 2
        else:
            date_ns = self._us_ns + (stretch.sample_us[0] - self._us) % US_MODULUS * 1000
        return Ahead(stretch, travels, date_ns, list(self._samples))

    def follow(self, ahead: Ahead, scans: int) -> None:
        """Take the first `scans` samples of what was looked at: the same as `update` for each, at once."""
        stretch, last = ahead.stretch, scans - 1
        travels = ahead.travels[:scans]
        moved = last
        while moved >= 0 and travels[moved] == (travels[moved - 1] if moved else self.counts):
            moved -= 1
        if moved >= 0:
            self.moved_ns = stretch.sent_ns + moved * stretch.period_ns + stretch.exchange_ns
        self.counts, self._raw = travels[last], stretch.raws[last]
        self._sent_ns = stretch.sent_ns + last * stretch.period_ns
        self.furthest = max(self.furthest, max(travels))
        if stretch.sample_us is not None:
            self._us, self._us_ns = stretch.sample_us[last], ahead.dates[last]
        kept = max(0, scans - WINDOW)  # no more would stay
        self._samples.extend(zip(ahead.dates[kept:scans], travels[kept:], strict=True))
        self.speed_counts_s = ahead.speed(last)

    def fastest_counts_s(self, exchange_ns: int) -> float:
        """No speed that is reckoned from good samples is greater, in counts/s; each exchange took so long."""
        apart_ns = max(1, 2 * self._apart_ns)
        share = 1.0 + exchange_ns / apart_ns  # `update` allows for the earliest and the latest instants of two samples
        return self._top_counts_s * JUMP_MARGIN * share + JUMP_SLACK_COUNTS * 1e9 / apart_ns

    def rebase(self, raw: int) -> None:
        """The counter began anew at `raw`: travel goes on from where it was, the speed is not known."""
        self._raw = raw
        self._offset = self._norm(raw) - self.counts
        self.furthest = self.counts
        self._samples.clear()
        self.speed_counts_s = 0.0

    def _date(self, sample_us: int | None, sent_ns: int, got_ns: int) -> int:
        """The sample's instant: by the I/O side's own clock where it has one, else the middle of the exchange."""
        if sample_us is None:
            return (sent_ns + got_ns) // 2
        if self._us is not None:
            self._us_ns += (sample_us - self._us) % US_MODULUS * 1000
        self._us = sample_us
        return self._us_ns

    def _keep(self, t_ns: int) -> None:
        # An exchange made at once, between two periods, would shorten the window.
        if not self._samples or t_ns - self._samples[-1][0] >= self._apart_ns:
            self._samples.append((t_ns, self.counts))
            self._reckon()

    def _reckon(self) -> None:
        recent = self._samples
        if len(recent) < 2:
            self.speed_counts_s = 0.0
            return
        first, last = recent[WINDOW // 2 if len(recent) == WINDOW else 0], recent[-1]
        self.speed_counts_s = (last[1] - first[1]) * 1e9 / (last[0] - first[0])

    @property
    def age_s(self) -> float:
        """How old the speed is when it is known: half of the half window that it is reckoned over.

        A link slower than the period spaces the samples wider.
        """
        recent = self._samples
        return (recent[-1][0] - recent[WINDOW // 2][0]) * 0.5e-9 if len(recent) == WINDOW else self._period_age_s

    def change_counts_s2(self, limit_counts_s2: float) -> float:
        """How the speed changes, in counts a second squared, within what the drive can do; 0 before it is known."""
        recent = self._samples
        if len(recent) < WINDOW:
            return 0.0
        first, middle, last = recent[0], recent[WINDOW // 2], recent[-1]
        earlier = (middle[1] - first[1]) * 1e9 / (middle[0] - first[0])
        between_s = (last[0] - first[0]) * 0.5e-9
        return max(-limit_counts_s2, min(limit_counts_s2, (self.speed_counts_s - earlier) / between_s))

    def speed_after(self, distance_counts: float, limit_counts_s2: float) -> float:
        """The speed after so much more belt, in counts/s, if it goes on changing as it does: v² + 2·a·s.

        The speed known is that of the middle of its window; it is brought up to the last sample first.
        """
        accel = self.change_counts_s2(limit_counts_s2)
        now = self.speed_counts_s + accel * self.age_s
        return sqrt(max(0.0, now * now + 2.0 * accel * max(0.0, distance_counts))) if now > 0 else 0.0
