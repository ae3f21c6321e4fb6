"""The calibration of one pointer in the making: captures in, a corrected curve out. Pure.

A capture is the drive angle at which the needle covered the mark of a reading, approached from below
(the reading rising) or from above. What a capture differs from the curve in force is its residual. The new
curve is the curve in force plus the residuals, interpolated linearly between captures and held beyond
the outermost: one capture shifts the curve, two stretch it, many follow any linkage. So every state
of the work is a usable curve, and points that were not measured again are carried along.

    new(reading) = old(reading) + residual(reading)

Captures of one direction alone correct both curves by the same amount, since what differs between the
directions (backlash) was measured before or is not there; captures of both measure it.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import isfinite

from bridge.errors import OutOfRangeError
from bridge.gauges.curve import Curve, CurveTurnsBackError
from bridge.gauges.pointer import Pointer

_DECIMALS = 3  # of a degree, in the file: a tenth of the finest step that a drive is likely to have
_SAME_STEPS = 0.5  # beyond the motor's reach: nearer than this is on it
_SAME_SHARE = 1e-6  # of the scale: readings nearer than this are the same mark


@dataclass(frozen=True, slots=True)
class Capture:
    """The needle covers the mark of `reading` (the pointer's unit) with its drive at `drive_deg` degrees.

    `falling` when the mark was approached from above, the reading coming down. `sent_deg` is where the drive
    was sent to before that was rounded to a step, if the needle was left there, else `drive_deg`.
    """

    reading: float
    falling: bool
    drive_deg: float
    sent_deg: float


@dataclass(frozen=True, slots=True)
class Points:
    """What the calibration file holds for one pointer, readings in the pointer's unit.

    `points` are (reading, face angle, drive angle), `falling` (reading, drive angle), both rising in the
    reading; `falling` is empty where one curve serves both ways. Angles in degrees.
    """

    points: tuple[tuple[float, float, float], ...]
    falling: tuple[tuple[float, float], ...]


class CalibrationDraft:
    """Captures for one pointer, with undo. The pointer's own curves are those in force.

    `captures` are what was measured on this drive before: they hold whatever the curve in force.
    """

    def __init__(self, pointer: Pointer, captures: tuple[Capture, ...] = ()) -> None:
        self.pointer = pointer
        self._states: list[tuple[Capture, ...]] = [captures]

    @property
    def captures(self) -> tuple[Capture, ...]:
        """In the order of their readings; a mark captured again from the same side has its newest."""
        return self._states[-1]

    @property
    def can_undo(self) -> bool:
        """Whether there is a capture to take back."""
        return len(self._states) > 1

    def capture(
        self, reading: float, falling: bool, position_steps: float, sent_deg: float | None = None
    ) -> Capture:
        """The needle covers the mark of this reading now, with its motor at this position.

        `sent_deg` is what `drive_deg` had for it, if the needle was left where that sent it. Raises
        OutOfRangeError for a reading off the scale.
        """
        face = self.pointer.face
        reading = self.on_scale(reading)
        span = face.high - face.low
        drive_deg = self.pointer.drive_deg(position_steps)
        if face.period is not None:  # the turn in which the drive was does not matter
            drive_deg += 360.0 * round((self._old(reading, falling) - drive_deg) / 360.0)
        new = Capture(reading, falling, drive_deg, drive_deg if sent_deg is None else sent_deg)
        kept = [
            old
            for old in self.captures
            if old.falling != falling or abs(old.reading - reading) > _SAME_SHARE * span
        ]
        self._states.append(tuple(sorted([*kept, new], key=lambda c: (c.reading, c.falling))))
        return new

    def carried_to(self, pointer: Pointer) -> CalibrationDraft:
        """The same captures for the same drive with other curves in force; undo goes on."""
        draft = CalibrationDraft(pointer)
        draft._states = list(self._states)
        return draft

    def without(self, saved: tuple[Capture, ...]) -> CalibrationDraft:
        """What was captured since these were saved."""
        return CalibrationDraft(self.pointer, tuple(c for c in self.captures if c not in saved))

    def on_scale(self, reading: float) -> float:
        """The reading, of an endless pointer the one in its first turn.

        Raises OutOfRangeError for one off the scale.
        """
        face = self.pointer.face
        span = face.high - face.low
        if face.period is not None and isfinite(reading):
            return face.low + (reading - face.low) % span
        if not face.low - _SAME_SHARE * span <= reading <= face.high + _SAME_SHARE * span:
            raise OutOfRangeError(
                f"{self.pointer.key}: found a reading of {reading:g} {self.pointer.unit}; expected "
                f"{face.low:g} to {face.high:g} {self.pointer.unit}. Choose a mark on its scale"
            )
        return reading

    def undo(self) -> None:
        """Take the last capture back; without one nothing changes."""
        if self.can_undo:
            self._states.pop()

    def residual_deg(self, capture: Capture) -> float:
        """How far the drive had to be clockwise of where the curve in force sends it, in degrees."""
        return capture.drive_deg - self._old(capture.reading, capture.falling)

    def drive_deg(self, reading: float, falling: bool) -> float:
        """The drive angle (deg) for this reading by all that is captured so far.

        From mark to mark no rounding to steps is carried on: a needle that needs no jog would wander off.
        """
        sent = [c for c in self.captures if c.falling == falling] or self.captures
        residuals = [(c.reading, c.sent_deg - self._old(c.reading, c.falling)) for c in sent]
        period = self.pointer.face.period
        return self._old(reading, falling) + _interpolated(residuals, reading, period)

    def backlash_deg(self) -> dict[float, float]:
        """For each reading captured both ways: rising less falling drive angle, in degrees."""
        rising = {c.reading: c.drive_deg for c in self.captures if not c.falling}
        return {
            c.reading: rising[c.reading] - c.drive_deg
            for c in self.captures
            if c.falling and c.reading in rising
        }

    def points(self) -> Points:
        """The new points; those in force while nothing is captured."""
        pointer = self.pointer
        up = self._residuals(falling=False)
        down = self._residuals(falling=True)
        two_ways = pointer.falling is not pointer.rising or (bool(down) and bool(up))
        rising = self._corrected(pointer.rising, up or down)
        points = tuple((reading, pointer.face(reading), angle) for reading, angle in rising)
        if not two_ways:
            return Points(points, ())
        return Points(points, tuple(self._corrected(pointer.falling, down or up)))

    def mistakes(self) -> list[str]:
        """Why the new points can't be a curve, in words; empty when they can."""
        new = self.points()
        found = []
        for name, points in (
            ("from below", [(reading, drive) for reading, _, drive in new.points]),
            ("from above", list(new.falling)),
        ):
            try:
                if points:
                    Curve(points, self.pointer.face.period)
            except CurveTurnsBackError as error:
                found.append(f"{name}: {error}. Capture that mark again, or undo")
            found += [
                f"{name}: {reading:g} {self.pointer.unit} would be at {drive_deg:.1f} degrees of the drive, "
                "beyond what its motor reaches. Capture that mark, too, or undo"
                for reading, drive_deg in (*points[:1], *points[-1:])
                if not self._reaches(drive_deg)
            ]
        return found

    def suggestions(self) -> list[str]:
        """Where a further capture would pay, in words: half-way between two that bend by more than a step."""
        found = []
        step_deg = self.pointer.drive.angle_deg(1)
        for falling, side in ((False, "from below"), (True, "from above")):
            residuals = _around(self._residuals(falling), self.pointer.face.period)
            bends = [_bend(*three) for three in zip(residuals, residuals[1:], residuals[2:], strict=False)]
            for i, ((low, _), (high, _)) in enumerate(pairwise(residuals)):
                # A chord of a curve that bends by f'' is off by up to f''/8 of its length squared (Lagrange).
                worst = max((abs(bend) for bend in bends[max(i - 1, 0) : i + 1]), default=0.0)
                off_steps = worst / 8.0 * (high - low) ** 2 / step_deg
                if off_steps > 1.0:
                    middle = self.on_scale((low + high) / 2.0)
                    found.append(
                        f"{side}: between {low:g} and {high:g} {self.pointer.unit} the needle may be off by "
                        f"{off_steps:.1f} steps. Drive to {middle:g} {self.pointer.unit} and capture it, too"
                    )
        return list(dict.fromkeys(found))

    def _reaches(self, drive_deg: float) -> bool:
        low, high = self.pointer.reach_low_steps, self.pointer.reach_high_steps
        steps = self.pointer.drive_position(drive_deg)
        return (low is None or steps >= low - _SAME_STEPS) and (high is None or steps <= high + _SAME_STEPS)

    def _old(self, reading: float, falling: bool) -> float:
        return (self.pointer.falling if falling else self.pointer.rising)(reading)

    def _residuals(self, falling: bool) -> list[tuple[float, float]]:
        return [(c.reading, self.residual_deg(c)) for c in self.captures if c.falling == falling]

    def _corrected(self, old: Curve, residuals: list[tuple[float, float]]) -> list[tuple[float, float]]:
        """The old curve's points and the captured readings, with the residuals added."""
        readings = sorted({reading for reading, _ in old.points} | {reading for reading, _ in residuals})
        corrected = [
            (reading, round(old(reading) + _interpolated(residuals, reading, old.period), _DECIMALS))
            for reading in readings
            if old.period is None or reading < old.high
        ]
        if old.period is not None:  # the seam: exactly one turn of the drive for one of the reading
            turn = 360.0 if old.angles[-1] > old.angles[0] else -360.0
            corrected.append((old.high, corrected[0][1] + turn))
        return corrected


def _interpolated(residuals: Sequence[tuple[float, float]], reading: float, period: float | None) -> float:
    """The residual (deg) at this reading: linear between captures, held beyond them, or around the turn."""
    if not residuals:
        return 0.0
    residuals = _around(residuals, period)
    readings = [at for at, _ in residuals]
    right = bisect_right(readings, reading)
    if right == 0 or right == len(residuals):
        return residuals[max(right - 1, 0)][1]
    (a, there), (b, beyond) = residuals[right - 1], residuals[right]
    return there + (beyond - there) * (reading - a) / (b - a)


def _around(residuals: Sequence[tuple[float, float]], period: float | None) -> Sequence[tuple[float, float]]:
    """Of an endless pointer also the neighbours across the seam of its turn."""
    if period is None or not residuals:
        return residuals
    first, last = residuals[0], residuals[-1]
    return [(last[0] - period, last[1]), *residuals, (first[0] + period, first[1])]


def _bend(a: tuple[float, float], b: tuple[float, float], c: tuple[float, float]) -> float:
    """The second derivative (deg per reading squared) of the parabola through three captures."""
    (x0, y0), (x1, y1), (x2, y2) = a, b, c
    return 2.0 * ((y2 - y1) / (x2 - x1) - (y1 - y0) / (x1 - x0)) / (x2 - x0)
