"""A simple autopilot: what a leg of a flight asks for, and the loops that fly it."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from aircraft import RUNWAY_DEG, STEP_S, Aircraft, State


# Sideways: what the bank is for.
@dataclass(frozen=True, slots=True)
class Heading:
    """Turns the short way to a heading, at standard rate at the most, and holds it."""

    deg: float


@dataclass(frozen=True, slots=True)
class Turn:
    """Turns at a steady rate in deg/s, right positive."""

    rate: float


@dataclass(frozen=True, slots=True)
class Line:
    """Follows a line parallel to the runway, `across_nm` beside it."""

    deg: float
    across_nm: float = 0.0


# Up and down: what the elevator and the throttle are for.
@dataclass(frozen=True, slots=True)
class Power:
    """Throttle set, airspeed by the elevator: climbs and steep descents."""

    throttle: float
    airspeed_kt: float


@dataclass(frozen=True, slots=True)
class Altitude:
    """Altitude by the elevator, within a rate of climb or descent; airspeed by the throttle."""

    ft: float
    airspeed_kt: float
    limit_ft_min: float = 700.0


@dataclass(frozen=True, slots=True)
class Glide:
    """Down a slope that meets the ground just beyond the threshold; airspeed by the throttle."""

    deg: float
    airspeed_kt: float


@dataclass(frozen=True, slots=True)
class Flare:
    """Throttle closed, rate of descent smaller with every foot of height."""


@dataclass(frozen=True, slots=True)
class Ground:
    """On the wheels: steers along the runway, lifts the nose at `rotate_kt`."""

    throttle: float
    brakes: float = 0.0
    rotate_kt: float = math.inf


@dataclass(frozen=True, slots=True)
class Leg:
    name: str
    sideways: Heading | Turn | Line
    upward: Power | Altitude | Glide | Flare | Ground
    until: Callable[[State], bool]
    flaps: float = 0.0


def clamp(value: float, limit: float) -> float:
    return max(-limit, min(limit, value))


def angle_deg(value: float) -> float:
    """An angle brought to [-180, 180)."""
    return (value + 180) % 360 - 180


class Integral:
    """A sum that stays within its limit."""

    def __init__(self, limit: float) -> None:
        self.limit, self.value = limit, 0.0

    def add(self, rate: float) -> float:
        self.value = clamp(self.value + rate * STEP_S, self.limit)
        return self.value


class Autopilot:
    """Attitude loops inside, speed, height and heading loops outside; gains found by trying.

    Stick and pedal commands are -1 to 1. The model's own signs: elevator positive is nose down, aileron
    positive is right wing down, rudder positive is nose left.
    """

    def __init__(self, aircraft: Aircraft) -> None:
        self.aircraft = aircraft
        self.bank_deg = self.throttle = 0.0
        self.pitch_deg = aircraft["attitude/theta-deg"]
        self.elevator, self.aileron, self.rudder = Integral(0.6), Integral(0.3), Integral(0.6)
        self.climb, self.speed, self.rate = Integral(25.0), Integral(1.0), Integral(0.5)

    def next_leg(self, leg: Leg) -> None:
        """Starts the outer loops from where the nose is, so that a new leg begins without a jerk."""
        self.climb.value, self.speed.value, self.rate.value = self.pitch_deg, self.throttle, 0.0
        self.aircraft["fcs/flap-cmd-norm"] = leg.flaps

    def fly(self, leg: Leg, s: State) -> None:
        if isinstance(leg.upward, Ground):
            self._roll_along(leg.upward, s)
        else:
            self._bank(self._turn_rate(leg.sideways, s), s)
            self._pitch(self._climb(leg, s), s)
        self.aircraft["fcs/throttle-cmd-norm"] = self.throttle

    def _turn_rate(self, sideways: Heading | Turn | Line, s: State) -> float:
        match sideways:
            case Turn(rate):
                return rate + self.rate.add(0.1 * (rate - s.turn_rate) if s.leg_s > 6 else 0.0)
            case Line(deg, across_nm):
                side = 1 if abs(angle_deg(deg - RUNWAY_DEG)) < 90 else -1
                aim = deg + clamp(side * 120 * (across_nm - s.across_nm), 40)
            case Heading(deg):
                aim = deg
        return clamp(0.25 * angle_deg(aim - s.heading_deg), 3.0)

    def _bank(self, turn_rate: float, s: State) -> None:
        """Bank for a rate of turn, from the level coordinated turn: rate = g tan(bank) / speed."""
        speed_m_s = max(s.true_airspeed_kt, 40) * 1852 / 3600
        aim = math.degrees(math.atan(math.radians(turn_rate) * speed_m_s / 9.80665))
        self.bank_deg += clamp(aim - self.bank_deg, 6 * STEP_S)
        error = self.bank_deg - s.bank_deg
        self.aircraft["fcs/aileron-cmd-norm"] = clamp(
            0.03 * error - 0.012 * s.roll_rate + self.aileron.add(0.015 * error), 1
        )
        # The feet keep the ball in the middle and damp what the turn does not ask for.
        swing = s.yaw_rate - turn_rate * math.cos(math.radians(s.bank_deg))
        pedals = 0.02 * swing + self.rudder.add(1.5 * s.lateral_g)
        self.aircraft["fcs/rudder-cmd-norm"] = clamp(pedals, 1)

    def _climb(self, leg: Leg, s: State) -> float:
        """The pitch that the leg asks for, in degrees; sets the throttle on the way."""
        match leg.upward:
            case Power(throttle, airspeed_kt):
                self.throttle += clamp(throttle - self.throttle, 0.3 * STEP_S)
                error = s.airspeed_kt - airspeed_kt
                return 0.6 * error + self.climb.add(0.12 * error)
            case Altitude(ft, airspeed_kt, limit_ft_min):
                climb = clamp(6 * (ft - s.altitude_ft), limit_ft_min)
            case Glide(deg, airspeed_kt):
                slope = math.tan(math.radians(deg)) * 6076.12
                climb = -slope * s.true_airspeed_kt / 60
                climb += clamp(6 * (max(0.0, 0.1 - s.along_nm) * slope - s.height_ft), 300)
            case Flare() | Ground():
                self.throttle = max(0.0, self.throttle - 0.4 * STEP_S)
                error = -40 - 14 * (s.height_ft - 5) - s.climb_ft_min
                return 0.008 * error + self.climb.add(0.012 * error)
        short = airspeed_kt - s.airspeed_kt
        aim = 0.05 * short + self.speed.value
        if 0 < aim < 1:  # at a stop the sum would only wind up
            self.speed.add(0.004 * short)
        aim = max(0.0, min(1.0, aim))
        self.throttle += clamp(aim - self.throttle, 0.3 * STEP_S)
        error = climb - s.climb_ft_min
        return 0.004 * error + self.climb.add(0.004 * error)

    def _pitch(self, aim_deg: float, s: State) -> None:
        self.pitch_deg += clamp(max(-7.5, min(14, aim_deg)) - self.pitch_deg, 3 * STEP_S)
        error = self.pitch_deg - s.pitch_deg
        self.aircraft["fcs/elevator-cmd-norm"] = clamp(
            -0.05 * error + 0.03 * s.pitch_rate - self.elevator.add(0.05 * error), 1
        )

    def _roll_along(self, ground: Ground, s: State) -> None:
        self.throttle += clamp(ground.throttle - self.throttle, 0.3 * STEP_S)
        off = angle_deg(RUNWAY_DEG - 300 * s.across_nm - s.heading_deg)
        self.aircraft["fcs/rudder-cmd-norm"] = clamp(-0.05 * off + 0.05 * s.yaw_rate, 1)
        self.aircraft["fcs/steer-cmd-norm"] = clamp(0.05 * off, 0.3)
        self.aircraft["fcs/aileron-cmd-norm"] = clamp(-0.03 * s.bank_deg - 0.01 * s.roll_rate, 1)
        lift = s.airspeed_kt >= ground.rotate_kt
        self.pitch_deg += clamp((8.0 if lift else 0.0) - self.pitch_deg, 3 * STEP_S)
        stick = -0.04 * (self.pitch_deg - s.pitch_deg) + 0.02 * s.pitch_rate if lift else 0.0
        self.aircraft["fcs/elevator-cmd-norm"] = clamp(stick, 1)
        for side in ("left", "right"):
            self.aircraft[f"fcs/{side}-brake-cmd-norm"] = ground.brakes
