"""The wiring of one board, worked out from the panel description: wires, parts to buy, power.

Pure: the tables and the drawing are made from this alone. Currents are the most that a wire may
carry: both coils of a stepper on, a servo stalled.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Literal

from bridge.hardware.microcontrollers import PARTS
from bridge.panel.description import PanelDescription
from bridge.panel.hardware import BoardDescription, Channel, Input, LampOutput, Motor
from bridge.wiring import devices
from bridge.wiring.lamps import (
    FLYBACK,
    GATE_OHM,
    PULL_DOWN_OHM,
    SWITCH,
    LampCircuit,
    lamp_circuit,
    ohm_words,
)
from bridge.wiring.mounting import Mount, mounts

BOARD = "board"
SUPPLY = "motor supply"
GROUND = "GND"

Carries = Literal["signal", "coil", "lamp", "motor +", "logic +", "ground"]


@dataclass(frozen=True, slots=True)
class Wire:
    """One wire, from a terminal to a terminal; `current_a` is the most it carries."""

    start: str
    start_terminal: str
    end: str
    end_terminal: str
    colour: str
    current_a: float
    carries: Carries


@dataclass(frozen=True, slots=True)
class SupplyLoad:
    """What one thing draws at most, and from which supply."""

    name: str
    supply: Literal["motors", "board"]
    current_a: float


@dataclass(frozen=True, slots=True)
class Block:
    """What hangs on one channel or input: the driver (None for a part on the pins) and the part."""

    driver: str | None
    part: str


@dataclass(frozen=True, slots=True)
class BoardSheet:
    """Everything on the sheet of one board. `supply_v` is the motor supply's voltage."""

    board: str
    part: str
    supply_v: float
    supply_a: float | None
    blocks: tuple[Block, ...]
    wires: tuple[Wire, ...]
    loads: tuple[SupplyLoad, ...]
    parts: tuple[tuple[str, int], ...]
    warnings: tuple[str, ...]
    mounts: tuple[Mount, ...] = ()

    def total_a(self, supply: Literal["motors", "board"]) -> float:
        """Sum of all that this supply feeds, all at once."""
        return sum(load.current_a for load in self.loads if load.supply == supply)

    @property
    def needed_a(self) -> float:
        """Rating of the motor supply to buy."""
        return devices.rating_a(self.total_a("motors"))


@dataclass(frozen=True, slots=True)
class _Pointer:
    name: str
    motor_name: str
    motor: Motor


def board_sheet(panel: PanelDescription, motors: Mapping[str, Motor], board: str) -> BoardSheet:
    """The sheet of one board of a checked description; `motors` is the catalogue."""
    return _Sheet(panel, motors, board).sheet()


def supply_current_a(motor: Motor) -> float:
    """The most that a motor draws: both coils of a stepper on at rated current, a servo stalled.

    A chopper driver draws less than this from a supply above the coils' voltage.
    """
    coil = coil_current_a(motor)
    return coil if motor.is_servo else 2 * coil


def coil_current_a(motor: Motor) -> float:
    """Rated current of a coil (by Ohm's law where none is given), or of a stalled servo; 0 if not known."""
    if motor.current_a is not None:
        return motor.current_a
    if motor.voltage_v and motor.coil_resistance_ohm:
        return motor.voltage_v / motor.coil_resistance_ohm
    return 0.0


def pin_currents_a(wires: Iterable[Wire]) -> Mapping[str, float]:
    """What each pin of the board supplies at most: all of a lamp's current, half of a coil's (two ends)."""
    shares = {"lamp": 1.0, "coil": 0.5}
    found: defaultdict[str, float] = defaultdict(float)
    for wire in wires:
        if wire.start == BOARD and wire.carries in shares:
            found[wire.start_terminal] += shares[wire.carries] * wire.current_a
    return found


