"""Flight logs of other makers that are tables of text, by a log layout: delimited, or columns of fixed width.

A bad line is reported with its number and skipped, a bad cell is left out, and so is a time that goes back or
that the next row does not follow; the others fly. A time written as a number is the log's own; seconds count
from the first row where it is written as a clock or in ISO 8601.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime
from itertools import accumulate, pairwise
from pathlib import Path
from typing import TextIO

from bridge.description import near
from bridge.errors import DescriptionError, DescriptionErrors
from bridge.quantities.catalogue import Catalogue
from bridge.telemetry.bad_lines import DAY_S, BadLines, Row, clock, clock_step_s
from bridge.telemetry.conversion import TIME, FieldError, Measure, make_measure
from bridge.telemetry.flightlog import Moment, Place
from bridge.telemetry.log_layout import TableColumns

_LONGEST_LINE = 100_000
_LOOKED_AT = 20_000
"""Lines at the beginning in which place and day of the flight are looked for."""
_CLOCK = re.compile(r"(\d{1,2}):(\d\d)(?::(\d\d(?:[.,]\d+)?))?", re.ASCII)


@dataclass(frozen=True, slots=True)
class _Cell:
    """A cell of each row: its place from 0, what messages call it, and how it is measured."""

    place: int
    name: str
    measure: Measure


@dataclass(frozen=True, slots=True)
class TableLog:
    """A table whose header has been read. Iterating reads the file from its start, one line at a time."""

    path: Path
    catalogue: Catalogue
    assumptions: tuple[str, ...]
    layout: TableColumns
    time: _Cell
    cells: tuple[_Cell, ...]
    first_line: int
    _bad: BadLines
    date: date | None = None
    place: Place | None = None

    @property
    def given(self) -> frozenset[str]:
        """The quantities that it has columns for."""
        return frozenset(cell.measure.quantity for cell in self.cells)

    def __iter__(self) -> Iterator[Moment]:
        """Time in seconds, never falling, and the readings of that moment."""
        way = _TIMES[self.layout.time.written]
        return self._bad.in_order(self._rows(way.read), way.step_s, way.shown, way.begin_s)

    def _rows(self, read_time: Callable[[str, Measure], float]) -> Iterator[Row]:
        split, comma = _splitter(self.layout), self.layout.decimal == ","
        with self.path.open(encoding="utf-8-sig", errors="replace", newline="") as file:
            for number, line in _lines(file, self.layout):
                if number < self.first_line:
                    continue
                try:
                    texts = split(line)
                    written = texts[self.time.place].strip()
                    if comma and self.layout.time.written == "number":
                        written = written.replace(",", ".")
                    time_s = read_time(written, self.time.measure)
                except (IndexError, csv.Error):
                    expected = f"a time in column {self.time.place + 1}"
                    self._bad.report(number, "", repr(line[:60]), expected)
                    continue
                except ValueError:
                    found = repr(texts[self.time.place][:40])
                    self._bad.report(number, "", found, _TIMES[self.layout.time.written].expected)
                    continue
                readings: dict[str, float] = {}
                for cell in self.cells:
                    text = texts[cell.place].strip() if cell.place < len(texts) else ""
                    if not text:
                        continue
                    try:
                        raw = _number(text.replace(",", ".") if comma else text)
                        readings[cell.measure.quantity] = cell.measure.reading(raw)
                    except FieldError as unfit:
                        self._bad.report(number, cell.name, unfit.detail, "a plausible reading")
                    except ValueError:
                        self._bad.report(number, cell.name, repr(text[:40]), "a number")
                yield number, time_s, readings


def read_table(path: Path, catalogue: Catalogue, layout: TableColumns) -> TableLog:
    """The log in this file, its header read by the layout; raises `DescriptionErrors` with every mistake."""
    try:
        with path.open(encoding="utf-8-sig", errors="replace", newline="") as file:
            number, line = next(_lines(file, layout), (0, ""))
    except OSError as error:
        wrong = DescriptionError(
            str(path), "", error.strerror or str(error), "a flight log", "Check the path"
        )
        raise DescriptionErrors([wrong]) from None
    errors: list[DescriptionError] = []
    labels: list[str] = []
    if layout.header:
        try:
            labels = [label.strip() for label in _splitter(layout)(line)]
        except csv.Error as error:
            errors.append(
                DescriptionError(f"{path}:{number}", "", str(error), "a line of labels", "Correct it")
            )

    def place(label: str | None, column: int | None) -> int:
        if column is not None:
            return column - 1
        if label not in labels:
            found = ", ".join(labels) or "no labels"
            wrong = near(label or "", labels) if labels else "Correct skip, comment or separator"
            errors.append(DescriptionError(f"{path}:{number}", "", found, f"the label '{label}'", wrong))
            return 0
        return labels.index(label or "")

    time = _Cell(
        place(layout.time.label, layout.time.column), TIME, make_measure(TIME, layout.time.unit, catalogue)
    )
    cells = tuple(
        _Cell(
            place(field.label if field.column is None else None, field.column),
            field.label or f"column {field.column}",
            make_measure(field.quantity, field.unit, catalogue, field.scale),
        )
        for field in layout.fields
    )
    columns = layout.place.columns if layout.place else {}
    begun = {key: place(column.label, column.column) for key, column in columns.items()}
    if errors:
        raise DescriptionErrors(errors)
    first_line = number + 1 if layout.header else number
    log = TableLog(path, catalogue, (), layout, time, cells, first_line, BadLines(path))
    if not begun:
        return log
    begun.setdefault("date", time.place)
    day, where = _beginning(log, begun)
    return replace(log, date=day, place=where)


def _beginning(log: TableLog, columns: Mapping[str, int]) -> tuple[date | None, Place | None]:
    """Day and place of the first row that has both; None where no row of the beginning has."""
    split, comma = _splitter(log.layout), log.layout.decimal == ","
    with log.path.open(encoding="utf-8-sig", errors="replace", newline="") as file:
        for _, (number, line) in zip(range(_LOOKED_AT), _lines(file, log.layout), strict=False):
            if number < log.first_line:
                continue
            try:
                cells = split(line)
                texts = {key: cells[column].strip() for key, column in columns.items()}
                day = datetime.fromisoformat(texts["date"]).date()
                latitude_deg, longitude_deg = (
                    _number(texts[key].replace(",", ".") if comma else texts[key])
                    for key in ("latitude", "longitude")
                )
            except (IndexError, ValueError, csv.Error):
                continue
            known = latitude_deg or longitude_deg  # a receiver without a fix writes zeros
            if known and abs(latitude_deg) <= 90.0 and abs(longitude_deg) <= 180.0:
                return day, (latitude_deg, longitude_deg)
    return None, None


def _lines(file: TextIO, layout: TableColumns) -> Iterator[tuple[int, str]]:
    """The lines that are not skipped, numbered, without their ends; a longer one comes in pieces."""
    for number, line in enumerate(iter(lambda: file.readline(_LONGEST_LINE), ""), start=1):
        line = line.rstrip("\r\n")
        if number <= layout.skip or not line or line.isspace():
            continue
        if layout.comment and line.startswith(layout.comment):
            continue
        yield number, line


def _splitter(layout: TableColumns) -> Callable[[str], Sequence[str]]:
    """How a line is cut into cells; the function raises csv.Error at one that can't be."""
    separator = layout.separator
    if layout.widths:
        slices = [slice(begin, end) for begin, end in pairwise(accumulate(layout.widths, initial=0))]
        return lambda line: [line[part] for part in slices]
    if separator == " ":
        return str.split
    if len(separator) > 1:
        return lambda line: line.split(separator)

    def split(line: str) -> Sequence[str]:
        if '"' not in line:
            return line.split(separator)
        return next(csv.reader([line], delimiter=separator, strict=True), [])

    return split


