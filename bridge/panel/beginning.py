"""A panel to begin with: ready gauges on motors, spread over boards, as the text of a description.

Each pointer gets the output and the homing that suit its motor, gears where the motor's travel is too short,
and pins by the rules of `board_checks`. A board has motors of one supply voltage.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from math import ceil

from bridge.description import near
from bridge.errors import DescriptionError
from bridge.hardware.microcontrollers import DRIVEN_IN, PARTS, Microcontroller
from bridge.instruments.instruments import make_instrument
from bridge.panel.hardware import Motor
from bridge.panel.load import shipped_motors
from bridge.panel.ready_gauges import ready_gauge, ready_names
from bridge.quantities.catalogue import CATALOGUE

LISTEN = "127.0.0.1:58226"
PANEL_FILE, LAYOUT_FILE = "panel.toml", "simulator.toml"
DEFAULT_MOTORS = {"bounded": "gauge-stepper-315", "endless": "geared-unipolar-5v"}

_OUTPUTS = {
    "unipolar": "four_wire",
    "bipolar": "step_dir",
    "gauge_stepper": "gauge_stepper",
    "servo": "servo",
}
_PINS = {"four_wire": 4, "step_dir": 2, "gauge_stepper": 4, "servo": 1}
_LIMITS = {  # steps/s and steps/s2 that motors of the kind bear; microseconds for a servo
    "four_wire": (900, 4000),
    "step_dir": (1600, 8000),
    "gauge_stepper": (900, 6000),
    "servo": (2000, 20_000),
}
_STEP_DIR_MICROSTEPS, _LOGIC_V, _DRIVER_V = 8, 5.0, 12.0
_FINE_DEG = 0.5
"""A coarser step gets gears: a needle that moves by more is seen to."""
_OF_FASTEST = 0.9
"""Of the rate at which the motor has no torque left."""
_USB_A = 0.4  # a port of USB 2.0 feeds 0.5 A (its specification, from memory); the rest is for sensors
_BOARDS = ("main", "second", "third", "fourth", "fifth", "sixth", "seventh", "eighth")
_SPEEDS = "aircraft = { stall_clean_kt = 57, normal_operating_kt = 121, never_exceed_kt = 154 }   # your own"


@dataclass(slots=True)
class _Board:
    """One board as it fills up: its free pins, and the text of its channels."""

    name: str
    part: Microcontroller
    supply_v: float
    free: list[str] = field(default_factory=list)
    channels: list[str] = field(default_factory=list)
    taken_a: float = 0.0
    knob: list[str] = field(default_factory=list)

    def add(self, output: str, homing: str, pins_a: float) -> int | None:
        """The number of a new channel with pins of its own, None where they, channels or current run out.

        `pins_a` is what its motor takes from the board's own pins.
        """
        if self.part.board_a + self.taken_a + pins_a > _USB_A:
            return None
        servos = [pin for pin in self.free if pin in self.part.servo_pins]
        others = [pin for pin in self.free if pin not in self.part.servo_pins]
        wanted = servos if output == "servo" else [*others, *servos]
        pins = wanted[: _PINS[output]]
        left = [pin for pin in self.free if pin not in pins]
        sensed = homing in ("index", "stop")
        if (
            len(pins) < _PINS[output]
            or (sensed and not left)
            or len(self.channels) == self.part.most_channels
        ):
            return None
        words = [f'output = "{output}"', f"pins = {json.dumps(pins)}"]
        if homing:
            words.append(f'homing = "{homing}"')
        if sensed:
            words.append(f'{homing} = {{ pin = "{left.pop()}" }}')
        self.free = left
        self.taken_a += pins_a
        self.channels.append(f"{{ {', '.join(words)} }}")
        return len(self.channels) - 1


def begun(
    name: str,
    gauges: Sequence[tuple[str, str | None]],
    part: str,
    ports: Sequence[str] = (),
    *,
    knob: bool = False,
) -> dict[str, str]:
    """The files of a panel with these ready gauges, each with its motor (None: one that suits): names, texts.

    The first boards are at these serial `ports`, the others virtual; with `knob` one of them has a rotary
    encoder for the altimeter setting. Raises `DescriptionError` for a name that nothing has, for a motor that
    can't turn a gauge's pointer, and for more ports than boards.
    """
    if part not in PARTS:
        raise _wrong("--part", f"an unknown part {part!r}", "a known part", near(part, PARTS))
    boards: list[_Board] = []
    drives: dict[str, str] = {}
    texts = [text for gauge, motor in gauges for text in _gauge(gauge, motor, PARTS[part], boards, drives)]
    if len(ports) > len(boards):
        found = f"{len(ports)} ports for {len(boards)} board{'s' if len(boards) > 1 else ''}"
        raise _wrong("--port", found, "one for each board, or fewer", "Take some out")
    knob_board = _add_knob(boards) if knob else None
    setting = [f'altimeter_setting = {{ source = "knob", board = "{knob_board}" }}'] if knob_board else []
    head = [
        "# Ready gauges on your own motors. Every key: pointer-bridge check --reference",
        f"name = {json.dumps(name)}",
        *([_SPEEDS] if any("speeds" in ready_gauge(gauge).described["face"] for gauge, _ in gauges) else []),
        *setting,
        "",
        f"[[sources]]                        # what arrives there is described in {LAYOUT_FILE}",
        f'listen = "{LISTEN}"',
        f'layouts = ["{LAYOUT_FILE}"]',
    ]
    for drive, text in drives.items():
        head += ["", f"[drives.{drive}]", text]
    for number, board in enumerate(boards):
        later = '                      # later: link = "serial", port = "/dev/ttyUSB0"'
        at_port = [f'link = "serial"\nport = {json.dumps(ports[number])}'] if number < len(ports) else []
        head += ["", f"[boards.{board.name}]{'' if at_port else later}", *at_port]
        head.append(f'part = "{part}"')
        head += [f"supply_v = {board.supply_v:g}"] if board.supply_v != _LOGIC_V else []
        head += [f"channels.{channel} = {text}" for channel, text in enumerate(board.channels)]
        head += [f'inputs.0 = {{ kind = "encoder", pins = {json.dumps(board.knob)} }}'] if board.knob else []
    return {
        PANEL_FILE: "\n".join([*head, *texts]) + "\n",
        LAYOUT_FILE: _layout([gauge for gauge, _ in gauges]),
    }


def _gauge(
    gauge: str, motor_name: str | None, part: Microcontroller, boards: list[_Board], drives: dict[str, str]
) -> Iterator[str]:
    if gauge not in ready_names():
        raise _wrong(
            "--gauge", f"an unknown ready gauge {gauge!r}", "a ready gauge", near(gauge, ready_names())
        )
    yield from ("", f"[gauges.{gauge}]", f'like = "{gauge}"')
    motors = shipped_motors()
    for pointer, described in ready_gauge(gauge).described["pointers"].items():
        chosen = motor_name or DEFAULT_MOTORS[described["kind"]]
        if chosen not in motors:
            raise _wrong("--motor", f"an unknown motor {chosen!r}", "a known motor", near(chosen, motors))
        motor = motors[chosen]
        bounded = described["kind"] == "bounded"
        if not _turns(motor, bounded):
            fit = [name for name, each in motors.items() if _turns(each, bounded)]
            wanted = "a motor that knows its place" if bounded else "a motor that turns without end"
            raise _wrong("--motor", f"{chosen} for {gauge}", wanted, f"Choose one of {', '.join(fit)}")
        output = _OUTPUTS[motor.kind]
        angles = [angle for _, angle in described.get("scale", ())]
        times, home_deg = _reach(motor, min(angles), max(angles)) if bounded else (1, None)
        drive = chosen if times == 1 else f"{chosen}-times-{times}"
        drives.setdefault(drive, _drive(chosen, motor, output, times))
        pins_a = 2 * (motor.current_a or 0.0) if output == "gauge_stepper" else 0.0  # both of its coils
        board, channel = _place(
            output, _homing(motor, bounded), _supply_v(motor, output), pins_a, part, boards
        )
        home = f"home_deg = {home_deg:g}, " if home_deg is not None else ""
        yield f'pointers.{pointer} = {{ {home}drive = "{drive}", board = "{board}", channel = {channel} }}'


def _turns(motor: Motor, bounded: bool) -> bool:
    """Whether the motor can turn such a pointer: it knows its place, and an endless one has no stops."""
    return motor.kind in _OUTPUTS and (bounded or motor.travel_deg is None)


def _reach(motor: Motor, low_deg: float, high_deg: float) -> tuple[int, float]:
    """How many times gears must enlarge the motor's travel, and the face angle at its stop."""
    if motor.travel_deg is None:
        return 1, low_deg
    times = ceil((high_deg - low_deg) / motor.travel_deg)
    spare = times * motor.travel_deg - (high_deg - low_deg)
    return times, low_deg - spare // 2