class _Sheet:
    def __init__(self, panel: PanelDescription, motors: Mapping[str, Motor], board: str) -> None:
        self.name = board
        self.board: BoardDescription = panel.boards[board]
        self.part = PARTS[self.board.part]
        self.pointers = dict(_pointers(panel, motors, board))
        self.lamps = {
            lamp.lamp: name.replace("_", " ") for name, lamp in panel.lamps.items() if lamp.board == board
        }
        self.mounts = tuple(mounts(panel, board))
        self.wires: list[Wire] = []
        self.loads: list[SupplyLoad] = []
        self.blocks: list[Block] = []
        self.warnings: list[str] = []
        self.bought: Counter[str] = Counter()

    def sheet(self) -> BoardSheet:
        self.bought[f"microcontroller board ({self.part.name}) with its USB cable"] += 1
        self.loads.append(SupplyLoad("the board itself", "board", self.part.board_a))
        for number, channel in self.board.channels.items():
            self._channel(number, channel)
        for number, knob in self.board.inputs.items():
            self._input(number, knob)
        for number, lamp in self.board.lamps.items():
            self._lamp(number, lamp)
        self._supplies()
        return BoardSheet(
            self.name,
            self.part.name,
            self.board.supply_v,
            self.board.supply_a,
            tuple(self.blocks),
            tuple(self.wires),
            tuple(self.loads),
            tuple(sorted(self.bought.items())),
            tuple(self.warnings),
            self.mounts,
        )

    def _wire(
        self, start: tuple[str, str], end: tuple[str, str], colour: str, amps: float, carries: Carries
    ) -> None:
        self.wires.append(Wire(*start, *end, colour, amps, carries))

    def _signals(self, pins: tuple[str, ...], device: str, terminals: tuple[str, ...], amps: float) -> None:
        carries: Carries = "signal" if amps <= devices.LOGIC_A else "coil"
        for pin, terminal, colour in zip(pins, terminals, devices.SIGNAL_COLOURS, strict=False):
            self._wire((BOARD, pin), (device, terminal), colour, amps, carries)

    def _channel(self, number: int, channel: Channel) -> None:
        pointer = self.pointers.get(number)
        if pointer is None:
            self.warnings.append(
                f"channel {number} has no pointer: its pins are listed, its motor is unknown"
            )
            terminals = tuple(f"pin {i + 1}" for i in range(len(channel.pins)))
            self._signals(channel.pins, f"channel {number}", terminals, devices.LOGIC_A)
            self.blocks.append(Block(None, f"channel {number}"))
        else:
            self._motor(number, channel, pointer)
        for sensor, what in ((channel.index, "index sensor"), (channel.stop, "end stop")):
            if sensor:
                name = f"{what} {number}"
                self.bought[f"{what}, open-collector or switch, active {sensor.active}"] += 1
                self._small(name, (sensor.pin,), ("OUT",), devices.SENSOR_A, powered=True)

    def _motor(self, number: int, channel: Channel, pointer: _Pointer) -> None:
        motor, name = pointer.motor, f"{pointer.name} motor"
        driver = devices.DRIVERS[(channel.output, motor.kind)]
        coil, total = coil_current_a(motor), supply_current_a(motor)
        self.bought[f"{motor.name} ({pointer.motor_name})"] += 1
        self.bought.update(driver.extras or {})
        fed_by_motors = bool(driver.motor)
        self.loads.append(SupplyLoad(name, "motors" if fed_by_motors else "board", total))
        if not total:
            self.warnings.append(
                f"{pointer.name}: its current isn't known, so wires, fuse and supply lack it. "
                "Measure it and add current_a to the motor"
            )
        if driver.outputs:
            own = f"driver {number}"
            self.bought[driver.part] += 1
            self.blocks.append(Block(own, name))
            self._signals(channel.pins, own, driver.inputs, devices.LOGIC_A)
            leads = zip(driver.outputs, driver.leads, devices.SIGNAL_COLOURS, strict=False)
            for output, lead, colour in leads:
                self._wire((own, output), (name, lead), colour, coil, "coil")
            if driver.common:
                self._wire((SUPPLY, "+"), (name, driver.common), "red", total, "motor +")
                # The motor's current goes in by its common lead; the driver only clamps to this wire.
                self._wire((SUPPLY, "+"), (own, driver.motor), "red", 0.0, "motor +")
            else:
                self._wire((SUPPLY, "+"), (own, driver.motor), "red", total, "motor +")
            self._wire((SUPPLY, "-"), (own, GROUND), "black", total, "ground")
            if driver.logic:
                self._wire(
                    (BOARD, devices.logic_pin(self.part)),
                    (own, driver.logic),
                    "orange",
                    devices.LOGIC_A,
                    "logic +",
                )
                self.loads.append(SupplyLoad(f"logic of {own}", "board", devices.LOGIC_A))
        else:
            self.blocks.append(Block(None, name))
            self._signals(channel.pins, name, driver.inputs, devices.LOGIC_A if fed_by_motors else coil)
            most = self.part.pin_a
            if not fed_by_motors and coil > most:
                self.warnings.append(
                    f"{pointer.name}: a coil draws {coil * 1000:.0f} mA, a pin of the {self.part.name} "
                    f"drives {most * 1000:.0f} mA. Put a driver between them"
                )
            if fed_by_motors:
                self._wire((SUPPLY, "+"), (name, driver.motor), "red", total, "motor +")
                self._wire((SUPPLY, "-"), (name, GROUND), "black", total, "ground")
        self._voltage(pointer, fed_by_motors)

    def _voltage(self, pointer: _Pointer, fed_by_motors: bool) -> None:
        motor = pointer.motor
        given = self.board.supply_v if fed_by_motors else self.part.logic_v
        suitable = devices.suitable_v(motor)
        if suitable is None or suitable[0] <= given <= suitable[1]:
            return
        if motor.kind == "bipolar":
            why = f"a chopper driver wants a supply well above the coils' {motor.voltage_v:g} V; this one has"
        else:
            why = f"its motor is made for {motor.voltage_v:g} V, its supply has"
        self.warnings.append(f"{pointer.name}: {why} {given:g} V")

    def _input(self, number: int, knob: Input) -> None:
        name = f"{'knob' if knob.kind == 'encoder' else 'button'} {number}"
        self.bought["rotary encoder, quadrature outputs" if knob.kind == "encoder" else "push button"] += 1
        self._small(name, knob.pins, ("A", "B") if knob.kind == "encoder" else ("contact",), devices.KNOB_A)

    def _lamp(self, number: int, lamp: LampOutput) -> None:
        circuit = lamp_circuit(lamp, self.board, self.part)
        name = f"{'flag' if circuit.is_coil else 'lamp'} {self.lamps[number]}"
        supply: Literal["motors", "board"] = lamp.supply
        self.loads.append(SupplyLoad(name, supply, circuit.total_a))
        plus, minus = self._load(name, lamp, circuit)
        if not circuit.switched:
            self.blocks.append(Block(None, name))
            self._wire((BOARD, lamp.pin), (name, plus), devices.SIGNAL_COLOURS[0], circuit.total_a, "lamp")
            self._wire((BOARD, GROUND), (name, minus), "black", circuit.total_a, "ground")
            return
        own = f"switch {number}"
        self.bought[SWITCH] += 1
        self.bought[f"resistor {ohm_words(GATE_OHM)}, 0.25 W, pin to gate"] += 1
        self.bought[f"resistor {ohm_words(PULL_DOWN_OHM)}, 0.25 W, gate to ground"] += 1
        self.blocks.append(Block(own, name))
        gate = f"gate, {ohm_words(GATE_OHM)}"
        self._wire((BOARD, lamp.pin), (own, gate), devices.SIGNAL_COLOURS[0], devices.LOGIC_A, "signal")
        self._wire((own, "drain"), (name, minus), devices.SIGNAL_COLOURS[0], circuit.total_a, "lamp")
        if supply == "motors":
            self._wire((SUPPLY, "+"), (name, plus), "red", circuit.total_a, "motor +")
            self._wire((SUPPLY, "-"), (own, "source"), "black", circuit.total_a, "ground")
        else:
            logic = (BOARD, devices.logic_pin(self.part))
            self._wire(logic, (name, plus), "orange", circuit.total_a, "logic +")
            self._wire((BOARD, GROUND), (own, "source"), "black", circuit.total_a, "ground")

    def _load(self, name: str, lamp: LampOutput, circuit: LampCircuit) -> tuple[str, str]:
        """Buy what is lit or moved; returns its two terminals, the first with the resistor of each string."""
        if lamp.led is None:
            self.bought["flag magnet or relay, as described"] += 1
            self.bought[FLYBACK] += 1
            return "coil +", "coil -"
        led = lamp.led
        self.bought[f"light-emitting diode, {led.forward_v:g} V"] += led.strings * led.in_series
        if circuit.resistor_ohm is None:
            self.warnings.append(
                f"{name}: its diodes want {circuit.diodes_v:g} V and a resistor, its supply has "
                f"{circuit.supply_v:g} V"
            )
            return "+", "-"
        ohm = ohm_words(circuit.resistor_ohm)
        self.bought[f"resistor {ohm}, {circuit.resistor_w:g} W, for diodes"] += led.strings
        return f"+, {ohm}" if led.strings == 1 else f"+, {led.strings} x {ohm}", "-"

    def _small(
        self, name: str, pins: tuple[str, ...], terminals: tuple[str, ...], amps: float, powered: bool = False
    ) -> None:
        self.blocks.append(Block(None, name))
        self._signals(pins, name, terminals, devices.KNOB_A)
        if powered:
            self._wire((BOARD, devices.logic_pin(self.part)), (name, "VCC"), "orange", amps, "logic +")
        self._wire((BOARD, GROUND), (name, GROUND), "black", amps, "ground")
        self.loads.append(SupplyLoad(name, "board", amps))

    def _supplies(self) -> None:
        motors = sum(load.current_a for load in self.loads if load.supply == "motors")
        board = sum(load.current_a for load in self.loads if load.supply == "board")
        volts, given = self.board.supply_v, self.board.supply_a
        if motors:
            # Motor current returns by the drivers' own grounds; this one carries the signals back.
            signals = sum(wire.current_a for wire in self.wires if wire.carries == "signal")
            self._wire((SUPPLY, "-"), (BOARD, GROUND), "black", signals, "ground")
            rating = devices.rating_a(motors)
            self.bought[f"closed supply {volts:g} V, {rating:g} A or more, for the motors"] += 1
            self.bought[f"fuse {rating:g} A with holder, in the positive lead"] += 1
            if given is not None and not devices.suffices(given, motors):
                self.warnings.append(
                    f"the motor supply delivers {given:g} A; {motors:.2f} A with a quarter to spare are "
                    f"{devices.with_margin_a(motors):.2f} A"
                )
        pins = sum(pin_currents_a(self.wires).values())
        most = self.part.pins_a
        if pins * devices.MARGIN > most:
            self.warnings.append(
                f"coils and lamps straight on the board's pins draw {pins:.2f} A; all pins of a "
                f"{self.part.name} may carry {most:g} A, less a quarter. Give some of them a driver"
            )
        if board * devices.MARGIN > devices.USB_A:
            self.warnings.append(
                f"the board's own 5 V carry {board:.2f} A; a USB 2.0 port supplies {devices.USB_A:g} A, "
                "less a quarter to spare"
            )


def _pointers(
    panel: PanelDescription, motors: Mapping[str, Motor], board: str
) -> Iterator[tuple[int, _Pointer]]:
    for gauge, described in panel.gauges.items():
        for name, pointer in described.pointers.items():
            if pointer.board == board:
                motor = panel.drives[pointer.drive].motor
                label = f"{gauge} {name}".replace("_", " ")
                yield pointer.channel, _Pointer(label, motor, motors[motor])
