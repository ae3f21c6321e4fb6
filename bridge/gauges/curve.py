"""Calibration curve: a monotone piecewise cubic through points that a builder measured.

Between points the curve is the Hermite cubic whose slopes are chosen so that it never
turns back (F. N. Fritsch and J. Butland, A method for constructing local monotone piecewise
cubic interpolants, SIAM J. Sci. Stat. Comput. 5 (1984) 300-304; ends by the three-point formula
of C. Moler's book on numerical computing (2004), section 3.6). Two points make a straight line.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from math import floor

from bridge.errors import BridgeError

_LEAST_SHARE = 1e-9  # of the scale: points nearer than this are one


class CurveTurnsBackError(BridgeError, ValueError):
    """Points whose readings do not rise strictly, or whose angles do not run one way."""


class Curve:
    """Angle (deg) as a function of a reading, strictly monotone, with its inverse.

    Without a `period` readings beyond the first and last point are at the ends. With one, the
    curve goes on for ever: a reading `period` further on is exactly one turn (360 deg) further;
    `points` then cover one period, both ends included.
    Raises `CurveTurnsBackError` when the points are not strictly monotone, or a period does not fit them.
    """

    __slots__ = ("_coefficients", "_readings", "angles", "period")

    def __init__(self, points: Sequence[tuple[float, float]], period: float | None = None) -> None:
        readings = [float(reading) for reading, _ in points]
        angles = [float(angle) for _, angle in points]
        _check(readings, angles, period)
        self._readings = readings
        self.angles = angles
        self.period = period
        slopes = _slopes(readings, angles, period)
        self._coefficients = [
            _cubic(readings[i + 1] - readings[i], angles[i], angles[i + 1], slopes[i], slopes[i + 1])
            for i in range(len(readings) - 1)
        ]

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, Curve):
            return NotImplemented
        return self.points == other.points and self.period == other.period

    def __hash__(self) -> int:
        return hash((*self.points, self.period))

    @property
    def points(self) -> list[tuple[float, float]]:
        """The points that the curve goes through, (reading, deg)."""
        return list(zip(self._readings, self.angles, strict=True))

    @property
    def low(self) -> float:
        """The lowest reading (of the first turn, for an endless curve)."""
        return self._readings[0]

    @property
    def high(self) -> float:
        """The highest reading (of the first turn, for an endless curve)."""
        return self._readings[-1]

    def __call__(self, reading: float) -> float:
        """The angle (deg) for a reading; more than a turn for an endless curve."""
        readings = self._readings
        turns = 0
        if self.period is not None:
            turns = floor((reading - readings[0]) / self.period)
            reading -= turns * self.period
        reading = min(max(reading, readings[0]), readings[-1])
        i = min(bisect_right(readings, reading), len(readings) - 1) - 1
        a, b, c, d = self._coefficients[i]
        x = reading - readings[i]
        angle = a + x * (b + x * (c + x * d))
        return angle + turns * (self.angles[-1] - self.angles[0]) if turns else angle

    def inverse(self, angle_deg: float) -> float:
        """The reading at which the curve has this angle; the nearest end beyond a bounded curve."""
        readings, angles = self._readings, self.angles
        sign = 1.0 if angles[-1] > angles[0] else -1.0
        shift = 0.0
        if self.period is not None:
            turns = floor((angle_deg - angles[0]) * sign / 360.0)
            angle_deg -= turns * 360.0 * sign
            shift = turns * self.period
        rising = [angle * sign for angle in angles] if sign < 0 else angles
        wanted = min(max(angle_deg * sign, rising[0]), rising[-1])
        i = min(bisect_right(rising, wanted), len(rising) - 1) - 1
        low, high = 0.0, readings[i + 1] - readings[i]
        a, b, c, d = self._coefficients[i]
        x = high * (wanted - rising[i]) / (rising[i + 1] - rising[i])
        for _ in range(60):  # Newton's steps, kept inside a bracket that bisection shrinks
            error = (a + x * (b + x * (c + x * d))) * sign - wanted
            if abs(error) < 1e-10:
                break
            low, high = (x, high) if error < 0 else (low, x)
            slope = (b + x * (2 * c + x * 3 * d)) * sign
            step = x - error / slope if slope > 0 else low
            x = step if low < step < high else (low + high) / 2
        return readings[i] + x + shift


def _check(readings: list[float], angles: list[float], period: float | None) -> None:
    if len(readings) < 2:
        raise CurveTurnsBackError("a curve needs at least two points")
    for i in range(1, len(readings)):
        if not readings[i] > readings[i - 1]:
            raise CurveTurnsBackError(
                f"reading {readings[i]:g} follows {readings[i - 1]:g}; readings must rise"
            )
        if readings[i] - readings[i - 1] < _LEAST_SHARE * (readings[-1] - readings[0]):
            raise CurveTurnsBackError(f"readings {readings[i - 1]:g} and {readings[i]:g} are as good as one")
    rising = angles[-1] > angles[0]
    for i in range(1, len(angles)):
        if angles[i] == angles[i - 1] or (angles[i] > angles[i - 1]) != rising:
            raise CurveTurnsBackError(
                f"angle {angles[i]:g} at reading {readings[i]:g} follows {angles[i - 1]:g}: "
                "the curve turns back"
            )
        if abs(angles[i] - angles[i - 1]) < _LEAST_SHARE * abs(angles[-1] - angles[0]):
            raise CurveTurnsBackError(f"angles {angles[i - 1]:g} and {angles[i]:g} are as good as one")
    if period is not None:
        if abs(readings[-1] - readings[0] - period) > 1e-9 * period:
            raise CurveTurnsBackError(f"points cover {readings[-1] - readings[0]:g} of a turn of {period:g}")
        if abs(abs(angles[-1] - angles[0]) - 360.0) > 1e-9:
            raise CurveTurnsBackError(
                f"one turn of readings covers {angles[-1] - angles[0]:g} degrees, not 360"
            )


def _slopes(x: list[float], y: list[float], period: float | None) -> list[float]:
    n = len(x)
    widths = [x[i + 1] - x[i] for i in range(n - 1)]
    secants = [(y[i + 1] - y[i]) / widths[i] for i in range(n - 1)]
    inner = [_weighted(widths[i - 1], widths[i], secants[i - 1], secants[i]) for i in range(1, n - 1)]
    if period is not None:  # the last interval is the neighbour of the first
        seam = _weighted(widths[-1], widths[0], secants[-1], secants[0])
        return [seam, *inner, seam]
    if n == 2:
        return [secants[0], secants[0]]
    first = _end(widths[0], widths[1], secants[0], secants[1])
    last = _end(widths[-1], widths[-2], secants[-1], secants[-2])
    return [first, *inner, last]


def _weighted(h0: float, h1: float, s0: float, s1: float) -> float:
    """Slope at a point between two intervals: the weighted harmonic mean of the secants."""
    w0, w1 = 2 * h1 + h0, h1 + 2 * h0
    return (w0 + w1) / (w0 / s0 + w1 / s1)


def _end(h0: float, h1: float, s0: float, s1: float) -> float:
    """Slope at an end, by three points, held to what keeps the curve monotone."""
    slope = ((2 * h0 + h1) * s0 - h0 * s1) / (h0 + h1)
    return 0.0 if slope * s0 <= 0 else slope


def _cubic(h: float, y0: float, y1: float, s0: float, s1: float) -> tuple[float, float, float, float]:
    secant = (y1 - y0) / h
    return y0, s0, (3 * secant - 2 * s0 - s1) / h, (s0 + s1 - 2 * secant) / (h * h)
