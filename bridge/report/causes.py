"""Why a pointer was off at one moment: the first cause that explains it, with what was seen of it. Pure.

Looked for in the order of the way of the data, and only in the seconds before the moment, so that what is
named was really there. What no rule explains is `not found`: the trace has every tick of it.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from statistics import fmean, median

from bridge.boards.pointer_channel import CORRECTION_SHARE
from bridge.flight.ages import SILENT_S
from bridge.report.analysis import Errors, Moment, within
from bridge.report.tracks import LOST, OFF_SCALE, Flight, Track

BEFORE_S, AFTER_S = 2.0, 0.15
_FAST_SHARE, _HARD_SHARE = 0.93, 0.9  # of the drive's limits: at them
_IRREGULAR = 0.8  # how far intervals between arrivals differ, over their mean
_MISSED_STEPS = 3.0
_STILL_S, _CATCHES_UP_S = 0.5, 0.5
_PLAY_TENTHS = 30  # a slow reading has turned round a good while before its motor does
_LAG_SPREAD = 0.35
_LONGEST_LAG_S = 3.0
_START_S = 1.0
_ABRUPT_S, _FORESEEN_S = 0.6, 0.1  # about as far as a path is predicted


@dataclass(frozen=True, slots=True)
class Cause:
    """`name` is short and fixed, `seen` a sentence with what was measured."""

    name: str
    seen: str


class Causes:
    """Finds the causes for one track."""

    def __init__(self, flight: Flight, track: Track, errors: Errors) -> None:
        self._flight = flight
        self._track = track
        self._errors = errors
        intervals = [b - a for a, b in pairwise(track.wanted_s)]
        self._usual_s = median(intervals) if intervals else 0.0
        self._step = 0.0  # the change of the reading for a motor step, where the pointer is at the moment

    def of(self, moment: Moment) -> Cause:
        """The cause of the error at this moment."""
        self._step = self._step_at(self._wanted(moment.time_s))
        looks = (
            self._scale, self._resolution, self._gap, self._missed, self._limits, self._play, self._jitter,
            self._lag, self._start, self._turn,
        )  # fmt: skip
        for look in looks:
            if (cause := look(moment)) is not None:
                return cause
        at_s = moment.time_s
        return Cause("not found", f"look at a trace from {at_s - BEFORE_S:.1f} to {at_s + AFTER_S:.1f} s.")

    def _step_at(self, reading: float) -> float:
        """The change of the reading for a motor step here: a curve may be flat at an end of its scale."""
        pointer = self._track.pointer
        angle, step_deg = pointer.rising(reading), pointer.drive.angle_deg(1.0)
        here = pointer.rising.inverse(angle)
        return max(abs(pointer.rising.inverse(angle + by) - here) for by in (step_deg, -step_deg))

    def _resolution(self, moment: Moment) -> Cause | None:
        if abs(moment.error) > 1.5 * self._step:
            return None
        return Cause("resolution", f"a motor step is {self._step:.3g} {self._track.pointer.unit} there.")

    def _play(self, moment: Moment) -> Cause | None:
        """The reading has turned round, and the motor goes through the play that the calibration has."""
        pointer, at_s = self._track.pointer, moment.time_s
        if pointer.falling is pointer.rising:
            return None
        wanted = self._wanted(at_s)
        play = abs(pointer.falling.inverse(pointer.rising(wanted)) - wanted)
        values = [self._wanted(at_s - n / 10) for n in range(-2, _PLAY_TENTHS)]
        steps = [a - b for a, b in pairwise(values)]
        if play < 0.5 * abs(moment.error) or not min(steps) < 0.0 < max(steps):
            return None
        return Cause(
            "play taken up",
            f"the reading turned round, and the motor went through play of {play:.3g} {pointer.unit} there.",
        )

    def _marks(self, at_s: float) -> int:
        near = within(self._track.report_s, at_s - 1e-6, at_s + 1e-6)
        return self._track.marks[near[0]] if near else 0

    def _scale(self, moment: Moment) -> Cause | None:
        if not self._marks(moment.time_s) & OFF_SCALE:
            return None
        track, face = self._track, self._track.pointer.face
        wanted = self._wanted(moment.time_s)
        ends = f"{face.low:g} to {face.high:g} {track.pointer.unit}"
        if track.scale is not None and min(track.scale) <= wanted <= max(track.scale):
            return Cause(
                "calibration extrapolated",
                f"{wanted:.4g} was to be shown; the calibration ends at {ends}. Capture the mark beyond it.",
            )
        return Cause("stop", f"{wanted:.4g} was to be shown; the scale goes from {ends}.")

    def _wanted(self, at_s: float) -> float:
        times, values = self._track.wanted_s, self._track.wanted
        near = within(times, 0.0 if not times else times[0], at_s)
        i = near[-1] if near else 0
        if i + 1 < len(times):
            share = (at_s - times[i]) / (times[i + 1] - times[i])
            return values[i] + min(max(share, 0.0), 1.0) * (values[i + 1] - values[i])
        return values[i]

    def _gap(self, moment: Moment) -> Cause | None:
        times, at_s = self._track.wanted_s, moment.time_s
        near = within(times, at_s - BEFORE_S, at_s + AFTER_S)
        first, last = max(0, near.start - 1), min(len(times) - 1, near.stop)
        longest_s, begin_s = max(
            ((times[i + 1] - times[i], times[i]) for i in range(first, last)), default=(0.0, 0.0)
        )
        if longest_s < max(SILENT_S, 2.0 * self._usual_s):
            return None
        lost = " of one of its quantities" if self._marks(at_s) & LOST else ""
        return Cause(
            "telemetry gap", f"nothing{lost} arrived for {longest_s:.2f} s, from {begin_s:.2f} s on."
        )

    def _missed(self, moment: Moment) -> Cause | None:
        track, at_s = self._track, moment.time_s
        near = within(track.report_s, at_s - BEFORE_S, at_s + AFTER_S)
        if missed := self._found_missing(at_s):
            return Cause(
                "missed steps", f"an index mark showed {missed} steps missing, {self._in_unit(missed)}."
            )
        ticks = within(self._flight.ticks_s, at_s - _STILL_S, at_s)
        still = [track.commanded[i] for i in ticks if i < len(track.commanded)]
        late = [track.late[i] for i in near if abs(track.report_s[i] - at_s) < 1e-6]
        if still and late and max(still) - min(still) < 1.0 and abs(late[0]) >= _MISSED_STEPS:
            return Cause(
                "missed steps",
                f"commanded to be still, reported {late[0]:+.0f} steps from there, {self._in_unit(late[0])}.",
            )
        return None

    def _found_missing(self, at_s: float) -> int:
        """The steps that an index mark showed missing and that were not corrected yet; 0 for none."""
        track = self._track
        rate = CORRECTION_SHARE * track.pointer.drive.speed_steps_s
        for i in reversed(range(1, within(track.report_s, 0.0, at_s + AFTER_S).stop)):
            if found := track.missed[i] - track.missed[i - 1]:
                return found if at_s - track.report_s[i] <= abs(found) / rate + BEFORE_S else 0
        return 0

    def _in_unit(self, steps: float) -> str:
        return f"{abs(steps) * self._step:.3g} {self._track.pointer.unit}"

    def _limits(self, moment: Moment) -> Cause | None:
        """At the drive's speed or acceleration, while it was behind the reading."""
        drive, commanded, ticks_s = self._track.pointer.drive, self._track.commanded, self._flight.ticks_s
        at_s = moment.time_s  # right after a leap the drive only begins to catch up
        near = [i for i in within(ticks_s, at_s - BEFORE_S, at_s + _CATCHES_UP_S) if 1 < i < len(commanded)]
        fastest = hardest = 0.0
        for i in near:
            step_s, before_s = ticks_s[i] - ticks_s[i - 1], ticks_s[i - 1] - ticks_s[i - 2]
            velocity = (commanded[i] - commanded[i - 1]) / step_s
            before = (commanded[i - 1] - commanded[i - 2]) / before_s
            fastest = max(fastest, abs(velocity), key=abs)
            hardest = max(hardest, abs(velocity - before) / step_s)
        if fastest >= _FAST_SHARE * drive.speed_steps_s:
            asked = self._rate(moment.time_s)
            unit = self._track.pointer.unit
            can = drive.speed_steps_s * self._step
            return Cause(
                "speed limit",
                f"the drive was at its {drive.speed_steps_s:g} steps/s, about {can:.3g} {unit}/s here; the "
                f"reading changed by up to {asked:.3g} {unit}/s.",
            )
        if hardest >= _HARD_SHARE * drive.acceleration_steps_s2:
            return Cause(
                "acceleration limit", f"the drive was at its {drive.acceleration_steps_s2:g} steps/s²."
            )
        return None

    def _rate(self, at_s: float) -> float:
        """The fastest change of what was to be shown in the time before, per second."""
        times, values = self._track.wanted_s, self._track.wanted
        near = within(times, at_s - BEFORE_S, at_s + AFTER_S)
        return max(
            (abs(values[i] - values[i - 1]) / (times[i] - times[i - 1]) for i in near if i > 0), default=0.0
        )

    def _jitter(self, moment: Moment) -> Cause | None:
        times = self._track.wanted_s
        near = within(times, moment.time_s - BEFORE_S, moment.time_s + AFTER_S)
        intervals = [times[i] - times[i - 1] for i in near if i > 0]
        if len(intervals) < 3 or max(intervals) - min(intervals) < _IRREGULAR * fmean(intervals):
            return None
        return Cause(
            "jitter",
            f"arrivals were {1000 * min(intervals):.0f} to {1000 * max(intervals):.0f} ms apart, "
            f"{1000 * fmean(intervals):.0f} on average.",
        )

    def _lag(self, moment: Moment) -> Cause | None:
        """A pointer that runs behind a steady change by the same time throughout."""
        times, values = self._errors.times_s, self._errors.values
        lags = []
        for i in within(times, moment.time_s - 1.0, moment.time_s + 1e-6):
            rate = (self._wanted(times[i] + 0.1) - self._wanted(times[i] - 0.1)) / 0.2
            if abs(rate) * _LONGEST_LAG_S <= abs(values[i]):
                return None
            lags.append(-values[i] / rate)
        if len(lags) < 4:
            return None
        middle = median(lags)
        if middle <= 0.0 or max(abs(lag - middle) for lag in lags) > _LAG_SPREAD * middle:
            return None
        return Cause("steady lag", f"{1000 * middle:.0f} ms behind a reading that changed evenly.")

    def _start(self, moment: Moment) -> Cause | None:
        """The pointer waited at the first reading, and the flight went on at once."""
        since_s = moment.time_s - self._track.wanted_s[0]
        if since_s > _START_S:
            return None
        return Cause("start", f"{since_s:.1f} s after the first reading, at which the pointer had waited.")

    def _turn(self, moment: Moment) -> Cause | None:
        """The reading changed its rate abruptly, and the path went on as before for a moment."""
        times, values = self._track.wanted_s, self._track.wanted
        near = within(times, moment.time_s - _ABRUPT_S, moment.time_s + AFTER_S)
        rates = [(values[i] - values[i - 1]) / (times[i] - times[i - 1]) for i in near if i > 0]
        if len(rates) < 2:
            return None
        low, high = min(rates), max(rates)
        if (high - low) * _FORESEEN_S < 0.5 * abs(moment.error):
            return None
        first, last = (low, high) if rates.index(low) < rates.index(high) else (high, low)
        unit = self._track.pointer.unit
        return Cause(
            "abrupt change",
            f"the reading went from {_rounded(first, high - low)} to {_rounded(last, high - low)} {unit}/s "
            "within half a second; what is predicted from the arrivals before goes on for a moment.",
        )


def _rounded(value: float, scale: float) -> str:
    """To three digits of the scale."""
    return f"{value:+.3g}" if abs(value) > 1e-3 * scale else "0"
