"""Flight recorders' logs in the IGC format, to read.

    HFDTEDATE:040626,01                       header: the date (UTC)
    I023638FXA3941TAS                         what follows in each fix: TAS in its bytes 39 to 41
    B1101355206343N00006198WA0058700558005196 fix: time, position, validity, altitudes by pressure, GNSS

Only B, I and H records are used. Bytes are counted from 1, the record's letter included.
Source: FAI, Technical Specification for IGC-approved GNSS Flight Recorders, second edition with amendment 8
(2023), appendix A: B record A4.1, I record A3.3, date A3.2.4, altitude sources A3.2.7.5, codes A7.

A bad line is reported with its number and skipped, and so is a time that goes back or that the next fix does
not follow; the others fly. Time is in seconds since the first fix, also across midnight.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import TextIO

import structlog

from bridge.errors import DescriptionError, DescriptionErrors
from bridge.quantities.catalogue import Catalogue
from bridge.telemetry.bad_lines import BadLines, clock, clock_step_s
from bridge.telemetry.conversion import FieldError, Measure, make_measure
from bridge.telemetry.flightlog import Moment, Place
from bridge.telemetry.layout_description import FieldDescription
from bridge.telemetry.log_layout import IgcCodes

# Code, quantity, unit, and the digits before the decimal point: the specification leaves scales open, and
# recorders write as many decimals as they have digits left (TAS: five digits are hundredths of km/h).
_CODES = {
    "IAS": ("indicated_airspeed", "km/h", 3),
    "TAS": ("true_airspeed", "km/h", 3),
    "HDM": ("heading_magnetic", "deg", 3),
    "HDT": ("heading_true", "deg", 3),
    "TRT": ("track_true", "deg", 3),  # true track, not a rate of turn
    "AOR": ("bank", "deg", 4),
    "AOP": ("pitch", "deg", 4),
    "OAT": ("outside_air_temperature", "degC", 3),
    "ATS": ("altimeter_setting", "Pa", 6),
}
_FRACTION = "TDS"
"""Code of the decimals of a second."""

_FIX = re.compile(
    r"B(\d\d)(\d\d)(\d\d)(\d\d)(\d{5})([NS])(\d{3})(\d{5})([EW])([AV])(-\d{4}|\d{5})(-\d{4}|\d{5})", re.ASCII
)
_FIX_BYTES = 35
_FIX_EXPECTED = "B, HHMMSS, DDMMmmmN, DDDMMmmmE, A or V, and two altitudes of five digits"
_DATE = re.compile(r"H[FOP]DTE(?:DATE)?:?\s*(\d\d)(\d\d)(\d\d)\s*(?:,\s*\d*\s*)?", re.ASCII)
_EXTENSION = re.compile(r"(\d\d)(\d\d)([A-Z0-9]{3})", re.ASCII)
_NUMBER = re.compile(r"-?\d+", re.ASCII)
_RECORDS = frozenset("ABCDEFGHIJKLMNOP")
_FIRST_CENTURY_YEAR = 80
"""Two digits of a year from here on are of the last century."""

_LONGEST_LINE = 1000

_log = structlog.get_logger()


@dataclass(frozen=True, slots=True)
class _Extension:
    """A number of each fix: the slice of its line, its code and how it is measured."""

    begin: int
    end: int
    code: str
    measure: Measure


@dataclass(frozen=True, slots=True)
class IgcLog:
    """An IGC file whose header has been read. Iterating reads the file from its start, one line at a time.

    `assumptions` are sentences to log once. `date` and `place` are those of the first fix, None where the
    file does not have them.
    """

    path: Path
    catalogue: Catalogue
    assumptions: tuple[str, ...]
    date: date | None
    place: Place | None
    _altitude: Measure | None
    _by_gnss: bool
    _extensions: tuple[_Extension, ...]
    _fraction: slice | None
    _bad: BadLines

    @property
    def given(self) -> frozenset[str]:
        """The quantities that its fixes have."""
        altitude = {self._altitude.quantity} if self._altitude else set[str]()
        return frozenset(altitude | {extension.measure.quantity for extension in self._extensions})

    def __iter__(self) -> Iterator[Moment]:
        """Time in seconds since the first fix, never falling, and the readings of that moment."""
        return self._bad.in_order(self._fixes(), clock_step_s, clock, begin_s=0.0)

    def _fixes(self) -> Iterator[tuple[int, float, dict[str, float]]]:
        """Line number, time of the day in seconds, and readings of every fix that can be read."""
        altitude, group, extensions, fraction = (
            self._altitude,
            11 + self._by_gnss,
            self._extensions,
            self._fraction,
        )
        with self.path.open(encoding="latin-1") as file:
            for number, line in _lines(file):
                if line[0] != "B":
                    if line[0] not in _RECORDS:
                        self._bad.report(number, "", repr(line[:40]), "a record's letter, A to P, first")
                    continue
                match = _FIX.match(line)
                fix_s = None if match is None else _time_of_day_s(match)
                if match is None or fix_s is None or _place(match) is None:
                    self._bad.report(number, "", repr(line[:_FIX_BYTES]), _FIX_EXPECTED)
                    continue
                readings: dict[str, float] = {}
                if altitude is not None and not (self._by_gnss and match[10] == "V"):
                    self._measure(number, "altitude", match[group], altitude, readings)
                for extension in extensions:
                    text = line[extension.begin : extension.end]
                    if text and not text.isspace():
                        self._measure(number, extension.code, text, extension.measure, readings)
                if fraction is not None and (digits := line[fraction].strip()).isdigit() and digits.isascii():
                    fix_s += float(f"0.{digits}")
                yield number, fix_s, readings

    def _measure(
        self, number: int, code: str, text: str, measure: Measure, readings: dict[str, float]
    ) -> None:
        """Take this number of a fix; one that is none is reported, and the others are taken."""
        try:
            if _NUMBER.fullmatch(text) is None:
                raise FieldError("not a number", repr(text))
            readings[measure.quantity] = measure.reading(int(text))
        except FieldError as unfit:
            self._bad.report(number, code, unfit.detail, "a plausible number")


def read_igc(path: Path, catalogue: Catalogue, layout: IgcCodes | None = None) -> IgcLog:
    """The log in this IGC file, its header read.

    `layout` states what codes mean instead of the usual. Raises `DescriptionErrors` for a file that can't be
    read, or has no fix or nothing to show.
    """
    header = _Header(path, catalogue, layout.codes if layout else {})
    try:
        with path.open(encoding="latin-1") as file:
            header.read(_lines(file))
    except OSError as error:
        wrong = DescriptionError(
            str(path), "", error.strerror or str(error), "a flight log", "Check the path"
        )
        raise DescriptionErrors([wrong]) from None
    return header.log()


class _Header:
    """What is known of a file before it is flown."""

    def __init__(self, path: Path, catalogue: Catalogue, codes: Mapping[str, FieldDescription]) -> None:
        self._path = path
        self._catalogue = catalogue
        self._codes = codes
        self._bad = BadLines(path)
        self._date: date | None = None
        self._place: Place | None = None
        self._sources = {"HFALP": "", "HFALG": ""}
        self._lines: list[tuple[int, int, str]] = []
        self._fixes = 0
        self._has_pressure = False
        self._has_gnss = False

    def read(self, lines: Iterable[tuple[int, str]]) -> None:
        """Up to the first fix, and on until one has a pressure altitude."""
        for number, line in lines:
            if line[0] == "B" and (match := _FIX.match(line)) is not None:
                self._fixes += 1
                self._has_gnss |= int(match[12]) != 0
                if self._place is None and match[10] == "A":
                    self._place = _place(match)
                if int(match[11]) != 0:
                    self._has_pressure = True
                    return
            elif self._fixes:
                continue
            elif line.startswith("H"):
                self._take_header(number, line)
            elif line.startswith("I"):
                self._take_extensions(number, line)

    def _take_header(self, number: int, line: str) -> None:
        if line[2:5] == "DTE":
            try:
                match = _DATE.fullmatch(line)
                if match is None:
                    raise ValueError
                day, month, year = (int(match[i]) for i in (1, 2, 3))
                self._date = date(year + (1900 if year >= _FIRST_CENTURY_YEAR else 2000), month, day)
            except ValueError:
                self._bad.report(number, "", repr(line[:40]), "HFDTEDATE:DDMMYY,NN or HFDTEDDMMYY")
        for source in self._sources:
            if line.startswith(source):
                self._sources[source] = line.rstrip()[-3:].upper()

    def _take_extensions(self, number: int, line: str) -> None:
        """The I record; one that is wrong leaves the extensions out, all or none of them."""
        found = [(int(begin), int(end), code) for begin, end, code in _EXTENSION.findall(line[3:])]
        wanted = f"{len(found):02d}" + "".join(f"{begin:02d}{end:02d}{code}" for begin, end, code in found)
        if line[1:].rstrip() != wanted:
            self._bad.report(number, "", repr(line[:60]), "I, the number of extensions, and BBEECCC for each")
            return
        for begin, end, code in found:
            if begin <= _FIX_BYTES or end < begin:
                found_at, expected = (
                    f"{code} at {begin} to {end}",
                    f"bytes after {_FIX_BYTES}, in rising order",
                )
                self._bad.report(number, "", found_at, expected)
            else:
                self._lines.append((begin, end, code))

    def log(self) -> IgcLog:
        if not self._fixes:
            found, expected = "no fix", f"lines of {_FIX_EXPECTED}"
            raise DescriptionErrors(
                [DescriptionError(str(self._path), "", found, expected, "Choose another file")]
            )
        extensions, scales = self._extensions()
        altitude, assumptions = self._altitude()
        if scales:
            listed = ", ".join(scales)
            assumptions.append(f"scales in the log: assumes {listed}; a log layout states others (--layout)")
        fraction = next((slice(b - 1, e) for b, e, code in self._lines if code == _FRACTION), None)
        log = IgcLog(
            self._path,
            self._catalogue,
            tuple(assumptions),
            self._date,
            self._place,
            altitude,
            altitude is not None and altitude.quantity == "geometric_altitude",
            extensions,
            fraction,
            self._bad,
        )
        if not log.given:
            found, expected = "fixes without an altitude", "an altitude, or a known code in the I record"
            raise DescriptionErrors(
                [DescriptionError(str(self._path), "", found, expected, "Choose another file")]
            )
        return log

    def _altitude(self) -> tuple[Measure | None, list[str]]:
        if self._has_pressure and self._sources["HFALP"] != "NIL":
            return make_measure("pressure_altitude", "m", self._catalogue), []
        if not self._has_gnss or self._sources["HFALG"] == "NIL":
            return None, ["the log has no altitude"]
        above = (
            ""
            if self._sources["HFALG"] == "GEO"
            else ", and that above the ellipsoid as above mean sea level"
        )
        assumption = (
            f"the log has no pressure altitude: assumes the altitude by GNSS as geometric altitude{above}"
        )
        return make_measure("geometric_altitude", "m", self._catalogue), [assumption]

    def _extensions(self) -> tuple[tuple[_Extension, ...], list[str]]:
        """The numbers of a fix that mean something here, and the scales that are taken for granted."""
        found: dict[str, _Extension] = {}
        scales: list[str] = []
        for begin, end, code in self._lines:
            stated = self._codes.get(code)
            if stated is not None:
                quantity, unit, scale = stated.quantity, stated.unit, stated.scale
            elif code in _CODES:
                quantity, unit, digits = _CODES[code]
                scale = 10.0 ** -max(0, end - begin + 1 - digits)
                scales.append(f"{code} in {scale:g} {unit}")
            else:
                continue
            measure = make_measure(quantity, unit, self._catalogue, scale)
            found.setdefault(quantity, _Extension(begin - 1, end, code, measure))
        return tuple(found.values()), scales


def _lines(file: TextIO) -> Iterator[tuple[int, str]]:
    """The lines that are not blank, numbered, without their ends; a longer one comes in pieces."""
    for number, line in enumerate(iter(lambda: file.readline(_LONGEST_LINE), ""), start=1):
        line = line.rstrip("\r\n")
        if line and not line.isspace():
            yield number, line


def _time_of_day_s(fix: re.Match[str]) -> float | None:
    hours, minutes, seconds = int(fix[1]), int(fix[2]), int(fix[3])
    if hours > 23 or minutes > 59 or seconds > 59:
        return None
    return hours * 3600.0 + minutes * 60.0 + seconds


def _place(fix: re.Match[str]) -> Place | None:
    """Degrees of a fix; None where they are no place on earth."""
    latitude = int(fix[4]) + int(fix[5]) / 60_000.0
    longitude = int(fix[7]) + int(fix[8]) / 60_000.0
    if latitude > 90.0 or longitude > 180.0 or int(fix[5]) >= 60_000 or int(fix[8]) >= 60_000:
        return None
    return (latitude if fix[6] == "N" else -latitude), (longitude if fix[9] == "E" else -longitude)
