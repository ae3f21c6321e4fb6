"""From readings to what the real instrument shows.

An instrument lists what it needs, takes readings with their time, and returns indications by quantity
name, in the catalogue's units. `INSTRUMENTS` has a maker for each kind, by the names that a panel
description uses; the keyword arguments of a maker are the options of its kind.
"""

from __future__ import annotations

import inspect
import math
from collections.abc import Callable, Mapping

from bridge.errors import OutOfRangeError
from bridge.instruments.condition import Condition, Watch, parse_condition
from bridge.instruments.filters import Lag
from bridge.quantities.catalogue import CATALOGUE, Catalogue, find_quantity


def _within(option: str, value: float, low: float, high: float) -> float:
    if not low <= value <= high:
        raise OutOfRangeError(f"{option} {value:g} is outside {low:g} to {high:g}")
    return value


class Instrument:
    """Indications that follow the readings of the same names through a first-order lag.

    `needs` are the readings without which nothing is shown, `uses` those that add an indication where
    they are there, `indications` all that `update` may return.

    `lag_s` is the time constant, 0 (none) to 60 s; raises OutOfRangeError beyond, and
    UnknownQuantityError for a name outside the catalogue. Late, repeated and looped times are handled as in
    `bridge.instruments.filters`: after a gap, or on a jump back, the dynamics
    start afresh at the present reading.
    """

    __slots__ = ("_lags", "indications", "needs", "uses")

    def __init__(self, names: tuple[str, ...], lag_s: float, catalogue: Catalogue = CATALOGUE) -> None:
        _within("lag_s", lag_s, 0.0, 60.0)
        self.needs: tuple[str, ...] = names
        self.uses: tuple[str, ...] = ()
        self.indications: tuple[str, ...] = names
        self._lags = {name: Lag(find_quantity(name, catalogue), lag_s) for name in names}

    def update(self, time_s: float, readings: Mapping[str, float]) -> dict[str, float]:
        """Indications at this time; empty while a needed reading is absent."""
        if not all(name in readings for name in self.needs):
            return {}
        return {name: lag(time_s, readings[name]) for name, lag in self._lags.items() if name in readings}

    def follows(self, indication: str) -> tuple[str, ...]:
        """The readings that this one of its indications follows."""
        return (indication,)


class TurnCoordinator(Instrument):
    """A turn pointer driven by a canted rate gyro, and a ball beside it; see `turn_coordinator`."""

    __slots__ = ("_ball", "_pointer", "_roll_share")

    def __init__(self, lag_s: float, cant_deg: float, ball_lag_s: float) -> None:
        super().__init__(("turn_rate",), lag_s)
        self.needs = ("turn_rate", "roll_rate")
        self.uses = ("slip",)
        self.indications = ("turn_rate", "slip")
        self._roll_share = math.tan(math.radians(_within("cant_deg", cant_deg, 0.0, 60.0)))
        self._pointer = self._lags["turn_rate"]
        self._ball = Lag(find_quantity("slip"), _within("ball_lag_s", ball_lag_s, 0.0, 60.0))

    def update(self, time_s: float, readings: Mapping[str, float]) -> dict[str, float]:
        """Turn rate as the gyro shows it, and the ball where its reading is there."""
        indications: dict[str, float] = {}
        if "turn_rate" in readings and "roll_rate" in readings:
            felt = readings["turn_rate"] + readings["roll_rate"] * self._roll_share
            indications["turn_rate"] = self._pointer(time_s, felt)
        if "slip" in readings:
            indications["slip"] = self._ball(time_s, readings["slip"])
        return indications

    def follows(self, indication: str) -> tuple[str, ...]:
        """The pointer follows both rates, the ball its own reading."""
        return self.needs if indication == "turn_rate" else (indication,)


class Flag(Instrument):
    """A flag that a motor moves by a condition; see `flag`."""

    __slots__ = ("_watch",)

    def __init__(self, condition: Condition) -> None:
        super().__init__(("flag",), 0.0)
        self.needs = (condition.quantity,)
        self._watch = Watch(condition)

    def update(self, time_s: float, readings: Mapping[str, float]) -> dict[str, float]:
        """1 while the condition holds, else 0; empty while its reading is absent."""
        reading = readings.get(self.needs[0])
        return {} if reading is None else {"flag": float(self._watch.update(time_s, reading))}

    def follows(self, indication: str) -> tuple[str, ...]:
        """The reading that the condition is on."""
        return self.needs


class Altimeter(Instrument):
    """Pointers that follow the altitude, and a drum or card that follows the setting; see `altimeter`."""

    __slots__ = ()

    def __init__(self, lag_s: float) -> None:
        super().__init__(("indicated_altitude", "altimeter_setting"), lag_s)
        self.needs, self.uses = (), self.indications
        self._lags["altimeter_setting"] = Lag(find_quantity("altimeter_setting"), 0.0)


def altimeter(*, lag_s: float = 0.0) -> Instrument:
    """Indicated altitude, ft, and the setting of its subscale, inHg, which the knob's wheels turn at once."""
    return Altimeter(lag_s)


def airspeed(*, lag_s: float = 0.0) -> Instrument:
    """Indicated airspeed, kt."""
    return Instrument(("indicated_airspeed",), lag_s)


def vertical_speed(*, lag_s: float = 2.5) -> Instrument:
    """Vertical speed, ft/min, with the lag of the calibrated leak.

    FAA-H-8083-15: 6 to 9 seconds pass after an abrupt change before the reading is right. With the
    default, a change of 1,000 ft/min is shown to within 50 ft/min (half of the finest division of a
    common face: common practice, no source) after three time constants, 7.5 s.
    """
    return Instrument(("vertical_speed",), lag_s)


