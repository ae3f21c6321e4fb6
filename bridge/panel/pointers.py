"""From the description's words to running pointers: exact drives and curves, mistakes noted."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from fractions import Fraction
from math import gcd, lcm
from pathlib import Path

from bridge.errors import BridgeError
from bridge.gauges.curve import Curve, CurveTurnsBackError
from bridge.gauges.drive import Drive
from bridge.gauges.pointer import Pointer
from bridge.panel.description import PanelDescription
from bridge.panel.gauge_description import CalibrationPoints, PointerDescription
from bridge.panel.hardware import Channel, DriveDescription, Motor
from bridge.panel.mistakes import Mistakes
from bridge.quantities.catalogue import Catalogue, Quantity
from bridge.quantities.units import make_conversion

_OUTPUTS = {  # channel outputs that can turn a motor of this kind
    "unipolar": ("four_wire", "step_dir"),
    "bipolar": ("step_dir",),
    "gauge_stepper": ("gauge_stepper", "step_dir"),
    "servo": ("servo",),
    "continuous_servo": ("servo",),
}

_SAME_DEG, _SAME_STEPS = 1e-6, 0.5
_SAME_SHARE = 1e-3  # of a range: its end may be written rounded, as that in radians is
LEAST_STEPS, MOST_STEPS = 4, 10_000_000
"""For a turn of a pointer: below, it points nowhere; above, no board makes them in any time."""
MOST_WRAP_STEPS = 2**30
"""A train's faces repeat within this: positions in frames have 32 bits."""
_ROOM_DEG = 10.0
"""How far beyond its scale a board lets a pointer whose motor has no stops, so that calibrating an end of the
scale needs no new firmware."""

Calibrations = Mapping[str, Mapping[str, CalibrationPoints]]
"""By gauge, then by pointer."""


