"""Writing captured points into the files that a person keeps: comments, order and everything else stay.

The calibration file is replaced as a whole (a temporary file beside it, then a rename), and the version
before is kept beside it as `NAME.before`. A gauge that had no calibration file gets one, and its line in
the panel description. Nothing is written that could not be read back.
"""

from __future__ import annotations

import os
import tomllib
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

import tomlkit
from tomlkit.items import Array, Table

from bridge.calibration.draft import Points
from bridge.description import validate
from bridge.errors import DescriptionError
from bridge.gauges.pointer import Pointer
from bridge.panel.gauge_description import CalibrationPoints
from bridge.panel.load import Panel
from bridge.quantities.units import make_conversion

BEFORE = ".before"
"""What the name of the version before ends in."""

_SAME = 1e-9  # two readings nearer than this are the same point; files hold far coarser numbers


def save_points(panel: Panel, pointer: Pointer, points: Points) -> tuple[Path, ...]:
    """Write one pointer's points into its gauge's calibration file; returns the files written.

    Raises DescriptionError(s) when a file can't be read or written, or would not be a calibration file.
    """
    described = panel.description.gauges[pointer.gauge].calibration
    folder = panel.path.parent
    if described is not None:
        return (_write_points(folder / described, pointer, points),)
    name = f"calibration/{pointer.gauge.replace('_', '-')}.toml"
    if (folder / name).exists():
        raise DescriptionError(
            str(folder / name),
            "",
            "a file that the panel description does not name",
            f"no file, or calibration = {name!r} under [gauges.{pointer.gauge}]",
            "Add that line, or move the file away",
        )
    file = _write_points(folder / name, pointer, points)
    document = _parsed(panel.path)
    document["gauges"][pointer.gauge]["calibration"] = name
    _replace(panel.path, tomlkit.dumps(document))
    return file, panel.path


def _write_points(file: Path, pointer: Pointer, points: Points) -> Path:
    document = _parsed(file) if file.exists() else tomlkit.document()
    table = document.get(pointer.name)
    if table is None:
        table = tomlkit.table()
        table["unit"] = pointer.unit
        document[pointer.name] = table
    if not isinstance(table, Table) or not isinstance(table.get("unit"), str):
        raise DescriptionError(
            str(file), pointer.name, "no table with a unit", f"[{pointer.name}] with unit = ...", "Correct it"
        )
    convert = make_conversion(pointer.unit, str(table["unit"]))
    _put(table, "points", [(convert(reading), *angles) for reading, *angles in points.points])
    if points.falling:
        _put(table, "falling", [(convert(reading), angle) for reading, angle in points.falling])
    table["captured"] = datetime.now(UTC).astimezone().date()
    text = tomlkit.dumps(document)
    validate(CalibrationPoints, tomllib.loads(text)[pointer.name], str(file), pointer.name)
    file.parent.mkdir(exist_ok=True)
    _replace(file, text)
    return file


def _put(table: Table, key: str, rows: Sequence[Sequence[float]]) -> None:
    """Set an array of points: known readings change in place, so that comments beside them stay."""
    array = table.get(key)
    if not isinstance(array, Array):
        array = tomlkit.array()
        array.multiline(True)
        table[key] = array
        array = table[key]
    for index, row in enumerate(rows):
        written = [_number(value) for value in row]
        if index < len(array) and abs(float(array[index][0]) - row[0]) <= _SAME * max(1.0, abs(row[0])):
            if list(array[index]) != written:
                array[index] = written
        else:
            array.insert(index, written)
    del array[len(rows) :]


def _number(value: float) -> float | int:
    """Whole numbers as such, as a person writes them; six digits behind the point at most."""
    rounded = round(value, 6)
    return int(rounded) if rounded == int(rounded) else rounded


def _parsed(file: Path) -> tomlkit.TOMLDocument:
    try:
        return tomlkit.parse(file.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise DescriptionError(
            str(file), "", f"a file that can't be read ({error})", "a TOML file in UTF-8", "Correct the file"
        ) from None


def _replace(file: Path, text: str) -> None:
    """Keep the version before beside the file, then put the new one in its place, each at once."""
    try:
        if file.exists():
            _put_at_once(file.with_name(file.name + BEFORE), file.read_bytes())
        _put_at_once(file, text.encode())
    except OSError as error:
        found = f"a file that can't be written ({error.strerror or error})"
        raise DescriptionError(
            str(file), "", found, "a file that may be replaced", "Make room, or allow writing"
        ) from None


def _put_at_once(file: Path, content: bytes) -> None:
    fresh = file.with_name(file.name + ".new")
    with fresh.open("wb") as written:
        written.write(content)
        written.flush()
        os.fsync(written.fileno())
    fresh.replace(file)
