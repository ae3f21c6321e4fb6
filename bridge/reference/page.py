"""The reference as a page in Markdown."""

from __future__ import annotations

import inspect
from collections.abc import Iterable, Iterator, Mapping

from pydantic import BaseModel

from bridge.hardware.microcontrollers import DRIVEN_IN, PARTS
from bridge.instruments.failures.kinds import KINDS as FAILURES
from bridge.instruments.instruments import INSTRUMENTS, OPTIONS, options
from bridge.panel.hardware import Motor
from bridge.panel.load import shipped_motors
from bridge.panel.ready_gauges import ready_gauge, ready_names
from bridge.quantities.catalogue import CATALOGUE
from bridge.quantities.units import UNITS
from bridge.reference.keys import FILES, Table, keys, tables

_HEAD = """\
# What may be written

Every table and key of the files that a person writes, and everything that they may name. Made from the
program itself by `pointer-bridge check --reference`; a test holds this page to it. Nothing here is for a real
aircraft.

Angles are degrees clockwise from 12 o'clock, places on a face millimetres right and up from its middle. A
key in **bold** must be there; one without a default may be left out. `NAME` is a name of your own. A reading
is in the unit of its quantity. `pointer-bridge check --schema panel` prints a JSON Schema for editors that
complete TOML; those of all files are in [schemas](schemas).
"""
_FILE_WORDS = {
    "panel": (
        "The panel description",
        """\
Named on the command line. A gauge that is `like` a [ready gauge](#ready-gauges) needs no key that the ready
one has; a list or a value replaces the ready one's, `false` takes a table of it out.""",
    ),
    "calibration": ("Calibration files", "A table for each pointer of the gauge, by its name."),
    "layout": ("Datagram layouts", "One of these, by its `kind`."),
    "log-layout": ("Log layouts", "What is in a flight log of another maker, by its `kind`."),
    "scenario": (
        "Scenarios",
        "Failures of instruments in one flight, for training: named by `--scenario` of `run` and `replay`.",
    ),
}


def page() -> str:
    """The whole page."""
    parts = [_HEAD]
    for file, (title, words) in _FILE_WORDS.items():
        parts.append(f"## {title}\n\n{words}\n")
        for model in FILES[file]:
            parts += _file(model, "NAME" if file == "calibration" else "")
    parts += [_failures(), _instruments(), _ready(), _quantities(), _units(), _motors(), _parts()]
    return "\n".join(parts)


def _file(model: type[BaseModel], place: str) -> Iterator[str]:
    for table in tables(model, place):
        yield _table(table)


def _place(place: str, model: type[BaseModel]) -> str:
    if place:
        return f"`[[{place[:-2]}]]`" if place.endswith("[]") else f"`[{place}]`"
    kind = next((key.example for key in keys(model) if key.name == "kind"), "")
    return f"`kind = {kind}`" if kind else "The file itself"


def _table(table: Table) -> str:
    named = [_place(place, table.model) for place in table.places]
    rows = (
        (
            f"**{key.name}**" if key.required else key.name,
            key.meaning,
            key.allowed,
            key.unit,
            f"`{key.default}`" if key.default else "",
            f"`{key.example}`" if key.example and key.example != key.default else "",
        )
        for key in table.keys
    )
    heads = ("key", "meaning", "value", "unit", "default", "example")
    return f"### {', '.join(named)}\n\n{table.meaning}\n\n{_rows(heads, rows)}"


def _rows(heads: Iterable[str], rows: Iterable[Iterable[str]]) -> str:
    names = list(heads)
    lines = [_row(names), _row("---" for _ in names), *map(_row, rows)]
    return "\n".join(lines) + "\n"


def _row(cells: Iterable[str]) -> str:
    return f"| {' | '.join(cell.replace('|', '/') for cell in cells)} |"


def _instruments() -> str:
    rows = []
    for name, maker in INSTRUMENTS.items():
        meaning = inspect.cleandoc(maker.__doc__ or "").partition("\n\n")[0].replace("\n", " ")
        parameters: Mapping[str, inspect.Parameter] = inspect.signature(maker).parameters
        chosen = []
        for option in options(name):
            default = parameters[option].default
            words = "must be there" if default is inspect.Parameter.empty else f"default {default!r}"
            chosen.append(f"`{option}`: {OPTIONS[option]} ({words.replace(chr(39), chr(34))})")
        rows.append((f"`{name}`", meaning, "; ".join(chosen)))
    return "## Instruments\n\n" + _rows(("instrument", "shows", "options"), rows)


