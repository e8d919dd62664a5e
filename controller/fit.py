"""A fit of count against time: where the belt is at an instant, and when it will cross a place.

The I/O side's own clock dates each sample where it has one, and the bounds of the exchanges tie that clock to ours;
otherwise the middle of each exchange dates it. Over the last few samples the belt is taken to change its speed evenly:
x = x0 + v·t + ½·a·t², by least squares. Times are ns, places are counts of travel: a count read as c says that the belt
lay in [c, c+1), so its middle is fitted.
"""

from __future__ import annotations

from collections import deque
from math import sqrt
from statistics import median

from controller.travel import US_MODULUS

SAMPLES = 10
"""So many are fitted: enough to average the counts' steps out, few enough that the speed changes evenly over them."""
LEAST_SAMPLES = 4
BOUNDS = 64
"""Exchanges whose bounds tie the two clocks together."""
DRIFT = 100e-6
"""How far two quartz clocks may run apart (common practice, no source): older bounds are worth that much less."""
DELAYS = 31
"""Releases that the outbound delay is the median of."""
LEAST_DELAYS = 3
LONGEST_DELAY_NS = 1_000_000_000


class ClockTie:
    """The I/O side's clock against ours. Its dates count from its first sample, in ns."""

    def __init__(self) -> None:
        self._us: int | None = None
        self._date_ns = 0
        self._bounds: deque[tuple[int, int, int]] = deque(maxlen=BOUNDS)
        self._tie: tuple[int, int] | None = (0, 0)

    def date(self, sample_us: int | None, sent_ns: int, got_ns: int) -> int:
        """The date in ns of a sample that was taken between `sent_ns` and `got_ns` of our clock."""
        if sample_us is None:
            self._tie = (0, (got_ns - sent_ns) // 2)
            return (sent_ns + got_ns) // 2
        if self._us is not None:
            self._date_ns += (sample_us - self._us) % US_MODULUS * 1000
        self._us = sample_us
        self._bounds.append((self._date_ns, sent_ns - self._date_ns, got_ns - self._date_ns))
        self._tie = None
        return self._date_ns

    @property
    def tie(self) -> tuple[int, int]:
        """Our clock less the I/O side's dates, in ns, and how far off that can be."""
        if self._tie is None:
            self._tie = self._bounded()
        return self._tie

    def _bounded(self) -> tuple[int, int]:
        # Each exchange bounds the offset; all of them together leave the least that satisfies every one.
        at_least, at_most = -(1 << 63), 1 << 63
        for date_ns, low_ns, high_ns in reversed(self._bounds):
            slack_ns = int((self._date_ns - date_ns) * DRIFT)
            if low_ns - slack_ns > at_most or high_ns + slack_ns < at_least:
                break  # the clock was set or ran off: what is older says nothing of it
            at_least, at_most = max(at_least, low_ns - slack_ns), min(at_most, high_ns + slack_ns)
        return (at_least + at_most) // 2, (at_most - at_least) // 2

    def ours(self, date_ns: float) -> int:
        """The instant of our clock at which the I/O side's clock shows this date."""
        return int(date_ns) + self.tie[0]


class Fit:
    """Places of the belt by time. `limit_counts_s2` is the hardest that the drive can change the speed."""

    def __init__(self, limit_counts_s2: float, period_s: float) -> None:
        self._limit = limit_counts_s2
        self._apart_ns = int(period_s * 0.5e9)
        self._samples: deque[tuple[int, int]] = deque(maxlen=SAMPLES)
        self._stale = True
        self._date_ns = 0
        self._place = self._speed = self._accel = 0.0
        self.clock = ClockTie()
        self._before_ns: int | None = None

    def take(self, counts: int, sample_us: int | None, sent_ns: int, got_ns: int) -> None:
        """Take the next sample of travel."""
        date_ns = self.clock.date(sample_us, sent_ns, got_ns)
        samples = self._samples
        self._before_ns = samples[-1][0] if samples else None
        if samples and date_ns - samples[-1][0] < self._apart_ns:
            # An exchange between two periods, or a device that has not sampled anew: the newest word stands alone.
            if date_ns == samples[-1][0]:
                return
            if len(samples) > 1 and samples[-1][0] - samples[-2][0] < self._apart_ns:
                samples.pop()
        samples.append((date_ns, counts))
        self._stale = True

    def restart(self) -> None:
        """The count was lost: what was sampled says nothing of what comes. The clocks stay tied."""
        self._samples.clear()
        self._stale = True

    @property
    def ready(self) -> bool:
        """Whether there are samples enough to say where the belt will be."""
        return len(self._samples) >= LEAST_SAMPLES

    def _solve(self) -> None:
        """Fit the samples; places and times from the newest one, so that the numbers stay small."""
        self._stale = False
        zero_ns, zero = self._samples[-1]
        points = [((t - zero_ns) * 1e-9, c - zero + 0.5) for t, c in self._samples]
        n = len(points)
        s1 = s2 = s3 = s4 = y0 = y1 = y2 = 0.0
        for t, y in points:
            tt = t * t
            s1, s2, s3, s4 = s1 + t, s2 + tt, s3 + tt * t, s4 + tt * tt
            y0, y1, y2 = y0 + y, y1 + y * t, y2 + y * tt
        # The normal equations of c0 + c1·t + c2·t², by Cramer's rule.
        m1, m2, m3 = s2 * s4 - s3 * s3, s1 * s4 - s2 * s3, s1 * s3 - s2 * s2
        whole = n * m1 - s1 * m2 + s2 * m3
        bend = 0.0
        if whole > 0.0:
            bend = (n * (s2 * y2 - s3 * y1) - s1 * (s1 * y2 - s3 * y0) + s2 * (s1 * y1 - s2 * y0)) / whole
        accel = max(-self._limit, min(self._limit, 2.0 * bend))
        # With the change of speed held to what the drive can do, the rest is a straight line.
        half = 0.5 * accel
        z0, z1 = y0 - half * s2, y1 - half * s3
        spread = n * s2 - s1 * s1
        speed = (n * z1 - s1 * z0) / spread if spread > 0.0 else 0.0
        self._date_ns, self._accel, self._speed = zero_ns, accel, speed
        self._place = zero + (z0 - speed * s1) / n

    def crossing(self, place: float) -> float | None:
        """The date in ns at which the belt crosses a place, also one just passed; None: not as it moves now."""
        if not self.ready:
            return None
        if self._stale:
            self._solve()
        away, speed, accel = place - self._place, self._speed, self._accel
        inner = speed * speed + 2.0 * accel * away
        if speed <= 0.0 or inner < 0.0:
            return None
        return self._date_ns + 2e9 * away / (speed + sqrt(inner))

    def place_at(self, date_ns: float) -> float:
        """The belt's place at a date, in counts. Raises ValueError where nothing is known."""
        if not self.ready:
            raise ValueError("a fit needs samples")
        if self._stale:
            self._solve()
        t = (date_ns - self._date_ns) * 1e-9
        return self._place + t * (self._speed + 0.5 * self._accel * t)

    def speed_at(self, date_ns: float) -> float:
        """The belt's speed at a date, in counts/s, never negative."""
        if self._stale:
            self._solve()
        return max(0.0, self._speed + self._accel * (date_ns - self._date_ns) * 1e-9)

    def between_looks(self) -> float | None:
        """The middle of the belt that passed between the last two samples, in counts; None where they don't say."""
        if not self.ready or self._before_ns is None:
            return None
        return (self.place_at(self._before_ns) + self.place_at(self._samples[-1][0])) / 2


class Outbound:
    """How long an order takes from us to the act: half an exchange, until releases have shown better."""

    def __init__(self, exchange_s: float) -> None:
        self._stated_ns = round(exchange_s * 0.5e9)
        self._halves_ns: deque[int] = deque(maxlen=DELAYS)
        self._seen_ns: deque[int] = deque(maxlen=DELAYS)

    @property
    def delay_ns(self) -> int:
        """What to reckon with, in ns."""
        if len(self._seen_ns) >= LEAST_DELAYS:
            return int(median(self._seen_ns))
        return int(median(self._halves_ns)) if self._halves_ns else self._stated_ns

    @property
    def exchange_ns(self) -> int:
        """What an exchange takes of late, in ns."""
        return 2 * (int(median(self._halves_ns)) if self._halves_ns else self._stated_ns)

    def exchanged(self, took_ns: int) -> None:
        """Note an exchange."""
        self._halves_ns.append(took_ns // 2)

    def released(self, delay_ns: float) -> None:
        """Note what a release has shown: from the sending of its order to the count at which it was released."""
        if 0.0 <= delay_ns <= LONGEST_DELAY_NS:
            self._seen_ns.append(int(delay_ns))
