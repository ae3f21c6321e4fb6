"""What the builder has on the bench: motors, drives, boards, their channels and inputs."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from typing import Annotated, Literal

from pydantic import AfterValidator, BeforeValidator, Field, WithJsonSchema, field_validator, model_validator

from bridge.description import MistakeError, StrictModel
from bridge.mqtt.topics import is_topic
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


_RATIO_SCHEMA = {"anyOf": [{"type": "string"}, {"type": "number", "exclusiveMinimum": 0}]}
Ratio = Annotated[Fraction, BeforeValidator(parse_ratio), WithJsonSchema(_RATIO_SCHEMA)]
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
    """What it is called in findings and parts lists, as in `"small geared stepper"`."""
    kind: Literal["unipolar", "bipolar", "gauge_stepper", "servo", "continuous_servo"]
    """What switches its coils: two or one winding a pole, or the pulse of a servo."""
    source: str
    """Where its numbers come from, as in `"data sheet"`."""
    rotor_steps_per_turn: Annotated[int, Field(gt=0)] | None = None
    """Full steps for a turn of the rotor; a stepper needs it, as in `48`."""
    gear_train: tuple[Ratio, ...] = ()
    """Turns of the rotor for one of the output shaft, stage by stage, as in `["32/9", "22/11"]`."""
    travel_deg: Positive | None = None
    """From stop to stop, or between the two pulses of a servo, as in `315`."""
    voltage_v: Positive | None = None
    """Rated voltage of a coil, or of a servo, as in `5`."""
    coil_resistance_ohm: Positive | None = None
    """Of one coil, as in `50`."""
    current_a: Positive | None = None
    """Rated current of one coil; of a servo the stalled one, as in `0.1`."""
    holding_torque_mnm: NotNegative | None = None
    """With current, standing, as in `34`."""
    detent_torque_mnm: NotNegative = 0.0
    """Without current, as in `5`."""
    torque_curve: tuple[tuple[NotNegative, NotNegative], ...] = ()
    """Pull-out torque against full steps/s of the rotor, as in `[[60, 34], [300, 17], [500, 0]]`."""
    pull_in_steps_s: Positive | None = None
    """The rate, in full steps, at which it starts and stops without losing steps, as in `300`."""
    rotor_inertia_g_cm2: NotNegative = 0.0
    """Of the rotor, as in `15`."""
    backlash_deg: NotNegative = 0.0
    """Of its own gears, at the output shaft, as in `1.5`."""
    holds_without_current: bool = False
    """Whether a pointer stays where it is with the coils off."""
    pulse_low_us: Positive | None = None
    """Of a servo, at the counter-clockwise end of its travel, as in `500`."""
    pulse_high_us: Positive | None = None
    """Of a servo, at the other end, as in `2400`."""
    speed_deg_s: Positive | None = None
    """Of a servo without load, as in `600`."""
    torque_mnm: Positive | None = None
    """Of a servo, stalled, as in `176`."""
    dead_band_us: NotNegative = 0.0
    """Of a servo: a smaller change of pulse does not move it, as in `10`."""
    speed_tolerance: NotNegative | None = None
    """Of a continuous servo: how far its speed may be off, a share of the whole, as in `0.05`."""

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
    """A motor behind a gear train, and how hard it may be driven."""

    motor: str
    """A motor of the catalogue or under `[motors]`, as in `"gauge-stepper-315"`."""
    microsteps: Literal[1, 2, 4, 8, 16, 32] = 1
    """Commanded steps for a full step; half steps are 2."""
    gear_train: tuple[Ratio, ...] = ()
    """Turns of the motor's shaft for one of the pointer, stage by stage, as in `["60/20"]`."""
    speed_steps_s: Positive
    """The most that it may be driven, in commanded steps (a servo's are microseconds), as in `900`."""
    acceleration_steps_s2: Positive
    """The most that its speed may change, in commanded steps, as in `4000`."""
    backlash_deg: NotNegative = 0.0
    """Of the gears behind the motor, at the pointer, as in `0.5`."""
    hair_spring: bool = False
    """Whether a spring takes the backlash up."""


class Sensor(StrictModel):
    """An end stop: its pin and the level that means 'here'."""

    pin: str
    """As printed on the board, as in `"A0"`."""
    active: Literal["low", "high"] = "low"
    """The level at the pin while it is met."""


class IndexSensor(Sensor):
    """An index sensor."""

    arbor: str | None = None
    """The geared pointer whose arbor has the mark, else the driven one, as in `"thousands"`."""


class Channel(StrictModel):
    """One driver output of a board.

    `pins`: step_dir takes step, direction and optionally enable; four_wire and gauge_stepper take four;
    servo one.
    `reversed`: driven forward (coils in the order of their pins, direction pin high, longer pulse) the motor
    turns the pointer counter-clockwise. A rising position is clockwise on the face either way.
    (The same words in bridge/firmware/core/board.h.)
    """

    output: Literal["step_dir", "four_wire", "gauge_stepper", "servo"]
    """How the motor is connected: a driver with step and direction, four coils, a gauge stepper, a servo."""
    pins: tuple[str, ...] = ()
    """As printed on the board, in the order of the output's wires, as in `["D2", "D3", "D4", "D5"]`."""
    reversed: bool = False
    """Whether the motor, driven forward, turns the pointer counter-clockwise."""
    homing: Literal["index", "stop", "sweep", "last"] = "last"
    """How its place is found: index mark, end stop, driven against the motor's stop, or as it was left."""
    index: IndexSensor | None = None
    """The index sensor, as in `{ pin = "A0" }`."""
    stop: Sensor | None = None
    """The end stop, as in `{ pin = "A1", active = "high" }`."""

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
    """A rotary encoder with two phases, or a push button."""
    pins: tuple[str, ...] = ()
    """As printed on the board, as in `["A3", "A4"]`."""