def _drive(name: str, motor: Motor, output: str, times: int) -> str:
    speed, acceleration = _LIMITS[output]
    microsteps, _ = DRIVEN_IN.get(output, (_STEP_DIR_MICROSTEPS if output == "step_dir" else 1, ""))
    fastest = max((rate for rate, _ in motor.torque_curve), default=0.0)
    if fastest:
        speed = min(speed, int(_OF_FASTEST * fastest * microsteps))
    lines = [f'motor = "{name}"']
    lines += [f"microsteps = {microsteps}"] if microsteps != 1 else []
    turns = ceil(360 / (motor.full_steps_per_turn * microsteps) / Fraction(_FINE_DEG))
    if times > 1:
        lines.append(f'gear_train = ["1/{times}"]            # wheels turn the pointer {times} times as far')
    elif not motor.is_servo and turns > 1:
        lines.append(
            f'gear_train = ["{turns}/1"]            # {turns} turns of the motor turn the pointer once'
        )
    return "\n".join([*lines, f"speed_steps_s = {speed}", f"acceleration_steps_s2 = {acceleration}"])


def _homing(motor: Motor, bounded: bool) -> str:
    """A servo knows its place, a gauge stepper finds its own stop, others need a sensor."""
    if motor.is_servo:
        return ""
    return "sweep" if motor.travel_deg else "stop" if bounded else "index"


