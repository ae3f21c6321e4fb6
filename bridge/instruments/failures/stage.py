"""The failures in force, and the readings as the instruments feel them.

Pure: times are seconds of the flight. With nothing in force the readings pass as they are, the same object.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from types import MappingProxyType

from bridge.errors import OutOfRangeError
from bridge.instruments import airdata
from bridge.instruments.airdata import PositionError
from bridge.instruments.derivation import Derivation, make_plan
from bridge.instruments.failures.compass import compass_heading_deg, deviation_deg, rule_dip_deg
from bridge.instruments.failures.gyros import (
    TURN_RUN_DOWN_S,
    AttitudeGyro,
    apparent_drift_deg_h,
    apparent_tilt_deg,
    dying_drift_deg_s,
    spin,
)
from bridge.instruments.failures.kinds import Failure
from bridge.instruments.failures.needle import StuckNeedle
from bridge.instruments.failures.pneumatic import PITOT_SIDE, STATIC_SIDE, Air, PitotStatic
from bridge.instruments.filters import Slope, difference
from bridge.quantities.catalogue import CATALOGUE, Catalogue

_FELT_BY = ("static_pressure", "impact_pressure", "true_airspeed", "turn_rate", "heading_true", "bank")
_AIR = frozenset({"cold_air", "position_error"})
_ALTITUDE = STATIC_SIDE | _AIR
_DYING = frozenset({"suction_lost", "attitude_not_erected"})
_ELECTRICAL = (
    "bus_voltage", "battery_current", "electrical_power",
    "fuel_quantity", "fuel_quantity_left", "fuel_quantity_right", "fuel_quantity_centre",
)  # fmt: skip
"""What falls to zero without current: the senders of fuel are electrical (common practice, no source)."""
IN_LINES = (
    "static_pressure", "pressure_altitude", "indicated_altitude", "vertical_speed",
    "impact_pressure", "calibrated_airspeed", "indicated_airspeed", "true_airspeed", "mach",
)  # fmt: skip
"""The readings that follow from the pressures in the lines of the pitot-static system."""
_FASTEST_FT_S = 4000.0
"""A line that is opened to another pressure jumps, and is no reposition."""
_SUCTION_S = 3.0
"""Time constant with which the suction falls (choice)."""

NEEDS: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        **dict.fromkeys(STATIC_SIDE | _AIR, ("static_pressure",)),
        **dict.fromkeys(PITOT_SIDE | {"pitot_drain_blocked"}, ("static_pressure", "impact_pressure")),
        "position_error": ("static_pressure", "impact_pressure"),
        "altimeter_misset": ("static_pressure",),
        "attitude_errors": ("true_airspeed", "turn_rate"),
    }
)
"""Readings without which a failure has no effect."""


class Failures:
    """What is in force on one panel, and what it has made so far.

    `had` names the readings that there are, `position_error` is the aircraft's airspeed calibration.
    """

    def __init__(
        self,
        had: Iterable[str] = (),
        position_error: PositionError | None = None,
        catalogue: Catalogue = CATALOGUE,
    ) -> None:
        self.in_force: Mapping[str, Failure] = MappingProxyType({})
        """By name; replaced on change."""
        self._since_s: dict[str, float] = {}
        self._needles: dict[str, StuckNeedle] = {}
        self.plan(had, position_error, catalogue)
        self.start_afresh()

    def plan(
        self,
        had: Iterable[str],
        position_error: PositionError | None = None,
        catalogue: Catalogue = CATALOGUE,
    ) -> None:
        """Readings are had in another way from now on."""
        self._catalogue = catalogue
        self._position_error = position_error
        plan = make_plan(had, _FELT_BY, catalogue, position_error)
        self.missing: Mapping[str, str] = plan.missing
        """What can't be had of the readings that failures rest on, and why."""
        self._truth: Derivation = plan.start()

    def start_afresh(self) -> None:
        """What comes next does not follow from what came before: forget all but what is in force."""
        self._last: tuple[float, Mapping[str, float]] | None = None
        self._lines = PitotStatic()
        self._air: Air | None = None
        self._climb: Slope | None = None
        self._faster: Slope | None = None
        self._acceleration_kt_s = 0.0
        self._errors = AttitudeGyro()
        self._dying = AttitudeGyro()
        self._rising: AttitudeGyro | None = None
        self._drift_deg = 0.0
        self._dying_drift_deg = 0.0
        for name in list(self._needles):
            self._needles[name] = self._needle(self.in_force[name])

    def lacks(self, failure: Failure) -> str:
        """Why this failure has no effect on this panel; "" where it has."""
        lacking = [self.missing[name] for name in NEEDS.get(failure.kind, ()) if name in self.missing]
        if failure.kind == "position_error" and self._position_error is None:
            lacking.append("the aircraft has no airspeed calibration (position_error under [aircraft])")
        return "; ".join(lacking)

    # -- switching --------------------------------------------------------------------------------

    def switch_on(self, time_s: float, failure: Failure) -> bool:
        """Put a failure in force, in place of one of its name; returns whether that changes anything."""
        if self.in_force.get(failure.name) == failure:
            return False
        self.undo(failure.name)
        self._since_s[failure.name] = time_s
        self.in_force = MappingProxyType({**self.in_force, failure.name: failure})
        if failure.pointer:
            self._needles[failure.name] = self._needle(failure)
        return True

    def undo(self, name: str) -> bool:
        """Take a failure out of force, as if it had never been; returns whether it was in force."""
        if name not in self.in_force:
            return False
        left = {other: failure for other, failure in self.in_force.items() if other != name}
        self.in_force = MappingProxyType(left)
        del self._since_s[name]
        self._needles.pop(name, None)
        if not left:
            last = self._last
            self.start_afresh()
            self._last = last
            return True
        # Each of these belongs to one system, and is forgotten with the last failure of it.
        self._lines.forget(left.keys())
        if name in _ALTITUDE:  # what the pressure does now is no climb
            self._climb, self._air = None, None
        if name == "attitude_not_erected":
            self._rising = None
        elif name == "attitude_errors":
            self._errors = AttitudeGyro()
        elif name == "heading_drift":
            self._drift_deg = 0.0
        elif name == "suction_lost":
            self._dying, self._dying_drift_deg = AttitudeGyro(), 0.0
        if not left.keys() & {"attitude_errors", "compass_errors"}:
            self._faster, self._acceleration_kt_s = None, 0.0
        return True

    def tap(self, pointer: str = "") -> None:
        """Tap the glass of this needle (gauge.pointer), or of all that stick."""
        for name, needle in self._needles.items():
            if not pointer or self.in_force[name].pointer == pointer:
                needle.tap()

    def _needle(self, failure: Failure) -> StuckNeedle:
        return StuckNeedle(failure.parameters.get("friction"))

    def show(self, pointer: str, indication: float, quantity: str) -> float:
        """What this needle (gauge.pointer) shows when its instrument has this indication."""
        needle = self._needles.get(f"needle_sticks {pointer}")
        return indication if needle is None else needle.show(indication, self._catalogue[quantity])

    # -- feeling ----------------------------------------------------------------------------------

    def feel(self, time_s: float, values: Mapping[str, float]) -> Mapping[str, float]:
        """The readings as instruments feel them at this time, of all true ones valid now.

        A reading that is not there is not felt either; one outside the range of a formula is dropped.
        """
        last, self._last = self._last, (time_s, values)
        if not self.in_force:
            self._air = None
            return values
        before_s, before = last or (time_s, values)
        if time_s < before_s:  # a late one: what it changes takes no time
            self._last = (before_s, values)
        if self._air is None:  # the first reading with a failure: the lines hold the air of the one before
            self._air = self._outside(self._truth.update(before_s, before))
        step = _Step(time_s, max(0.0, time_s - before_s), before_s, before, values, {}, dict(values))
        step.true.update(self._truth.update(time_s, values))
        kinds = self.in_force.keys()
        if "true_airspeed" in step.true and kinds & {"attitude_errors", "compass_errors"}:
            self._faster = self._faster or Slope(self._catalogue["true_airspeed"], 1.0, 50.0)
            self._acceleration_kt_s = self._faster(time_s, step.true["true_airspeed"]) or 0.0
        self._feel_air(step)
        self._feel_attitude(step)
        self._feel_heading(step)
        self._feel_power(step)
        return step.felt

    def _since(self, name: str, time_s: float) -> float:
        return max(0.0, time_s - self._since_s[name])

    def _feel_air(self, step: _Step) -> None:
        earlier, self._air = self._air, self._outside(step.true)
        kinds = self.in_force.keys()
        if self._air is None:
            return
        line = self._lines.feel(
            step.time_s, step.elapsed_s, earlier or self._air, self._air, self.in_force, self._since_s
        )
        altitude_ft = _within(airdata.pressure_altitude_ft, line.static_hpa)
        if kinds & _ALTITUDE:
            step.feel("static_pressure", line.static_hpa)
            step.feel("pressure_altitude", altitude_ft)
            step.feel("vertical_speed", self._climb_ft_min(step, altitude_ft, earlier))
        misset = self.in_force.get("altimeter_misset")
        setting_inhg = step.values.get("altimeter_setting")
        if misset and setting_inhg is not None:
            setting_inhg += misset.parameters["by_inhg"]
            step.feel("altimeter_setting", setting_inhg)
        if (kinds & _ALTITUDE or misset) and setting_inhg is not None:
            step.feel("indicated_altitude", _within(airdata.indicated_altitude_ft, altitude_ft, setting_inhg))
        if kinds & (_ALTITUDE | PITOT_SIDE) and line.total_hpa is not None:
            self._feel_speed(step, line.static_hpa, line.total_hpa - line.static_hpa)

    def _outside(self, true: Mapping[str, float]) -> Air | None:
        """The air at the openings, with the errors of cold air and of the port; None: not known."""
        static_hpa, impact_hpa = true.get("static_pressure"), true.get("impact_pressure")
        if static_hpa is None:
            return None
        cold, curve = self.in_force.get("cold_air"), self._position_error
        try:
            if cold:
                static_hpa = _cold_pressure_hpa(static_hpa, **cold.parameters)
            total_hpa = None if impact_hpa is None else static_hpa + impact_hpa
            if "position_error" in self.in_force and curve and impact_hpa is not None:
                indicated_kt = curve.indicated(airdata.calibrated_airspeed_kt(impact_hpa))
                # The aircraft is calibrated so: the port makes the whole difference (NASA RP-1046).
                static_hpa += impact_hpa - airdata.impact_pressure_hpa(indicated_kt)
        except OutOfRangeError:
            return None
        return Air(static_hpa, total_hpa)

    def _climb_ft_min(self, step: _Step, altitude_ft: float | None, earlier: Air | None) -> float | None:
        """What a vertical speed indicator on the static line feels."""
        if self._climb is None:
            self._climb = Slope(self._catalogue["pressure_altitude"], 0.5, _FASTEST_FT_S, 60.0)
            before_ft = _within(airdata.pressure_altitude_ft, earlier.static_hpa) if earlier else None
            if before_ft is not None:
                self._climb(step.before_s, before_ft)
        rate = None if altitude_ft is None else self._climb(step.time_s, altitude_ft)
        return step.values.get("vertical_speed") if rate is None else rate

    def _feel_speed(self, step: _Step, static_hpa: float, impact_hpa: float) -> None:
        step.feel("impact_pressure", impact_hpa)
        # The capsule of an airspeed indicator rests on its stop when the pressures are the wrong way round.
        pushing_hpa = max(0.0, impact_hpa)
        kt = _within(airdata.calibrated_airspeed_kt, pushing_hpa)
        calibrated_kt = indicated_kt = kt
        if self._position_error and kt is not None and pushing_hpa > 0.0:
            if "position_error" in self.in_force:  # the port's error is in the line
                calibrated_kt = self._position_error.calibrated(kt)
            else:
                indicated_kt = max(0.0, self._position_error.indicated(kt))
        step.feel("calibrated_airspeed", calibrated_kt)
        step.feel("indicated_airspeed", indicated_kt)
        felt_mach = _within(airdata.mach, pushing_hpa, static_hpa)
        step.feel("mach", felt_mach)
        true_mach = _within(airdata.mach, step.true.get("impact_pressure"), step.true.get("static_pressure"))
        # The air's speed of sound is what it was; without any flow there is nothing to take it from.
        if self.in_force.keys() & (STATIC_SIDE | PITOT_SIDE) and true_mach and "true_airspeed" in step.values:
            ratio = None if felt_mach is None else felt_mach / true_mach
            step.feel("true_airspeed", None if ratio is None else step.values["true_airspeed"] * ratio)

    def _feel_attitude(self, step: _Step) -> None:
        kinds = self.in_force.keys()
        if not kinds & (_DYING | {"attitude_errors"}):
            return
        turned_deg = self._turned_deg(step)
        if "attitude_errors" in kinds:
            self._errors.turn(turned_deg)
            self._errors.erect(step.elapsed_s, 1.0, *self._apparent_tilt_deg(step))
        left = spin(self._since("suction_lost", step.time_s)) if "suction_lost" in kinds else 1.0
        if "suction_lost" in kinds:
            self._dying.turn(turned_deg)
            self._dying.erect(step.elapsed_s, left)
            self._dying.fall(step.elapsed_s, left)
        start = self.in_force.get("attitude_not_erected")
        if start:
            self._rising = self._rising or AttitudeGyro(**start.parameters)
            self._rising.turn(turned_deg)
            self._rising.erect(step.elapsed_s, left)
        tilts = [tilt for tilt in (self._errors, self._dying, self._rising) if tilt]
        forward_deg = sum(tilt.forward_deg for tilt in tilts)
        right_deg = sum(tilt.right_deg for tilt in tilts)
        if "pitch" in step.values:
            step.feel("pitch", min(90.0, max(-90.0, step.values["pitch"] + forward_deg)))
        if "bank" in step.values:
            step.feel("bank", self._catalogue["bank"].wrap(step.values["bank"] - right_deg))

    def _turned_deg(self, step: _Step) -> float:
        for name in ("heading_magnetic", "heading_true"):
            if name in step.before and name in step.values:
                return difference(self._catalogue[name], step.values[name], step.before[name])
        return step.true.get("turn_rate", 0.0) * step.elapsed_s

    def _apparent_tilt_deg(self, step: _Step) -> tuple[float, float]:
        turn_rate, speed = step.true.get("turn_rate", 0.0), step.true.get("true_airspeed", 0.0)
        return apparent_tilt_deg(turn_rate, speed, self._acceleration_kt_s)

    def _feel_heading(self, step: _Step) -> None:
        drift = self.in_force.get("heading_drift")
        if drift:
            east = math.sin(math.radians(step.true.get("heading_true", 0.0)))
            rate = apparent_drift_deg_h(
                drift.parameters["latitude_deg"],
                step.true.get("true_airspeed", 0.0) * east,
                drift.parameters["nut_latitude_deg"],
            )
            self._drift_deg += rate / 3600.0 * step.elapsed_s
        if "suction_lost" in self.in_force:
            left = spin(self._since("suction_lost", step.time_s))
            self._dying_drift_deg += dying_drift_deg_s(left) * step.elapsed_s
        low_deg = self._drift_deg + self._dying_drift_deg
        if low_deg:
            for name in ("heading_magnetic", "heading_true"):
                if name in step.values:
                    step.feel(name, (step.values[name] - low_deg) % 360.0)
        compass, heading = self.in_force.get("compass_errors"), step.values.get("heading_magnetic")
        if compass and heading is not None:
            dip_deg = compass.parameters.get("dip_deg", rule_dip_deg(compass.parameters["latitude_deg"]))
            tipped_deg = apparent_tilt_deg(0.0, 0.0, self._acceleration_kt_s)[0]
            shown = compass_heading_deg(heading, step.values.get("bank", 0.0), tipped_deg, dip_deg)
            step.feel("compass_heading", (shown - deviation_deg(compass.deviation, heading)) % 360.0)

    def _feel_power(self, step: _Step) -> None:
        if "suction_lost" in self.in_force and "suction" in step.values:
            left = spin(self._since("suction_lost", step.time_s), _SUCTION_S)
            step.feel("suction", step.values["suction"] * left)
        if "electrical_lost" in self.in_force:
            left = spin(self._since("electrical_lost", step.time_s), TURN_RUN_DOWN_S)
            for name in ("turn_rate", "roll_rate"):
                step.feel(name, step.values.get(name, 0.0) * left)
            for name in _ELECTRICAL:
                step.feel(name, 0.0)


