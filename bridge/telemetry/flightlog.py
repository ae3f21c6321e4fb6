"""Flight logs: recorded readings as CSV (RFC 4180), to read.

    time[s],pressure_altitude[ft],heading_magnetic[deg]
    0,2140.0,183.2
    0.05,2140.1,

The first line names a quantity and its unit for each column, `time` among them; any known unit is taken and
converted. Every other line is one moment, in order of time. A blank cell says nothing of its quantity then.
A last line that was cut, by a crash or a full disk, is skipped, and that is logged.
"""

from __future__ import annotations

import csv
import math
import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import structlog

from bridge.description import MistakeError, near
from bridge.errors import DescriptionError, DescriptionErrors
from bridge.quantities.catalogue import CATALOGUE, Catalogue
from bridge.telemetry.conversion import TIME, FieldError, Measure, make_measure

LONGEST_GAP_S = 3600.0
"""A longer silence within one log is taken for a mistyped time."""

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
    assumptions: tuple[str, ...] = ()
    date: date | None = None
    place: Place | None = None

    @property
    def given(self) -> frozenset[str]:
        """The quantities that the log has columns for."""
        return frozenset(column.quantity for column in self.columns) - {TIME}

    def __iter__(self) -> Iterator[Moment]:
        """Time in seconds, never falling, and the readings of that moment.

        Raises `DescriptionError` at a line that can't be read, unless it is the last and was cut.
        """
        with self.path.open(encoding="utf-8-sig", errors="replace", newline="") as file:
            reader = csv.reader(file, strict=True)
            next(reader)
            latest_s = -math.inf
            while True:
                try:
                    cells = next(reader)
                    if not cells:
                        continue
                    time_s, readings = self._moment(cells, reader.line_num)
                    if latest_s > -math.inf and time_s - latest_s > LONGEST_GAP_S:
                        raise self._wrong(
                            reader.line_num,
                            self._time,
                            f"{time_s:g} s after {latest_s:g} s",
                            f"a line at least every {LONGEST_GAP_S:g} s",
                            "Correct the time, or cut the file in two",
                        )
                    if time_s < latest_s:
                        raise self._wrong(
                            reader.line_num,
                            self._time,
                            f"{time_s:g} s after {latest_s:g} s",
                            "times that never fall",
                            "Sort the lines by time, or cut the file in two",
                        )
                except StopIteration:
                    return
                except (DescriptionError, csv.Error) as error:
                    if _is_cut(self.path) and next(file, None) is None:
                        _log.warning(
                            "the log's last line is cut, skipped",
                            log=str(self.path),
                            line=reader.line_num,
                        )
                        return
                    if isinstance(error, csv.Error):
                        raise self._wrong(
                            reader.line_num, None, str(error), "a line of CSV", "Correct that line"
                        ) from None
                    raise
                latest_s = time_s
                yield time_s, readings

    @property
    def _time(self) -> int:
        return next(i for i, column in enumerate(self.columns) if column.quantity == TIME)

    def _moment(self, cells: list[str], line: int) -> Moment:
        if len(cells) != len(self.columns):
            raise self._wrong(
                line,
                None,
                f"{len(cells)} cells",
                f"{len(self.columns)}, as in the first line",
                "Correct that line",
            )
        readings: dict[str, float] = {}
        for i, (column, cell) in enumerate(zip(self.columns, cells, strict=True)):
            if not cell or cell.isspace():
                continue
            try:
                if "_" in cell:
                    raise ValueError
                value = float(cell) * column.scale + column.shift
                if not column.low <= value <= column.high:
                    value = column.reading(float(cell))
            except FieldError as unfit:
                raise self._wrong(
                    line, i, unfit.detail, "a plausible reading", "Correct the cell or leave it blank"
                ) from None
            except ValueError:
                raise self._wrong(
                    line,
                    i,
                    repr(cell[:40]),
                    "a number with a decimal point",
                    "Correct the cell or leave it blank",
                ) from None
            readings[column.quantity] = value
        if TIME not in readings:
            raise self._wrong(line, self._time, "a blank cell", "a time in every line", "Fill it in")
        return readings.pop(TIME), readings

    def _wrong(self, line: int, i: int | None, found: str, expected: str, cure: str) -> DescriptionError:
        column = "" if i is None else f"column {i + 1} ({self.columns[i].quantity})"
        return DescriptionError(f"{self.path}:{line}", column, found, expected, cure)


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
    return FlightLog(path, tuple(columns.values()), catalogue)


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


def _is_cut(path: Path) -> bool:
    """True when the file doesn't end with the end of a line."""
    with path.open("rb") as file:
        size = file.seek(0, 2)
        file.seek(max(0, size - 1))
        return file.read(1) not in (b"\n", b"")
