"""Flight logs: recorded readings as CSV (RFC 4180), to read.

    time[s],pressure_altitude[ft],heading_magnetic[deg]
    0,2140.0,183.2
    0.05,2140.1,

The first line names a quantity and its unit for each column, `time` among them; any known unit is taken and
converted. Every other line is one moment, in order of time. A blank cell has nothing of its quantity then.
A bad line is reported with its number and skipped, a bad cell is left out, and so is a time that goes back;
the others fly. A last line that was cut, by a crash or a full disk, is skipped whole.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path

import structlog

from bridge.description import MistakeError, near
from bridge.errors import DescriptionError, DescriptionErrors
from bridge.quantities.catalogue import CATALOGUE, Catalogue
from bridge.telemetry.bad_lines import BadLines, Row
from bridge.telemetry.conversion import TIME, FieldError, Measure, make_measure

_LONGEST_LINE = 100_000
_COLUMN = re.compile(r"\s*([^\[\]]*?)\s*\[\s*([^\[\]]*?)\s*\]\s*")
_HEADER_EXAMPLE = "a first line such as time[s],pressure_altitude[ft]"

_FOREIGN = "Write quantity[unit], or describe the columns of another maker's log in a log layout (--layout)"

_log = structlog.get_logger()

Moment = tuple[float, dict[str, float]]
Place = tuple[float, float]
"""Latitude and longitude in degrees, north and east positive."""


@dataclass(frozen=True, slots=True)
class FlightLog:
    """A log whose header has been read. Iterating reads the file from its start, one line at a time."""

    path: Path
    columns: tuple[Measure, ...]
    catalogue: Catalogue
    _bad: BadLines = field(compare=False)
    assumptions: tuple[str, ...] = ()
    date: date | None = None
    place: Place | None = None

    @property
    def given(self) -> frozenset[str]:
        """The quantities that the log has columns for."""
        return frozenset(column.quantity for column in self.columns) - {TIME}

    def __iter__(self) -> Iterator[Moment]:
        """Time in seconds, never falling, and the readings of that moment."""
        return self._bad.in_order(self._rows(), lambda a, b: b - a, lambda s: f"{s:g} s", begin_s=None)

    def _rows(self) -> Iterator[Row]:
        with self.path.open(encoding="utf-8-sig", errors="replace", newline="") as file:
            for number, line in enumerate(iter(lambda: file.readline(_LONGEST_LINE), ""), start=1):
                if number == 1 or line.isspace():
                    continue
                faults: list[tuple[int | None, str, str]] = []
                row = self._row(line.rstrip("\r\n"), faults)
                if faults and not line.endswith("\n") and len(line) < _LONGEST_LINE:
                    _log.warning("the log's last line is cut, skipped", log=str(self.path), line=number)
                    return
                for i, found, expected in faults:
                    column = "" if i is None else f"column {i + 1} ({self.columns[i].quantity})"
                    self._bad.report(number, column if row else "", found, expected)
                if row is not None:
                    yield number, *row

    def _row(self, line: str, faults: list[tuple[int | None, str, str]]) -> Moment | None:
        """Time and readings of a line, None where it is of no use; what is wrong goes to `faults`."""
        columns = self.columns
        try:
            cells = line.split(",") if '"' not in line else next(csv.reader([line], strict=True), [])
        except csv.Error as error:
            faults.append((None, str(error), "a line of CSV"))
            return None
        if len(cells) != len(columns):
            faults.append((None, f"{len(cells)} cells", f"{len(columns)}, as in the first line"))
            return None
        readings: dict[str, float] = {}
        for i, (column, cell) in enumerate(zip(columns, cells, strict=True)):
            if not cell or cell.isspace():
                continue
            try:
                if "_" in cell:
                    raise ValueError
                value = float(cell) * column.scale + column.shift
                if not column.low <= value <= column.high:
                    value = column.reading(float(cell))
            except FieldError as unfit:
                faults.append((i, unfit.detail, "a plausible reading"))
            except ValueError:
                faults.append((i, repr(cell[:40]), "a number with a decimal point"))
            else:
                readings[column.quantity] = value
        time_s = readings.pop(TIME, None)
        if time_s is None:
            faults.append((None, "no time", "a time in every line"))
            return None
        return time_s, readings


def read_log(path: Path, catalogue: Catalogue = CATALOGUE) -> FlightLog:
    """The log in this file, header checked; raises `DescriptionErrors` with every mistake in the header."""
    where = f"{path}:1"
    try:
        with path.open(encoding="utf-8-sig", errors="replace", newline="") as file:
            header = next(csv.reader(file, strict=True), [])
    except OSError as error:
        cure = "Check the path"
        raise DescriptionErrors(
            [DescriptionError(str(path), "", error.strerror or str(error), "a flight log", cure)]
        ) from None
    except csv.Error as error:
        raise DescriptionErrors(
            [DescriptionError(where, "", str(error), _HEADER_EXAMPLE, "Correct it")]
        ) from None
    errors: list[DescriptionError] = []
    columns: dict[str, Measure] = {}
    for i, cell in enumerate(header):
        try:
            column = _column(cell, catalogue)
            if column.quantity in columns:
                raise MistakeError(
                    f"{column.quantity} a second time", "each quantity once", "Take one column out"
                )
            columns[column.quantity] = column
        except MistakeError as wrong:
            errors.append(DescriptionError(where, f"column {i + 1}", wrong.found, wrong.expected, wrong.cure))
    if not errors and TIME not in columns:
        found = f"the columns {', '.join(columns)}" if columns else "no columns"
        errors.append(DescriptionError(where, "", found, "a column time[s]", "Add the time of each line"))
    if not errors and len(columns) == 1:
        errors.append(DescriptionError(where, "", "nothing but time", _HEADER_EXAMPLE, "Add a quantity"))
    if errors:
        raise DescriptionErrors(errors)
    return FlightLog(path, tuple(columns.values()), catalogue, BadLines(path))


def _column(cell: str, catalogue: Catalogue) -> Measure:
    match = _COLUMN.fullmatch(cell)
    if match is None:
        cure = "Separate columns by commas" if ";" in cell or "\t" in cell else _FOREIGN
        raise MistakeError(repr(cell[:60]), "quantity[unit], as in pressure_altitude[ft]", cure)
    try:
        return make_measure(match[1], match[2], catalogue)
    except MistakeError as wrong:
        if match[1] not in catalogue and match[1] != TIME:
            raise MistakeError(wrong.found, wrong.expected, near(match[1], [TIME, *catalogue])) from None
        raise