@dataclass(frozen=True, slots=True)
class _Step:
    """One reading on its way: the values before and now, the truth derived from them, what is felt."""

    time_s: float
    elapsed_s: float
    before_s: float
    before: Mapping[str, float]
    values: Mapping[str, float]
    true: dict[str, float]
    felt: dict[str, float]

    def feel(self, name: str, value: float | None) -> None:
        """Feel this instead of the true reading, if there is one; None drops it."""
        if name in self.values:
            if value is None:
                self.felt.pop(name, None)
            else:
                self.felt[name] = value


def _cold_pressure_hpa(static_hpa: float, deviation_k: float, station_ft: float) -> float:
    """The pressure at the same height in a column of air colder than standard by so much.

    Height above the station over that in standard air is as the mean temperatures of the columns (ICAO Doc
    8168, temperature correction). Raises OutOfRangeError outside the atmosphere.
    """
    height_ft = airdata.pressure_altitude_ft(static_hpa) - station_ft
    middle_k = airdata.standard_temperature_degc(station_ft + height_ft / 2.0) + 273.15
    return airdata.static_pressure_hpa(station_ft + height_ft * middle_k / (middle_k + deviation_k))


def _within(formula: Callable[..., float], *values: float | None) -> float | None:
    """The formula's result; None outside its range, or without a value."""
    if None in values:
        return None
    try:
        return formula(*values)
    except OutOfRangeError:
        return None