def _number(text: str) -> float:
    if "_" in text:
        raise ValueError
    return float(text)


@dataclass(frozen=True, slots=True)
class _Time:
    """One way to write a time: how it is read (raises ValueError), counted, shown, where counting begins."""

    read: Callable[[str, Measure], float]
    step_s: Callable[[float, float], float]
    shown: Callable[[float], str]
    begin_s: float | None
    expected: str


def _seconds(text: str, measure: Measure) -> float:
    return measure.reading(_number(text))


def _iso_s(text: str, measure: Measure) -> float:
    moment = datetime.fromisoformat(text)
    return (moment if moment.tzinfo else moment.replace(tzinfo=UTC)).timestamp()


def _clock_s(text: str, measure: Measure) -> float:
    match = _CLOCK.fullmatch(text)
    if match is None:
        raise ValueError
    day_s = int(match[1]) * 3600.0 + int(match[2]) * 60.0 + float((match[3] or "0").replace(",", "."))
    if day_s >= DAY_S or int(match[2]) > 59:
        raise ValueError
    return day_s


def _difference_s(before_s: float, after_s: float) -> float:
    return after_s - before_s


_TIMES = {
    "number": _Time(_seconds, _difference_s, lambda s: f"{s:g} s", None, "a number"),
    "iso8601": _Time(
        _iso_s,
        _difference_s,
        lambda s: datetime.fromtimestamp(s, UTC).isoformat(),
        0.0,
        "a date and time such as 2026-06-04T11:01:35Z",
    ),
    "clock": _Time(_clock_s, clock_step_s, clock, 0.0, "a time such as 11:01:35.5"),
}
"""By what a layout calls them."""
