"""What the builder has on the bench: motors, drives, boards, their channels and inputs."""

from __future__ import annotations

import re
from fractions import Fraction
from typing import Annotated, Literal

from pydantic import AfterValidator, BeforeValidator, Field, model_validator

from bridge.description import MistakeError, StrictModel
from bridge.panel.names import PORTS, is_port

_RATIO = re.compile(r"\s*[+-]?[0-9]{1,9}(\.[0-9]{1,9})?(\s*/\s*[0-9]{1,9})?\s*")
MOST_RATIO = 10_000
"""One stage of a train gears by this much at most, up or down: what is beyond is mistyped."""
LEAST_POSITIVE, MOST_POSITIVE = 1e-9, 1e9


class GearRatio(Fraction):
    """An exact ratio that keeps the teeth of its two wheels, where it was written so: "50/10"."""

    __slots__ = ("teeth",)
    teeth: tuple[int, int] | None

    def __new__(cls, text: str) -> GearRatio:
        """Raises ValueError or ZeroDivisionError for what is no ratio."""
        over, _, under = text.partition("/")
        ratio = super().__new__(cls, Fraction(over.strip()) / Fraction(under.strip() or 1))
        ratio.teeth = (int(over), int(under)) if under and over.strip().isdigit() else None
        return ratio


def parse_ratio(value: object) -> Fraction:
    """An exact positive ratio written as "32/9", "12", 12 or 2.5 (a decimal is taken as written)."""
    try:
        if isinstance(value, bool) or not isinstance(value, str | int | float | Fraction):
            raise ValueError
        if not _RATIO.fullmatch(str(value)):
            raise ValueError
        ratio = GearRatio(str(value))
    except (ValueError, ZeroDivisionError):
        raise MistakeError(repr(value), 'a ratio such as "32/9" or 12', "Write teeth over teeth") from None
    if ratio <= 0:
        raise MistakeError(
            repr(value), "a ratio above zero", "A wheel has at least one tooth; a direction goes elsewhere"
        )
    if not Fraction(1, MOST_RATIO) <= ratio <= MOST_RATIO:
        expected = f"a ratio from 1/{MOST_RATIO} to {MOST_RATIO}"
        raise MistakeError(repr(value), expected, "Correct it, or write a train of several stages")
    return ratio


def _of_sensible_size(value: float) -> float:
    if not LEAST_POSITIVE <= value <= MOST_POSITIVE:
        expected = f"a number from {LEAST_POSITIVE:g} to {MOST_POSITIVE:g}"
        raise MistakeError(f"{value:g}", expected, "Look for a slip in it")
    return value


Ratio = Annotated[Fraction, BeforeValidator(parse_ratio)]
Positive = Annotated[float, Field(gt=0), AfterValidator(_of_sensible_size)]
MOST_DEGREES = 3600.0
Degrees = Annotated[float, Field(ge=-MOST_DEGREES, le=MOST_DEGREES)]
"""An angle on a face, ten turns either way at most."""
NotNegative = Annotated[float, Field(ge=0)]


class Motor(StrictModel):
    """One entry of the motor catalogue. Torques and backlash are those at the motor's output shaft.

    `torque_curve` is pull-out torque (mN·m) against rate in full steps/s of the rotor, falling. A servo
    turns by pulse width: `travel_deg` between `pulse_low_us` and `pulse_high_us`.
    """

    name: str
    kind: Literal["unipolar", "bipolar", "gauge_stepper", "servo", "continuous_servo"]
    source: str
    rotor_steps_per_turn: Annotated[int, Field(gt=0)] | None = None
    gear_train: tuple[Ratio, ...] = ()
    travel_deg: Positive | None = None
    voltage_v: Positive | None = None
    coil_resistance_ohm: Positive | None = None
    current_a: Positive | None = None
    holding_torque_mnm: NotNegative | None = None
    detent_torque_mnm: NotNegative = 0.0
    torque_curve: tuple[tuple[NotNegative, NotNegative], ...] = ()
    pull_in_steps_s: Positive | None = None
    rotor_inertia_g_cm2: NotNegative = 0.0
    backlash_deg: NotNegative = 0.0
    holds_without_current: bool = False
    pulse_low_us: Positive | None = None
    pulse_high_us: Positive | None = None
    speed_deg_s: Positive | None = None
    torque_mnm: Positive | None = None
    dead_band_us: NotNegative = 0.0
    speed_tolerance: NotNegative | None = None

    @property
    def is_servo(self) -> bool:
        """Whether a pulse drives it, not steps."""
        return self.kind in ("servo", "continuous_servo")

    @property
    def full_steps_per_turn(self) -> Fraction:
        """Exact full steps for a turn of the output shaft; microseconds of pulse for a servo."""
        if self.is_servo:
            assert self.pulse_low_us and self.pulse_high_us and self.travel_deg
            span_us = Fraction(str(self.pulse_high_us)) - Fraction(str(self.pulse_low_us))
            return span_us * 360 / Fraction(str(self.travel_deg))
        assert self.rotor_steps_per_turn
        steps = Fraction(self.rotor_steps_per_turn)
        for ratio in self.gear_train:
            steps *= ratio
        return steps

    @model_validator(mode="after")
    def _complete(self) -> Motor:
        needed = (
            ("travel_deg", "pulse_low_us", "pulse_high_us") if self.is_servo else ("rotor_steps_per_turn",)
        )
        lacking = [name for name in needed if getattr(self, name) is None]
        if lacking:
            raise MistakeError(
                "nothing", f"{', '.join(lacking)} for a {self.kind}", "Add it from the data sheet"
            )
        return self