def _supply_v(motor: Motor, output: str) -> float:
    if output == "step_dir":
        return _DRIVER_V
    return max(_LOGIC_V, motor.voltage_v or _LOGIC_V)


def _place(
    output: str, homing: str, supply_v: float, pins_a: float, part: Microcontroller, boards: list[_Board]
) -> tuple[str, int]:
    """Board and channel: of the first board with room, else of a new one."""
    for board in boards:
        channel = board.add(output, homing, pins_a) if board.supply_v == supply_v else None
        if channel is not None:
            return board.name, channel
    number = len(boards)
    name = _BOARDS[number] if number < len(_BOARDS) else f"board{number + 1}"
    board = _Board(name, part, supply_v, [pin for pin in part.pins if pin not in part.serial_pins])
    boards.append(board)
    channel = board.add(output, homing, pins_a)
    assert channel is not None  # the smallest part has room for any one output
    return name, channel


def _add_knob(boards: Sequence[_Board]) -> str:
    """The name of the first board that has two pins left, which its encoder takes."""
    for board in boards:
        if len(board.free) >= 2:
            board.knob, board.free = board.free[-2:], board.free[:-2]
            return board.name
    cure = "Leave it out, and describe a board for it later"
    raise _wrong("--knob", "no board with two pins left", "two pins for a rotary encoder", cure)


def _layout(gauges: Sequence[str]) -> str:
    """A layout of words such as `pitch=2.5`, with all that these gauges need, to be changed or replaced."""
    needed: dict[str, None] = {}
    for gauge in gauges:
        described: Mapping[str, object] = ready_gauge(gauge).described
        options = described.get("options", {})
        assert isinstance(options, dict)
        instrument = make_instrument(str(described["instrument"]), options)
        needed |= dict.fromkeys((*instrument.needs, *instrument.uses))
    head = """\
# What the simulator sends: datagrams of words such as pitch=2.5 bank=-3, until you describe your own here.
# `pointer-bridge listen` shows what arrives; for other kinds: pointer-bridge check --reference
kind = "keyvalue"
separator = " "
"""
    fields = (
        f'\n[[fields]]\nquantity = "{name}"\nkey = "{name}"\nunit = "{CATALOGUE[name].unit}"\n'
        for name in needed
    )
    return head + "".join(fields)


def _wrong(option: str, found: str, expected: str, cure: str) -> DescriptionError:
    return DescriptionError("begin", option, found, expected, cure)
