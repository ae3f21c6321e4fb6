"""From the description's words to running pointers: exact drives and curves, mistakes noted."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path

from bridge.errors import BridgeError
from bridge.gauges.curve import Curve, CurveTurnsBackError
from bridge.gauges.drive import Drive
from bridge.gauges.pointer import Pointer
from bridge.panel.description import CalibrationPoints, PanelDescription, PointerDescription
from bridge.panel.hardware import Motor
from bridge.panel.mistakes import Mistakes
from bridge.quantities.catalogue import Catalogue
from bridge.quantities.units import make_conversion

_OUTPUTS = {  # channel outputs that can turn a motor of this kind
    "unipolar": ("four_wire", "step_dir"),
    "bipolar": ("step_dir",),
    "gauge_stepper": ("gauge_stepper", "step_dir"),
    "servo": ("servo",),
    "continuous_servo": ("servo",),
}

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
                    continue  # said where the instruments were checked
                drive = self._drive(key, pointer)
                calibration = calibrations.get(gauge, {}).get(name)
                file = str(self.folder / described.calibration) if described.calibration else ""
                unit = self.catalogue[pointer.indication].unit
                curves = self._curves(key, name, pointer, calibration, file, unit)
                if drive and curves:
                    yield self._pointer(gauge, name, pointer, drive, curves, unit)

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
        return Drive(
            steps,
            described.speed_steps_s,
            described.acceleration_steps_s2,
            zero_steps=(motor.pulse_low_us or 0.0) if motor.is_servo else 0.0,
            low_steps=motor.pulse_low_us if motor.is_servo else None,
            high_steps=motor.pulse_high_us if motor.is_servo else None,
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
        low, high = drive.low_steps, drive.high_steps
        if described.kind == "bounded":
            ends = described.stops_deg or (
                min(*rising.angles, *falling.angles),
                max(*rising.angles, *falling.angles),
            )
            stops = [drive.steps(end - described.home_deg) + drive.zero_steps for end in ends]
            if low is not None and high is not None and (min(stops) < low - 0.5 or max(stops) > high + 0.5):
                self.mistakes.wrong(
                    f"gauges.{gauge}.pointers.{name}.scale",
                    f"a scale that needs {min(stops):.0f} to {max(stops):.0f} microseconds of pulse",
                    f"{low:g} to {high:g} microseconds, which the servo can do",
                    "Shorten the scale, change home_deg, or gear the servo up",
                )
            if low is None or high is None:
                # The home position, which counts as zero, is within reach: the pointer starts there.
                low, high = min(*stops, 0.0), max(*stops, 0.0)
            else:
                low, high = max(low, min(stops)), min(high, max(stops))
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
        )