def turn_indicator(*, lag_s: float = 0.3) -> Instrument:
    """Rate of turn, deg/s, from an upright rate gyro, which is blind to rolling.

    `lag_s` is the gyro's damping (0.3 s: common practice, no source).
    """
    return Instrument(("turn_rate",), lag_s)


def turn_coordinator(*, lag_s: float = 0.3, cant_deg: float = 30.0, ball_lag_s: float = 0.3) -> Instrument:
    """Rate of turn as a canted rate gyro shows it, deg/s, and the ball where its reading is there.

    The gimbal is tilted by `cant_deg` (0 to 60; about 30, FAA-H-8083-15), so that the gyro feels yaw x
    cos(cant) + roll x sin(cant). The face is graduated in steady turns, where nothing rolls; so it
    shows turn rate + roll rate x tan(cant): a roll into a turn is seen before the nose has swung.
    `lag_s` damps the gyro, `ball_lag_s` the ball (both 0.3 s: common practice, no source).
    """
    return TurnCoordinator(lag_s, cant_deg, ball_lag_s)


def ball(*, lag_s: float = 0.3) -> Instrument:
    """Slip, degrees of arc, damped by the liquid in the tube (0.3 s: common practice, no source)."""
    return Instrument(("slip",), lag_s)


def heading(*, north: str = "magnetic", lag_s: float = 0.0) -> Instrument:
    """Heading, degrees clockwise from `north`: "magnetic" or "true".

    Raises ValueError for another.
    """
    if north not in ("magnetic", "true"):
        raise ValueError(f"north '{north}' is neither 'magnetic' nor 'true'")
    return Instrument((f"heading_{north}",), lag_s)


def attitude(*, lag_s: float = 0.0) -> Instrument:
    """Pitch and bank, degrees."""
    return Instrument(("pitch", "bank"), lag_s)


def gauge(
    *, quantity: str, second_quantity: str = "", lag_s: float = 0.0, catalogue: Catalogue = CATALOGUE
) -> Instrument:
    """Any one `quantity` of the catalogue, in its unit, or two of them on one face.

    Of two each is shown while it is there, whatever becomes of the other. Pass the panel's own catalogue for
    declared quantities.
    """
    if not second_quantity:
        return Instrument((quantity,), lag_s, catalogue)
    both = Instrument((quantity, second_quantity), lag_s, catalogue)
    both.needs, both.uses = (), both.indications
    return both


def flag(
    *, when: str, hysteresis: float = 0.0, delay_s: float = 0.0, catalogue: Catalogue = CATALOGUE
) -> Instrument:
    """A flag that a servo or another drive moves: 1, in sight, while the condition `when` holds, else 0.

    As in "suction < 4.5 inHg", with `hysteresis` in its unit and `delay_s` (0 to 60); see `parse_condition`.
    """
    _within("hysteresis", hysteresis, 0.0, math.inf)
    return Flag(parse_condition(when, hysteresis, _within("delay_s", delay_s, 0.0, 60.0), catalogue))


Maker = Callable[..., Instrument]

OPTIONS: Mapping[str, str] = {
    "lag_s": "time constant with which it follows, s, 0 to 60",
    "cant_deg": "tilt of the gyro's gimbal, degrees, 0 to 60",
    "ball_lag_s": "time constant with which the ball follows, s, 0 to 60",
    "north": '"magnetic" or "true"',
    "quantity": "what it shows, a quantity",
    "when": "condition while which a flag is in sight, a quantity, < or >, and a limit",
    "hysteresis": "how far its reading must be back over the limit, in the unit of the condition, 0 or more",
    "delay_s": "for how long the condition must have changed, s, 0 to 60",
    "second_quantity": "what another pointer on the same face shows",
}
"""What each option means."""

INSTRUMENTS: Mapping[str, Maker] = {
    "altimeter": altimeter,
    "airspeed": airspeed,
    "vertical_speed": vertical_speed,
    "turn_coordinator": turn_coordinator,
    "turn_indicator": turn_indicator,
    "ball": ball,
    "heading": heading,
    "attitude": attitude,
    "gauge": gauge,
    "flag": flag,
}


def options(kind: str) -> tuple[str, ...]:
    """The options that this kind of instrument takes; raises KeyError for an unknown kind."""
    return tuple(name for name in inspect.signature(INSTRUMENTS[kind]).parameters if name != "catalogue")


def make_instrument(kind: str, chosen: Mapping[str, object], catalogue: Catalogue = CATALOGUE) -> Instrument:
    """A fresh instrument of this kind with the chosen options.

    Raises KeyError for an unknown kind, ValueError for an option that the kind does not take, that it
    needs and lacks, or whose value is wrong.
    """
    maker = INSTRUMENTS[kind]
    known = options(kind)
    for name in chosen:
        if name not in known:
            raise ValueError(f"option '{name}' is unknown; the options of {kind} are {', '.join(known)}")
    parameters = inspect.signature(maker).parameters
    for name, value in chosen.items():
        expected, kinds = (
            ("a name", (str,)) if parameters[name].annotation == "str" else ("a number", (int, float))
        )
        if not isinstance(value, kinds) or isinstance(value, bool):
            raise ValueError(f"option '{name}' is {value!r}; {expected} is needed")
    for name in known:
        if name not in chosen and parameters[name].default is inspect.Parameter.empty:
            raise ValueError(f"option '{name}' is missing; {kind} needs it")
    declared = {"catalogue": catalogue} if "catalogue" in parameters else {}
    return maker(**chosen, **declared)
