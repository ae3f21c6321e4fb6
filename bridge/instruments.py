"""From readings to what the real instrument shows.

An instrument says what it needs, takes readings with their time, and gives indications by quantity
name, in the catalogue's units. Its options are the keyword arguments of its class; `INSTRUMENTS`
has the kinds by the names that a panel description uses.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping
from dataclasses import InitVar, dataclass, field
from typing import Literal

from bridge.dynamics import Lag
from bridge.errors import OutOfRange
from bridge.quantities import CATALOGUE, Catalogue, quantity


def _within(option: str, value: float, low: float, high: float) -> None:
    if not low <= value <= high:
        raise OutOfRange(f"{option} {value:g} is outside {low:g} to {high:g}")


@dataclass(slots=True, kw_only=True)
class Instrument:
    """What all instruments share: indications that follow readings through a first-order lag.

    `lag_s` is its time constant, 0 (none) to 60 s; OutOfRange beyond. `needs` must be there before
    anything is shown; `uses` are readings that add an indication when they are there.
    Late, repeated and looped times are met as `bridge.dynamics` says: after a gap, or on a jump
    back, the dynamics start afresh at the present reading.
    """

    lag_s: float = 0.0
    needs: tuple[str, ...] = field(init=False, default=())
    uses: tuple[str, ...] = field(init=False, default=())
    _lags: dict[str, Lag] = field(init=False, repr=False, default_factory=dict)

    def __post_init__(self) -> None:
        _within("lag_s", self.lag_s, 0.0, 60.0)

    @property
    def indications(self) -> tuple[str, ...]:
        """The quantities that `update` gives, those of `uses` only when their readings are there."""
        return tuple(self._lags)

    def _follow(self, *names: str, catalogue: Catalogue = CATALOGUE) -> None:
        """Need these readings, and show each through the instrument's lag."""
        self.needs = names
        self._lags = {name: Lag(quantity(name, catalogue), self.lag_s) for name in names}

    def update(self, time_s: float, readings: Mapping[str, float]) -> dict[str, float]:
        """Indications at this time; empty while a needed reading is absent."""
        if not all(name in readings for name in self.needs):
            return {}
        return {name: lag(time_s, readings[name]) for name, lag in self._lags.items() if name in readings}


@dataclass(slots=True, kw_only=True)
class Altimeter(Instrument):
    """Indicated altitude, ft."""

    def __post_init__(self) -> None:
        Instrument.__post_init__(self)
        self._follow("indicated_altitude")


@dataclass(slots=True, kw_only=True)
class AirspeedIndicator(Instrument):
    """Indicated airspeed, kt."""

    def __post_init__(self) -> None:
        Instrument.__post_init__(self)
        self._follow("indicated_airspeed")


@dataclass(slots=True, kw_only=True)
class VerticalSpeedIndicator(Instrument):
    """Vertical speed, ft/min, with the lag of the calibrated leak.

    FAA-H-8083-15: 6 to 9 seconds pass after an abrupt change before the reading is right. With the
    default of 2.5 s, a change of 1,000 ft/min is shown to within 50 ft/min (half of the finest
    division of a common face; common practice, no source) after three time constants, 7.5 s.
    """

    lag_s: float = 2.5

    def __post_init__(self) -> None:
        Instrument.__post_init__(self)
        self._follow("vertical_speed")


@dataclass(slots=True, kw_only=True)
class TurnIndicator(Instrument):
    """Rate of turn, deg/s, from an upright rate gyro; blind to rolling.

    `lag_s` is the damping of the gyro (0.3 s: common practice, no source).
    """

    lag_s: float = 0.3

    def __post_init__(self) -> None:
        Instrument.__post_init__(self)
        self._follow("turn_rate")


@dataclass(slots=True, kw_only=True)
class TurnCoordinator(Instrument):
    """Rate of turn as a canted rate gyro shows it, deg/s, and the ball where its reading is there.

    Its gimbal is tilted by `cant_deg` (0 to 60; about 30, FAA-H-8083-15), so the gyro feels yaw x
    cos(cant) + roll x sin(cant). The face is graduated in steady turns, where rolling is nil, so it
    shows turn rate + roll rate x tan(cant): a roll into a turn is shown before the nose has swung.
    `lag_s` damps the gyro, `ball_lag_s` the ball (both 0.3 s: common practice, no source).
    """

    lag_s: float = 0.3
    cant_deg: float = 30.0
    ball_lag_s: float = 0.3
    _roll_share: float = field(init=False, repr=False, default=0.0)

    def __post_init__(self) -> None:
        Instrument.__post_init__(self)
        _within("cant_deg", self.cant_deg, 0.0, 60.0)
        _within("ball_lag_s", self.ball_lag_s, 0.0, 60.0)
        self._roll_share = math.tan(math.radians(self.cant_deg))
        self._follow("turn_rate")
        self.needs = ("turn_rate", "roll_rate")
        self.uses = ("slip",)
        self._lags["slip"] = Lag(quantity("slip"), self.ball_lag_s)

    def update(self, time_s: float, readings: Mapping[str, float]) -> dict[str, float]:
        """Indications at this time; empty while a needed reading is absent."""
        if not all(name in readings for name in self.needs):
            return {}
        felt = readings["turn_rate"] + readings["roll_rate"] * self._roll_share
        indications = {"turn_rate": self._lags["turn_rate"](time_s, felt)}
        if "slip" in readings:
            indications["slip"] = self._lags["slip"](time_s, readings["slip"])
        return indications


@dataclass(slots=True, kw_only=True)
class Ball(Instrument):
    """Slip, degrees of arc of the ball, damped by the liquid in its tube (0.3 s: common practice, no source)."""

    lag_s: float = 0.3

    def __post_init__(self) -> None:
        Instrument.__post_init__(self)
        self._follow("slip")


@dataclass(slots=True, kw_only=True)
class HeadingIndicator(Instrument):
    """Heading, degrees clockwise from magnetic or from true `north`."""

    north: Literal["magnetic", "true"] = "magnetic"

    def __post_init__(self) -> None:
        Instrument.__post_init__(self)
        self._follow(f"heading_{self.north}")


@dataclass(slots=True, kw_only=True)
class AttitudeIndicator(Instrument):
    """Pitch and bank, degrees."""

    def __post_init__(self) -> None:
        Instrument.__post_init__(self)
        self._follow("pitch", "bank")


@dataclass(slots=True, kw_only=True)
class Gauge(Instrument):
    """Any one `quantity`, in its own unit; UnknownQuantity when the catalogue lacks it."""

    quantity: str
    catalogue: InitVar[Catalogue] = CATALOGUE

    def __post_init__(self, catalogue: Catalogue) -> None:
        Instrument.__post_init__(self)
        self._follow(self.quantity, catalogue=catalogue)


INSTRUMENTS: Mapping[str, type[Instrument]] = {
    "altimeter": Altimeter,
    "airspeed": AirspeedIndicator,
    "vertical_speed": VerticalSpeedIndicator,
    "turn_coordinator": TurnCoordinator,
    "turn_indicator": TurnIndicator,
    "ball": Ball,
    "heading": HeadingIndicator,
    "attitude": AttitudeIndicator,
    "gauge": Gauge,
}


def options(kind: str) -> tuple[str, ...]:
    """The names of the options that this kind of instrument takes; KeyError for an unknown kind."""
    return tuple(option.name for option in dataclasses.fields(INSTRUMENTS[kind]) if option.init)
