"""Gyros that run down, tilt and drift, and the normal errors of sound ones.

The attitude gyro's error is the tilt of its axis: a vector in the level plane, forward and right of the nose,
degrees; for small tilts the bar is wrong in pitch by the part forward and in bank by the part to the right.
Its erection drives the tilt at a constant rate to the vertical, or (normal error) to the apparent vertical,
which lies off in turns and on acceleration. Tilts of several causes are kept apart and added, so that each
can be undone by itself.

Sources. Run-down 'about 10 minutes', gyros 'tilt to one side': a pilot's guide of a flight director (read in
excerpt); drift of the earth and transport: arithmetic. No source states tilt or drift of a dying gyro, or how
fast erection is: those marked (choice) are invented.
"""

from __future__ import annotations

import math

RUN_DOWN_S = 200.0
"""Time constant of the spin after loss of air: 5 % is left after 10 minutes (choice)."""
TURN_RUN_DOWN_S = 60.0
"""The same of an electric turn gyro after loss of current (choice)."""
ERECTION_DEG_S = 4.0 / 60.0
"""At full spin: 20 degrees in 5 minutes, and 2.5 degrees off after 180 degrees at 3 deg/s (choice)."""
_TILT_DRIFT_DEG_S = 0.4 / 60.0
"""Tilt of a dying gyro over its spin: 1 deg/min at 40 % of it, 2 at 20 % (choice)."""
_HEADING_DRIFT_DEG_S = 0.4 / 60.0
"""Normal precession, 4 degrees in 10 minutes, grows as the spin falls: 36 degrees at 10 % of it (choice)."""
_LEANS_DEG = 60.0
"""Where a dying gyro's top leans, clockwise from the nose (choice)."""
TOPPLED_DEG = 60.0
"""The gimbals stop there; about the pitch at which old gyros tumble."""
_LEAST_SPIN = 0.02
_EARTH_DEG_H = 15.041
_GRAVITY_M_S2 = 9.80665
_KNOT_M_S = 1852 / 3600


def spin(since_s: float, run_down_s: float = RUN_DOWN_S) -> float:
    """What is left of the spin so long after its drive was lost, 1 to 0."""
    return math.exp(-max(0.0, since_s) / run_down_s)


def apparent_tilt_deg(
    turn_rate_deg_s: float, true_airspeed_kt: float, acceleration_kt_s: float
) -> tuple[float, float]:
    """Where the apparent vertical's top lies off the true one: forward and right, degrees."""
    across = math.radians(turn_rate_deg_s) * true_airspeed_kt * _KNOT_M_S
    along = acceleration_kt_s * _KNOT_M_S
    return (
        math.degrees(math.atan2(along, _GRAVITY_M_S2)),
        math.degrees(math.atan2(across, _GRAVITY_M_S2)),
    )


class AttitudeGyro:
    """The tilt of one axis, forward and right of the nose, degrees."""

    __slots__ = ("forward_deg", "right_deg")

    def __init__(self, tilt_deg: float = 0.0, toward_deg: float = 0.0) -> None:
        toward = math.radians(toward_deg)
        self.forward_deg = tilt_deg * math.cos(toward)
        self.right_deg = tilt_deg * math.sin(toward)

    def turn(self, degrees: float) -> None:
        """The aircraft turned right by so much below the axis, which stays where it is in space."""
        angle = math.radians(degrees)
        forward, right = self.forward_deg, self.right_deg
        self.forward_deg = forward * math.cos(angle) + right * math.sin(angle)
        self.right_deg = right * math.cos(angle) - forward * math.sin(angle)

    def erect(
        self, elapsed_s: float, spin: float = 1.0, forward_deg: float = 0.0, right_deg: float = 0.0
    ) -> None:
        """Erect for so long toward this apparent vertical, as far as the spin lets it."""
        off_forward, off_right = forward_deg - self.forward_deg, right_deg - self.right_deg
        off = math.hypot(off_forward, off_right)
        if off > 0.0:
            share = min(1.0, ERECTION_DEG_S * spin * elapsed_s / off)
            self.forward_deg += off_forward * share
            self.right_deg += off_right * share

    def fall(self, elapsed_s: float, spin: float) -> None:
        """Tilt to one side, faster the less spin is left, up to the stops of its gimbals."""
        by_deg = _TILT_DRIFT_DEG_S / max(spin, _LEAST_SPIN) * elapsed_s
        self.forward_deg += by_deg * math.cos(math.radians(_LEANS_DEG))
        self.right_deg += by_deg * math.sin(math.radians(_LEANS_DEG))
        tilt = math.hypot(self.forward_deg, self.right_deg)
        if tilt > TOPPLED_DEG:
            self.forward_deg *= TOPPLED_DEG / tilt
            self.right_deg *= TOPPLED_DEG / tilt


def dying_drift_deg_s(spin: float) -> float:
    """What a heading gyro with so much spin left drifts more than a sound one."""
    return _HEADING_DRIFT_DEG_S * (1.0 / max(spin, _LEAST_SPIN) - 1.0)


def apparent_drift_deg_h(
    latitude_deg: float, eastward_kt: float = 0.0, nut_latitude_deg: float = 0.0
) -> float:
    """By how much the reading of a free heading gyro falls in an hour; in the south it rises (negative).

    Earth rate 15.041 sin(latitude), less what the latitude nut corrects; transport wander, speed eastward
    (kt) / 60 tan(latitude).
    """
    latitude = math.radians(latitude_deg)
    earth = _EARTH_DEG_H * (math.sin(latitude) - math.sin(math.radians(nut_latitude_deg)))
    return earth + eastward_kt / 60.0 * math.tan(latitude)