def _failures() -> str:
    rows = []
    for kind in FAILURES.values():
        parameters = []
        for name, each in kind.parameters.items():
            range_ = f"{each.low:g} to {each.high:g} {each.unit}"
            default = "" if each.default is None else f"; default {each.default:g}"
            stated = "" if each.default is not None or each.optional else "; must be there"
            parameters.append(f"`{name}`: {each.meaning} ({range_}{default}{stated})")
        own = ["`pointer`: which needle (must be there)"] if kind.of_a_needle else []
        rows.append((f"`{kind.name}`", kind.meaning, ". ".join([*own, *parameters])))
    words = "A number marked (choice) is invented: no source states it.\n\n"
    return f"## Failures\n\n{words}" + _rows(("kind", "what fails", "what may be stated"), rows)


def _ready() -> str:
    rows = (
        (
            f"`{name}`",
            ready.meaning,
            ", ".join(f"`{pointer}`" for pointer in ready.described["pointers"]),
            ready.source,
        )
        for name in ready_names()
        for ready in (ready_gauge(name),)
    )
    words = "What each has is in its file in [bridge/panel/gauges](../bridge/panel/gauges).\n\n"
    return f"## Ready gauges\n\n{words}" + _rows(("like", "what it is", "pointers", "source"), rows)


def _quantities() -> str:
    rows = (
        (
            f"`{each.name}`",
            each.unit,
            f"{each.low:,g} to {each.high:,g}",
            each.meaning,
            "wraps" if each.circular else "may be sent on change" if each.stepped else "",
        )
        for each in CATALOGUE.values()
    )
    words = "What is outside its range is dropped. Others are declared under `[quantities]`.\n\n"
    return f"## Quantities\n\n{words}" + _rows(("quantity", "unit", "range", "meaning", ""), rows)


def _units() -> str:
    by_dimension: dict[str, list[str]] = {}
    for unit in UNITS.values():
        by_dimension.setdefault(unit.dimension, []).append(f"`{unit.name}`")
    rows = ((dimension, ", ".join(names)) for dimension, names in by_dimension.items())
    return "## Units\n\n" + _rows(("of", "units"), rows)


def _motors() -> str:
    rows = (
        (
            f"`{name}`",
            motor.name,
            motor.kind,
            _turn(motor),
            f"{motor.voltage_v:g}" if motor.voltage_v else "",
            motor.source,
        )
        for name, motor in shipped_motors().items()
    )
    heads = ("motor", "what it is", "kind", "a turn of its shaft", "V", "source")
    return "## Motors\n\n" + _rows(heads, rows)


def _turn(motor: Motor) -> str:
    steps = motor.full_steps_per_turn
    if motor.is_servo:
        return f"{motor.travel_deg:g} degrees in {motor.pulse_low_us:g} to {motor.pulse_high_us:g} us"
    exact = str(steps) if steps.denominator == 1 else f"{float(steps):.3f} ({steps})"
    return f"{exact} full steps" + (f", {motor.travel_deg:g} degrees in all" if motor.travel_deg else "")


def _parts() -> str:
    rows = (
        (
            f"`{part.name}`",
            f"{part.most_channels}",
            _runs(part.pins),
            ", ".join(part.servo_pins),
            ", ".join(part.serial_pins),
        )
        for part in PARTS.values()
    )
    driven = "; ".join(f"`{output}` in {words}" for output, (_, words) in DRIVEN_IN.items())
    words = f"The firmware drives {driven}: `microsteps` must be so.\n\n"
    heads = ("part", "most channels", "pins", "pins for servos", "taken by the serial line")
    return f"## Microcontrollers\n\n{words}" + _rows(heads, rows)


def _runs(pins: Iterable[str]) -> str:
    """D0 to D13, A0 to A5."""
    numbers: dict[str, list[int]] = {}
    for pin in pins:
        numbers.setdefault(pin[0], []).append(int(pin[1:]))
    return ", ".join(f"{letter}{min(found)} to {letter}{max(found)}" for letter, found in numbers.items())