class PointerBuilder:
    """Builds the pointers of one description; what can't be built is a noted mistake."""

    def __init__(
        self,
        description: PanelDescription,
        motors: Mapping[str, Motor],
        catalogue: Catalogue,
        folder: Path,
        mistakes: Mistakes,
    ) -> None:
        self.description = description
        self.motors = motors
        self.catalogue = catalogue
        self.folder = folder
        self.mistakes = mistakes

    def pointers(self, calibrations: Calibrations) -> Iterator[Pointer]:
        """Every pointer that can be built."""
        for gauge, described in self.description.gauges.items():
            for name, pointer in described.pointers.items():
                key = f"gauges.{gauge}.pointers.{name}"
                if pointer.indication not in self.catalogue:
                    continue  # reported where the instruments were checked
                quantity = self._quantity(key, pointer)
                if quantity is None:
                    continue
                self._divides(key, pointer, quantity)
                drive = self._drive(key, pointer)
                calibration = calibrations.get(gauge, {}).get(name)
                file = str(self.folder / described.calibration) if described.calibration else ""
                curves = self._curves(key, name, pointer, calibration, file, quantity.unit)
                if drive and curves:
                    yield self._pointer(gauge, name, pointer, drive, curves, quantity.unit)

    def _quantity(self, key: str, pointer: PointerDescription) -> Quantity | None:
        """What the pointer shows, in its unit; None (and the mistake noted) for a unit of something else."""
        quantity = self.catalogue[pointer.indication]
        try:
            return quantity.in_unit(pointer.unit or quantity.unit)
        except BridgeError as error:
            self.mistakes.wrong(f"{key}.unit", str(error), f"a unit like {quantity.unit}", "Change the unit")
            return None

    def _divides(self, key: str, pointer: PointerDescription, quantity: Quantity) -> None:
        """A quantity that wraps needs whole turns in its range, or the pointer leaps where it wraps; and a
        scale within it, or the pointer is at the other end where readings have wrapped."""
        if not quantity.circular:
            return
        if pointer.per_turn is None:
            slack = _SAME_SHARE * (quantity.high - quantity.low)
            lowest, highest = quantity.low - slack, quantity.high + slack
            outside = [reading for reading, _ in pointer.scale if not lowest <= reading <= highest]
            low, high = (f"{end:.12g}" for end in (quantity.low, quantity.high))
            if outside:
                self.mistakes.wrong(
                    f"{key}.scale",
                    f"{outside[0]:g} on the scale of {pointer.indication}, which wraps: no reading is "
                    f"outside {low} to {high} {quantity.unit}",
                    f"readings from {low} to {high}",
                    "Change the scale, or write kind = 'endless' with per_turn",
                )
            return
        span = quantity.high - quantity.low
        turns = span / pointer.per_turn
        if abs(turns - round(turns)) > 1e-9 or round(turns) < 1:
            self.mistakes.wrong(
                f"{key}.per_turn",
                f"{pointer.per_turn:.12g} {quantity.unit} a turn for {pointer.indication}, which wraps after "
                f"{span:.12g} {quantity.unit}",
                "a whole number of turns in that range",
                f"Write per_turn = {span:.12g}, or a whole part of it",
            )

    def _drive(self, key: str, pointer: PointerDescription) -> Drive | None:
        described = self.description.drives.get(pointer.drive)
        board = self.description.boards.get(pointer.board)
        if board is None:
            self.mistakes.unknown(f"{key}.board", "board", pointer.board, list(self.description.boards))
            return None
        channel = board.channels.get(pointer.channel)
        if channel is None:
            known = [str(number) for number in board.channels]
            self.mistakes.unknown(f"{key}.channel", "channel", str(pointer.channel), known)
            return None
        if described is None:
            self.mistakes.unknown(f"{key}.drive", "drive", pointer.drive, list(self.description.drives))
            return None
        motor = self.motors.get(described.motor)
        if motor is None:
            self.mistakes.unknown(
                f"drives.{pointer.drive}.motor", "motor", described.motor, list(self.motors)
            )
            return None
        if channel.output not in _OUTPUTS[motor.kind]:
            self.mistakes.wrong(
                f"boards.{pointer.board}.channels.{pointer.channel}.output",
                f"{channel.output} for {key}, whose motor is a {motor.kind}",
                " or ".join(_OUTPUTS[motor.kind]),
                "Change the output or the motor",
            )
            return None
        if motor.is_servo and described.microsteps != 1:
            self.mistakes.wrong(
                f"drives.{pointer.drive}.microsteps",
                f"{described.microsteps} microsteps for a {motor.kind}",
                "1, since a servo's step is a microsecond of pulse",
                "Leave microsteps out",
            )
            return None
        steps = motor.full_steps_per_turn * described.microsteps
        for ratio in described.gear_train:
            steps *= ratio
        if not LEAST_STEPS <= steps <= MOST_STEPS:
            self.mistakes.wrong(
                f"drives.{pointer.drive}",
                f"{float(steps):g} {'us of pulse' if motor.is_servo else 'steps'} for a turn of the pointer",
                f"{LEAST_STEPS:g} to {MOST_STEPS:g}",
                "Correct gear_train, or the motor's rotor steps or pulses",
            )
            return None
        low_steps, high_steps = _own_stops(motor, described, channel)
        return Drive(
            steps,
            described.speed_steps_s,
            described.acceleration_steps_s2,
            zero_steps=(motor.pulse_low_us or 0.0) if motor.is_servo else 0.0,
            low_steps=low_steps,
            high_steps=high_steps,
        )

    def _curves(
        self,
        key: str,
        name: str,
        pointer: PointerDescription,
        calibration: CalibrationPoints | None,
        file: str,
        unit: str,
    ) -> tuple[Curve, Curve, Curve] | None:
        """Face, rising and falling curve; None (and the mistakes noted) when one can't be made."""
        period = pointer.per_turn if pointer.kind == "endless" else None
        points = pointer.scale
        if period is not None:
            points = ((0.0, pointer.zero_deg), (period, pointer.zero_deg + 360.0))
        nominal = self._curve(self.mistakes.where, f"{key}.scale", list(points), period)
        if calibration is None:
            return (nominal, nominal, nominal) if nominal else None
        try:
            to_unit = make_conversion(calibration.unit, unit)
        except BridgeError as error:
            self.mistakes.wrong(f"{name}.unit", str(error), f"a unit like {unit}", "Change the unit", file)
            return None
        face_points = [(to_unit(point[0]), point[1]) for point in calibration.points]
        drive_points = [(to_unit(point[0]), point[-1]) for point in calibration.points]
        face = self._curve(file, f"{name}.points", face_points, period)
        rising = (
            face if drive_points == face_points else self._curve(file, f"{name}.points", drive_points, period)
        )
        falling = rising
        if calibration.falling:
            falling_points = [(to_unit(reading), angle) for reading, angle in calibration.falling]
            falling = self._curve(file, f"{name}.falling", falling_points, period)
        return (face, rising, falling) if face and rising and falling else None

    def _curve(
        self, where: str, key: str, points: list[tuple[float, float]], period: float | None
    ) -> Curve | None:
        try:
            return Curve(points, period)
        except CurveTurnsBackError as error:
            expected = "readings that rise, and angles that run one way"
            if period is not None:
                expected += f", over one whole turn of {period:g} and 360 degrees"
            self.mistakes.wrong(
                key, str(error), expected, "Measure that point again, or put the points in order", where
            )
            return None

    def _pointer(
        self,
        gauge: str,
        name: str,
        described: PointerDescription,
        drive: Drive,
        curves: tuple[Curve, Curve, Curve],
        unit: str,
    ) -> Pointer:
        face, rising, falling = curves
        key = f"gauges.{gauge}.pointers.{name}"
        low = high = None
        reach: tuple[float | None, float | None] = (None, None)
        if described.kind == "bounded":
            scale = (
                min(*rising.angles, *falling.angles),
                max(*rising.angles, *falling.angles),
            )
            ends = described.stops_deg or scale
            if min(ends) > min(scale) + _SAME_DEG or max(ends) < max(scale) - _SAME_DEG:
                self.mistakes.wrong(
                    f"{key}.stops_deg",
                    f"stops at {min(ends):g} and {max(ends):g} degrees",
                    f"stops outside the scale, {min(scale):g} to {max(scale):g} degrees",
                    "Move the stops outward, shorten the scale, or leave stops_deg out",
                )
            stops = sorted(drive.steps(end - described.home_deg) + drive.zero_steps for end in ends)
            if drive.low_steps is not None and drive.high_steps is not None:
                self._within_reach(key, described, drive, scale)
                low, high = max(stops[0], drive.low_steps), min(stops[1], drive.high_steps)
                # Stops that the builder writes are there for a reason; else the motor may use all of its own.
                reach = (low, high) if described.stops_deg else (drive.low_steps, drive.high_steps)
            else:
                # The home position, which counts as zero, is within reach: the pointer starts there.
                low, high = min(stops[0], 0.0), max(stops[1], 0.0)
                reach = (low, high)
                if not described.stops_deg:
                    reach = self._room(key, described, drive, face, low, high)
        own_unit = self.catalogue[described.indication].unit
        wrap_turns, mark_turns = self._turns(gauge, key, name, described, drive.steps_per_turn)
        return Pointer(
            gauge=gauge,
            name=name,
            indication=described.indication,
            unit=unit,
            endless=described.kind == "endless",
            face=face,
            rising=rising,
            falling=falling,
            drive=drive,
            board=described.board,
            channel=described.channel,
            home_deg=described.home_deg,
            low_steps=low,
            high_steps=high,
            park=described.park,
            reach_low_steps=reach[0],
            reach_high_steps=reach[1],
            wrap_turns=wrap_turns,
            mark_turns=mark_turns,
            conversion=None if unit == own_unit else make_conversion(own_unit, unit),
        )

    def _room(
        self, key: str, described: PointerDescription, drive: Drive, face: Curve, low: float, high: float
    ) -> tuple[float, float]:
        """The reach of a pointer whose motor has no stops: some room beyond the ends of its face.

        Of its face, which no calibration moves: a few degrees then need no new firmware. None beyond
        home where the scale begins there. A calibration that needs more is noted: the board, whose firmware
        has this reach, would be refused with all its pointers.
        """
        ends = (drive.steps(end - described.home_deg) for end in (face.angles[0], face.angles[-1]))
        first, last = sorted(ends)
        room = drive.steps(_ROOM_DEG)
        lowest, highest = min(first - room, 0.0), max(last + room, 0.0)
        if low < lowest - _SAME_STEPS or high > highest + _SAME_STEPS:
            needed, allowed = (
                [described.home_deg + drive.angle_deg(steps) for steps in two]
                for two in ((low, high), (lowest, highest))
            )
            self.mistakes.wrong(
                f"{key}.stops_deg",
                f"none, and a calibration from {needed[0]:g} to {needed[1]:g} degrees",
                f"{allowed[0]:g} to {allowed[1]:g} degrees, {_ROOM_DEG:g} beyond the face",
                "Measure that end again; if it is right, write stops_deg and flash the board again",
            )
        return (
            min(low, first - room) if first < -_SAME_STEPS else low,
            max(high, last + room) if last > _SAME_STEPS else high,
        )

    def _within_reach(
        self, key: str, described: PointerDescription, drive: Drive, scale: tuple[float, float]
    ) -> None:
        """Note a scale that the motor can't reach from its stop."""
        assert drive.low_steps is not None and drive.high_steps is not None
        needed = sorted(drive.steps(end - described.home_deg) + drive.zero_steps for end in scale)
        if needed[0] >= drive.low_steps - _SAME_STEPS and needed[1] <= drive.high_steps + _SAME_STEPS:
            return
        can_deg = drive.angle_deg(drive.high_steps - drive.low_steps)
        cure = "Shorten the scale, or gear the motor up"
        if scale[1] - scale[0] <= can_deg:
            first, last = scale[1] - can_deg, scale[0]
            cure = f"Write home_deg, the face angle at the motor's stop: {first:g} to {last:g} serves"
        servo = self.motors[self.description.drives[described.drive].motor].is_servo
        unit = "microseconds of pulse" if servo else "steps"
        self.mistakes.wrong(
            f"{key}.home_deg",
            f"a scale from {scale[0]:g} to {scale[1]:g} degrees, which takes {needed[0]:.0f} to "
            f"{needed[1]:.0f} {unit} of a motor that is at its stop at {described.home_deg:g} degrees",
            f"{drive.low_steps:g} to {drive.high_steps:g} {unit}, which the motor can do",
            cure,
        )

    def _turns(
        self, gauge: str, key: str, name: str, described: PointerDescription, steps_per_turn: Fraction
    ) -> tuple[Fraction, Fraction]:
        """Turns of this pointer after which all faces of its train repeat, and between two index marks."""
        geared = self.description.gauges[gauge]
        turns = {name: Fraction(1)} | {
            other: geared.turns_of_root(other) for other in geared.geared if geared.driven_by(other) == name
        }
        wrap = Fraction(1)
        for each in turns.values():
            wrap = Fraction(lcm(wrap.numerator, each.numerator), gcd(wrap.denominator, each.denominator))
        if wrap * steps_per_turn > MOST_WRAP_STEPS:
            self.mistakes.wrong(
                f"gauges.{gauge}.geared",
                f"wheels that bring all pointers back to the same place in {float(wrap):g} turns of {name}",
                f"at most {int(MOST_WRAP_STEPS / steps_per_turn)} turns",
                "Correct the gears, or give the slowest pointer a motor of its own",
            )
            return Fraction(1), Fraction(1)
        channel = self.description.boards[described.board].channels[described.channel]
        if channel.index is None:
            return wrap, Fraction(1)
        place = f"boards.{described.board}.channels.{described.channel}.index.arbor"
        arbor = channel.index.arbor or name
        if arbor not in turns:
            self.mistakes.unknown(place, "arbor", arbor, turns)
            return wrap, Fraction(1)
        mark = turns[arbor]
        if channel.homing == "index" and (mark / wrap).denominator != 1:
            slowest = max(turns, key=lambda other: turns[other])
            self.mistakes.wrong(
                place,
                f"a mark on the arbor of {arbor}, which passes {wrap / mark} times before all pointers of "
                f"{gauge} are at the same place again",
                "a mark that passes once in that time, so that homing finds the place of every pointer",
                f"Put the mark on the slowest arbor and write arbor = {slowest!r}, drive that arbor and gear "
                "the quick one up, or home by 'last'",
            )
        return wrap, mark


def _own_stops(
    motor: Motor, described: DriveDescription, channel: Channel
) -> tuple[float | None, float | None]:
    """The motor's own ends in steps from home, None where it has none or home is not at one of them."""
    if motor.is_servo:
        return motor.pulse_low_us, motor.pulse_high_us
    if motor.travel_deg is None or channel.homing not in ("sweep", "stop"):
        return None, None
    steps = motor.full_steps_per_turn * described.microsteps * Fraction(str(motor.travel_deg)) / 360
    return 0.0, float(steps)