@dataclass(frozen=True, slots=True)
class LinkKind:
    """What a kind of link means for its board: `reached_by` are the keys that name the way to it, the first
    of which no two boards of this kind may share and `needed` ones must be written."""

    is_real: bool
    reached_by: tuple[str, ...] = ()
    needed: tuple[str, ...] = ()
    over_broker: bool = False


LINK_KINDS: Mapping[str, LinkKind] = {
    "virtual": LinkKind(is_real=False),
    "serial": LinkKind(is_real=True, reached_by=("port", "baud"), needed=("port",)),
    "mqtt": LinkKind(is_real=True, reached_by=("topic",), over_broker=True),
}
"""Every kind that `BoardDescription.link` allows; how each is made is in `bridge.flight.links`."""


class Led(StrictModel):
    """Light-emitting diodes behind one pin: `strings` side by side, each with its resistor."""

    forward_v: Positive
    """Of one diode at its current, by its data sheet (some 2 V red, 3 V white), as in `2.0`."""
    current_a: Positive
    """Wanted through each string, as in `0.01`."""
    in_series: Annotated[int, Field(ge=1, le=100)] = 1
    """Diodes one behind the other in each string."""
    strings: Annotated[int, Field(ge=1, le=100)] = 1
    """Strings side by side, each with a resistor of its own."""


class Coil(StrictModel):
    """The magnet of a flag, or a relay's coil."""

    resistance_ohm: Positive
    """Of its winding, as in `120`."""


class LampOutput(StrictModel):
    """One lamp output of a board: diodes, or a coil that moves a flag, at one pin. High is on."""

    pin: str
    """As printed on the board, as in `"D6"`."""
    output: Literal["switched", "dimmed"] = "switched"
    """Whether it is on or off, at any pin, or dimmed by a timer's pulses, at a pin that has one."""
    supply: Literal["board", "motors"] = "board"
    """What feeds it: the board's own 5 V, or the motors' supply."""
    led: Led | None = None
    """The diodes, as in `{ forward_v = 2.0, current_a = 0.01 }`."""
    coil: Coil | None = None
    """The coil, as in `{ resistance_ohm = 120 }`."""

    @model_validator(mode="after")
    def _one_load(self) -> LampOutput:
        if (self.led is None) == (self.coil is None):
            found = "neither led nor coil" if self.led is None else "both led and coil"
            raise MistakeError(found, "what is lit or moved, led or coil", "Describe one of the two")
        if self.coil is not None and self.output == "dimmed":
            raise MistakeError("a dimmed coil", 'output = "switched"', "A flag is in sight or not: switch it")
        return self


class BoardDescription(StrictModel):
    """One microcontroller board: how it is reached and what hangs on it."""

    link: Literal["virtual", "serial", "mqtt"] = "virtual"
    """A virtual one needs no hardware; a real one is on a serial port, or behind a relay at the broker."""
    port: str | None = None
    """Where a real one is, at this machine or at its relay's, as in `"/dev/ttyUSB0"`."""
    baud: Annotated[int, Field(ge=9600, le=2_000_000)] = 115_200
    """Of the serial line, in bits a second."""
    topic: str | None = None
    """Of one over MQTT, a single level below the broker's `prefix`; the board's own name where none is
    written, as in `"left"`."""
    part: str = "atmega328p"
    """Its microcontroller."""
    id: Annotated[str, Field(pattern="^[0-9a-f]{16}$")] | None = None
    """As `firmware` prints it, so that two boards can't be mixed up, as in `"0123456789abcdef"`."""
    watchdog_ms: Annotated[int, Field(ge=100, le=10_000)] = 500
    """So long without a frame, and the board stops its pointers by itself."""
    supply_v: Positive = 5.0
    """Of the motors on it."""
    supply_a: Positive | None = None
    """The most that the motors' supply gives, as in `2`."""
    channels: dict[Annotated[int, Field(ge=0, le=11)], Channel]
    """Driver outputs by number from 0, as in `{ 0 = { output = "servo", pins = ["D9"] } }`."""
    lamps: dict[Annotated[int, Field(ge=0, le=15)], LampOutput] = {}
    """Lamp outputs by number from 0, as in `{ 0 = { pin = "D6", output = "dimmed", led = { forward_v = 3.1,
    current_a = 0.01 } } }`."""
    inputs: dict[Annotated[int, Field(ge=0, le=7)], Input] = {}
    """Knobs and buttons by number from 0, as in `{ 0 = { kind = "encoder", pins = ["A3", "A4"] } }`."""

    @property
    def is_virtual(self) -> bool:
        """Whether no hardware is behind it."""
        return not self.kind.is_real

    @property
    def kind(self) -> LinkKind:
        """What its kind of link means."""
        return LINK_KINDS[self.link]

    @property
    def reached(self) -> tuple[object, ...]:
        """The way to it: boards that differ in nothing of it are the same one."""
        return (self.link, *(getattr(self, key) for key in self.kind.reached_by))

    @field_validator("topic")
    @classmethod
    def _one_level(cls, value: str | None) -> str | None:
        if value is not None and ("/" in value or not is_topic(value)):
            expected = "letters, digits, . _ and -, beginning with a letter or digit"
            raise MistakeError(repr(value), expected, "Rename it")
        return value

    @model_validator(mode="after")
    def _reachable(self) -> BoardDescription:
        if any(getattr(self, key) is None for key in self.kind.needed):
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
        if sorted(self.lamps) != list(range(len(self.lamps))):
            raise MistakeError(f"lamps {sorted(self.lamps)}", "lamps 0, 1, 2 ... without a gap", "Renumber")
        return self
