"""The tables of a wiring sheet as rows of text, the same for HTML and PDF."""

from __future__ import annotations

from dataclasses import dataclass

from bridge.wiring import devices
from bridge.wiring.sheet import SUPPLY, BoardSheet, Wire

_MEANING = {
    "signal": "signal",
    "coil": "coil of the motor",
    "lamp": "lamp or flag",
    "motor +": "motor supply, after the fuse",
    "logic +": "logic supply",
    "ground": "ground",
}


@dataclass(frozen=True, slots=True)
class Table:
    """A titled table; every row has as many cells as the head."""

    title: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


def tables(sheet: BoardSheet) -> tuple[Table, ...]:
    """Connections, parts, power and mounting of one board."""
    return _connections(sheet), _parts(sheet), _power(sheet), _mounting(sheet)


def amps(value: float) -> str:
    """A current as a builder reads it: in milliamperes below one ampere."""
    return f"{value:.2f} A" if value >= 1.0 else f"{value * 1000:.0f} mA"


def _connections(sheet: BoardSheet) -> Table:
    rows = tuple(
        (
            wire.start,
            wire.start_terminal,
            wire.end,
            wire.end_terminal,
            wire.colour,
            amps(wire.current_a),
            devices.wire_size(_sized_for_a(sheet, wire)),
            _MEANING[wire.carries],
        )
        for wire in sheet.wires
    )
    head = ("from", "pin", "to", "terminal", "colour", "at most", "wire", "carries")
    return Table("Connections", head, rows)


def _sized_for_a(sheet: BoardSheet, wire: Wire) -> float:
    """A wire from the motor supply must outlast a short until the fuse blows, whatever its motor draws."""
    return max(wire.current_a, sheet.needed_a) if wire.start == SUPPLY else wire.current_a


def _parts(sheet: BoardSheet) -> Table:
    return Table("Parts", ("part", "pieces"), tuple((part, str(count)) for part, count in sheet.parts))


def _mounting(sheet: BoardSheet) -> Table:
    rows = tuple((mount.what, mount.where, mount.how) for mount in sheet.mounts)
    return Table("Mounting", ("what", "where", "how it is set"), rows)


def _power(sheet: BoardSheet) -> Table:
    """Every load, the sum for each supply, and what to buy."""
    names = {"motors": "motor supply", "board": "board (USB)"}
    rows = [(load.name, names[load.supply], amps(load.current_a)) for load in sheet.loads]
    for supply in ("motors", "board"):
        total = sheet.total_a("motors" if supply == "motors" else "board")
        rows.append((f"all of it at once, {names[supply]}", names[supply], amps(total)))
    if sheet.total_a("motors"):
        rows.append(("supply and fuse to choose, a quarter above", names["motors"], f"{sheet.needed_a:g} A"))
    if sheet.supply_a is not None:
        rows.append(("the supply described", names["motors"], f"{sheet.supply_a:g} A"))
    rows.append(("what a USB 2.0 port supplies", names["board"], amps(devices.USB_A)))
    return Table("Power", ("what", "fed by", "at most"), tuple(rows))