class DriveDescription(StrictModel):
    """A motor behind a gear train, and how hard it may be driven.

    `gear_train`: motor-shaft turns for one turn of the pointer, stage by stage. Speed and acceleration
    are in commanded steps (microsteps when `microsteps` > 1; microseconds of pulse for a servo).
    """

    motor: str
    microsteps: Literal[1, 2, 4, 8, 16, 32] = 1
    gear_train: tuple[Ratio, ...] = ()
    speed_steps_s: Positive
    acceleration_steps_s2: Positive
    backlash_deg: NotNegative = 0.0
    hair_spring: bool = False


class Sensor(StrictModel):
    """An end stop: its pin and the level that means 'here'."""

    pin: str
    active: Literal["low", "high"] = "low"


class IndexSensor(Sensor):
    """An index sensor. `arbor` names the geared pointer whose arbor has the mark (or the driven one)."""

    arbor: str | None = None


class Channel(StrictModel):
    """One driver output of a board.

    `pins`: step_dir takes step, direction and optionally enable; four_wire and gauge_stepper take four;
    servo one.
    `reversed`: driven forward (coils in the order of their pins, direction pin high, longer pulse) the motor
    turns the pointer counter-clockwise. A rising position is clockwise on the face either way.
    (The same words in bridge/firmware/core/board.h.)
    """

    output: Literal["step_dir", "four_wire", "gauge_stepper", "servo"]
    pins: tuple[str, ...] = ()
    reversed: bool = False
    homing: Literal["index", "stop", "sweep", "last"] = "last"
    index: IndexSensor | None = None
    stop: Sensor | None = None

    @model_validator(mode="after")
    def _sensors(self) -> Channel:
        if self.homing == "index" and self.index is None:
            raise MistakeError(
                "homing by index without an index sensor", "index = { pin = ... }", "Name its pin"
            )
        if self.homing == "stop" and self.stop is None:
            raise MistakeError("homing by stop without an end stop", "stop = { pin = ... }", "Name its pin")
        return self


class Input(StrictModel):
    """A knob (rotary encoder with quadrature outputs) or a push button on a board."""

    kind: Literal["encoder", "button"]
    pins: tuple[str, ...] = ()


class BoardDescription(StrictModel):
    """One microcontroller board: how it is reached and what hangs on it."""

    link: Literal["virtual", "serial"] = "virtual"
    port: str | None = None
    baud: Annotated[int, Field(ge=9600, le=2_000_000)] = 115_200
    part: str = "atmega328p"
    id: Annotated[str, Field(pattern="^[0-9a-f]{16}$")] | None = None
    watchdog_ms: Annotated[int, Field(ge=100, le=10_000)] = 500
    supply_v: Positive = 5.0
    supply_a: Positive | None = None
    channels: dict[Annotated[int, Field(ge=0, le=11)], Channel]
    inputs: dict[Annotated[int, Field(ge=0, le=7)], Input] = {}

    @property
    def is_virtual(self) -> bool:
        """Whether no hardware is behind it."""
        return self.link == "virtual"

    @model_validator(mode="after")
    def _reachable(self) -> BoardDescription:
        if not self.is_virtual and not self.port:
            raise MistakeError("a real board without a port", f"a port, such as {PORTS}", "Name the port")
        if self.port is not None and not is_port(self.port):
            raise MistakeError(f"the port {self.port!r}", PORTS, "Name the port as the system does")
        if sorted(self.channels) != list(range(len(self.channels))):
            raise MistakeError(
                f"channels {sorted(self.channels)}", "channels 0, 1, 2 ... without a gap", "Renumber"
            )
        if sorted(self.inputs) != list(range(len(self.inputs))):
            raise MistakeError(
                f"inputs {sorted(self.inputs)}", "inputs 0, 1, 2 ... without a gap", "Renumber"
            )
        return self
