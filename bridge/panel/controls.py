"""Controls and commands, checked and worked out."""

from __future__ import annotations

import ipaddress
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from bridge.description import MistakeError
from bridge.panel.control_description import COUNT, CommandDescription, ControlDescription, SentNumber
from bridge.panel.description import PanelDescription
from bridge.panel.mistakes import Mistakes
from bridge.quantities.catalogue import Catalogue, Quantity
from bridge.telemetry.conversion import TIME, make_measure, wrong_part
from bridge.telemetry.encoder import Encoder, Number

_COUNT = Quantity(COUNT, "1", -1e6, 1e6, "clicks or presses")


@dataclass(frozen=True, slots=True)
class Command:
    """One kind of datagram to a simulator. `interval_s` is between two of them at least."""

    name: str
    host: str
    port: int
    encoder: Encoder
    interval_s: float


@dataclass(frozen=True, slots=True)
class Control:
    """What a hand at this input does; `folder` is where a recording goes."""

    name: str
    described: ControlDescription
    folder: Path | None


def make_commands(
    description: PanelDescription, catalogue: Catalogue, mistakes: Mistakes
) -> dict[str, Command]:
    """The commands that are described rightly; what is wrong with the others is among the mistakes."""
    made = {}
    for name, described in description.commands.items():
        try:
            host, port = _address(described, description)
        except MistakeError as wrong:
            mistakes.wrong(f"commands.{name}.to", wrong.found, wrong.expected, wrong.cure)
            continue
        numbers = list(_numbers(f"commands.{name}", described.fields, catalogue, mistakes))
        encoder = Encoder(described.text, described.begins, described.byte_order, tuple(numbers))
        made[name] = Command(name, host, port, encoder, 1.0 / described.most_hz)
    return made


def _numbers(
    key: str, fields: tuple[SentNumber, ...], catalogue: Catalogue, mistakes: Mistakes
) -> Iterator[Number]:
    known = {**catalogue, COUNT: _COUNT}
    for i, field in enumerate(fields):
        try:
            if field.quantity == TIME:
                raise MistakeError("time", f"a quantity, or {COUNT}", "Take it out")
            measure = make_measure(field.quantity, field.unit, known, field.scale)
        except MistakeError as wrong:
            part = wrong_part(field.quantity, known)
            mistakes.wrong(f"{key}.fields.{i}.{part}", wrong.found, wrong.expected, wrong.cure)
            continue
        yield Number(measure, field.name or "", field.decimals, field.type or "")


def _address(described: CommandDescription, description: PanelDescription) -> tuple[str, int]:
    """Host and port; raises MistakeError for what is no address of one simulator."""
    host, _, port = described.to.rpartition(":")
    expected = 'address:port of one simulator, as in "127.0.0.1:58227"'
    try:
        address = ipaddress.ip_address(host.strip("[]"))
        number = int(port)
        if not 0 < number < 65_536 or not port.isascii():
            raise ValueError
    except ValueError:
        raise MistakeError(repr(described.to), expected, "Correct it") from None
    if address.is_multicast or address.is_unspecified or str(address) == "255.255.255.255":
        raise MistakeError(f"{address}, which is nobody's own", expected, "Name one machine")
    if not address.is_loopback and not described.beyond_this_machine:
        cure = "Write beyond_this_machine = true if that is meant"
        raise MistakeError(f"{address}, another machine", "an address of this machine", cure)
    if address.is_loopback and number in {s.port for s in description.sources if s.has_port}:
        cure = "Name the port on which the simulator listens"
        raise MistakeError(f"port {number}, on which this panel listens", "the simulator's port", cure)
    return str(address), number


def make_controls(
    description: PanelDescription, catalogue: Catalogue, folder: Path, mistakes: Mistakes
) -> tuple[Control, ...]:
    """The controls; what is wrong with them is among the mistakes."""
    made = []
    for name, described in description.controls.items():
        _check_input(f"controls.{name}", described, description, mistakes)
        _check_action(f"controls.{name}", described, description, catalogue, mistakes)
        made.append(Control(name, described, folder / described.record if described.record else None))
    return tuple(made)


def _check_input(
    key: str, described: ControlDescription, description: PanelDescription, mistakes: Mistakes
) -> None:
    board = description.boards.get(described.board)
    if board is None:
        mistakes.unknown(f"{key}.board", "board", described.board, description.boards)
        return
    kind = "encoder" if described.on == "turn" else "button"
    wired = board.inputs.get(described.input)
    if wired is None or wired.kind != kind:
        cure = f"Add boards.{described.board}.inputs.{described.input} with kind = '{kind}'"
        mistakes.wrong(f"{key}.input", f"input {described.input}", f"an input of kind '{kind}'", cure)


def _check_action(
    key: str,
    described: ControlDescription,
    description: PanelDescription,
    catalogue: Catalogue,
    mistakes: Mistakes,
) -> None:
    if described.send is not None and described.send not in description.commands:
        mistakes.unknown(f"{key}.send", "command", described.send, description.commands)
    quantity = described.quantity
    if quantity is not None and quantity not in catalogue:
        mistakes.unknown(f"{key}.quantity", "quantity", quantity, catalogue)
    elif quantity is not None and not described.send and not _is_own(quantity, description):
        cure = "Add send, or state it under [fixed]"
        mistakes.wrong(
            f"{key}.quantity", f"{quantity}, which telemetry has", "a command that asks for it", cure
        )
    setting = description.altimeter_setting
    knob = (setting.board, setting.input) if setting.source == "knob" else None
    if quantity is not None and described.on == "turn" and knob == (described.board, described.input):
        cure = "Leave quantity and by out: send alone tells what the knob has set"
        mistakes.wrong(f"{key}.quantity", "the knob that sets the altimeter already", "another knob", cure)
    switch = described.switch
    if switch is None:
        return
    gauge = description.gauges.get(switch.gauge)
    if gauge is None:
        mistakes.unknown(f"{key}.switch.gauge", "gauge", switch.gauge, description.gauges)
        return
    unknown = [name for name in switch.quantities if name not in catalogue]
    for name in unknown:
        mistakes.unknown(f"{key}.switch.quantities", "quantity", name, catalogue)
    shown = gauge.options.get("quantity")
    if shown not in switch.quantities:
        found = f"a gauge that shows {shown or 'no one quantity'}"
        cure = "Choose a gauge with the option quantity, and name that as well"
        mistakes.wrong(f"{key}.switch.quantities", found, "its own quantity among them", cure)
    elif not unknown and len({catalogue[name].unit for name in switch.quantities}) > 1:
        cure = "Switch between quantities of one unit: the face has one scale"
        mistakes.wrong(f"{key}.switch.quantities", "quantities of different units", "one unit", cure)


def _is_own(quantity: str, description: PanelDescription) -> bool:
    """Whether the panel has this reading itself, and not from telemetry."""
    knob = quantity == "altimeter_setting" and description.altimeter_setting.source != "telemetry"
    return knob or quantity in description.fixed
