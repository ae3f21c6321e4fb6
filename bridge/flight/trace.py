"""The trace: for every tick, all that explains why a pointer is where it is, as CSV.

    time  telemetry and its age  ages  setting  raw readings  derived readings  each pointer  each board

The cause of a wrong pointer is in the first column, from the left, that is not what it should be.
"""

from __future__ import annotations

import csv
import os
from collections.abc import Iterable, Mapping
from io import FileIO
from operator import attrgetter
from pathlib import Path
from types import TracebackType
from typing import Self

import structlog

from bridge.flight.snapshot import BoardSnapshot, GearedSnapshot, PanelSnapshot, PointerSnapshot
from bridge.outputs import LineFile, part_name, refuse_taken, writing

_log = structlog.get_logger(__name__)

MARK = "time[s],telemetry,"
"""How every trace begins, and no flight log does: a trace may be replaced by another."""

LINK_FIGURES = (
    "sent", "lost", "corrupted", "corrupted_here", "unanswered", "refused", "resets", "watchdog_trips",
)  # fmt: skip
"""Of each board: the counts of `BoardSnapshot` by their names; then comes `worst_round_trip[s]`."""

_figures = attrgetter(*LINK_FIGURES)
_GATHER_ROWS = 100


class Trace:
    """Writes one row for each snapshot. Empty cells are not known (yet).

    `telemetry` is its state. `age.` precedes the names of quantities: the time since each arrived last.
    `raw.` and `derived.` precede the names of readings; a raw one that is lost and derived instead is blank.
    What is raw is as it arrived: where the rows of a log are far apart, what is derived and shown follows
    the path between them. Each pointer has
    `indication` (what it should show), `shows` and `face` (where the board's last report puts it, in its
    unit and as an angle), `target`, `commanded` and `reported` (motor steps), `report_age`, `missed` (steps
    that an index mark has shown missing since homing; blank without marks), and `state` (of its channel; then
    the quantities that it has lost, whether it is off its scale, parked or held). A geared
    pointer has `shows` and `face`, a flag the reason why it is in sight, a lamp its `brightness` (to the eye,
    0 to 1) and `state`. With a scenario `failures` names what is in force, and each pointer has
    `true_indication`, what it should show without: blank while nothing is. Each board has its `state`, and
    the figures of its link since its session began (LINK_FIGURES). The columns are those of the first
    snapshot: a pointer that a new description takes away leaves blanks, one that it adds is not traced.

    The file grows under a temporary name, and gets its own when the trace is closed. Raises DescriptionError
    (or DescriptionErrors) where it can't be made, is one of the `inputs`, or is a file of the user's. A
    disk that fails later ends the trace, not the flight: it is logged once, `failed` is set, and the rows
    until then are kept.
    """

    def __init__(self, path: Path, first: PanelSnapshot, inputs: Iterable[Path] = ()) -> None:
        refuse_taken([path], inputs, MARK)
        self.failed = False
        self._path = path
        is_special = path.exists() and not path.is_file()  # a pipe or a device takes the rows as they come
        self._final = None if is_special else Path(os.path.realpath(path))
        self._part = path if self._final is None else part_name(self._final)
        with writing(path):
            self._file = LineFile(FileIO(self._part, "w"), self._part)
        self._lines: list[str] = []
        self._rows = csv.writer(_Into(self._lines), lineterminator="\r\n")
        self._columns = _Columns(first)
        self._rows.writerow(self._columns.header())

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._write()
        try:
            self._file.close()
        except OSError as failure:
            self._fail(failure)
        if self._final is not None:
            try:
                if self._part.stat().st_size > 0:
                    self._part.replace(self._final)
                else:  # not even the first line could be written
                    self._part.unlink()
            except OSError as failure:
                self._fail(failure)

    def write(self, snapshot: PanelSnapshot) -> None:
        """Add one row."""
        if self.failed:
            return
        self._rows.writerow(self._columns.cells(snapshot))
        if len(self._lines) >= _GATHER_ROWS:
            self._write()

    def _write(self) -> None:
        data = "".join(self._lines).encode()
        self._lines.clear()
        if not self.failed:
            _, error = self._file.append(data)
            if error is not None:
                self._fail(error)

    def _fail(self, error: OSError) -> None:
        if not self.failed:
            why = error.strerror or str(error)
            cure = "the flight goes on; make room, or choose another place"
            _log.error("trace ended", file=str(self._path), why=why, cure=cure)
        self.failed = True


class _Into:
    """What a csv writer writes to: a list of lines."""

    def __init__(self, lines: list[str]) -> None:
        self.write = lines.append


class _Columns:
    """The columns of a trace, and the cells of a snapshot in their order."""

    def __init__(self, first: PanelSnapshot) -> None:
        self._readings = [
            (reading.name, reading.derived, reading.unit)
            for reading in first.readings
            if reading.name != "altimeter_setting"
        ]
        self._arriving = [reading.name for reading in first.readings if not reading.derived]
        self._pointers = {pointer.key: pointer.unit for pointer in first.pointers}
        self._geared = {geared.key: geared.unit for geared in first.geared}
        self._flags = [flag.key for flag in first.flags]
        self._lamps = [lamp.name for lamp in first.lamps]
        self._boards = [board.name for board in first.boards]
        self._trains = first.scenario is not None
        self._values: Mapping[str, float] | None = None
        self._reading_cells: list[str] = []

    def header(self) -> list[str]:
        names = ["time[s]", "telemetry", "telemetry_age[s]"]
        names += [f"age.{name}[s]" for name in self._arriving]
        names.append("altimeter_setting[inHg]")
        names += [
            f"{'derived' if derived else 'raw'}.{name}[{unit}]" for name, derived, unit in self._readings
        ]
        for key, unit in self._pointers.items():
            names += [f"{key}.indication[{unit}]", f"{key}.shows[{unit}]", f"{key}.face[deg]"]
            names += [f"{key}.{name}[step]" for name in ("target", "commanded", "reported")]
            names += [f"{key}.report_age[s]", f"{key}.missed[step]", f"{key}.state"]
        for key, unit in self._geared.items():
            names += [f"{key}.shows[{unit}]", f"{key}.face[deg]"]
        names += [f"{key}.flag" for key in self._flags]
        for name in self._lamps:
            names += [f"lamp.{name}.brightness", f"lamp.{name}.state"]
        if self._trains:
            names += ["failures", *(f"{key}.true_indication[{unit}]" for key, unit in self._pointers.items())]
        for name in self._boards:
            figures = ("state", *LINK_FIGURES, "worst_round_trip[s]")
            names += [f"board.{name}.{figure}" for figure in figures]
        return names

    def cells(self, snapshot: PanelSnapshot) -> list[str]:
        if snapshot.values is not self._values:  # they stay for several ticks
            self._values = snapshot.values
            values = {**snapshot.values, **snapshot.rows} if snapshot.rows else snapshot.values
            self._reading_cells = [
                _reading(values.get(name) if snapshot.is_derived(name) == derived else None)
                for name, derived, _ in self._readings
            ]
        cells = [f"{snapshot.time_s:.4f}", snapshot.telemetry, _number(snapshot.telemetry_age_s)]
        cells += [_number(snapshot.arrived_ago_s(name)) for name in self._arriving]
        cells += [_reading(snapshot.setting.inhg), *self._reading_cells]
        pointers = {pointer.key: pointer for pointer in snapshot.pointers}
        for key in self._pointers:
            pointer = pointers.get(key)
            cells += [""] * 9 if pointer is None else _pointer(pointer)
        if self._geared:
            geared = {pointer.key: pointer for pointer in snapshot.geared}
            for key in self._geared:
                cells += _geared(geared[key]) if key in geared else ["", ""]
        whys = {flag.key: flag.why for flag in snapshot.flags}
        cells += [whys.get(key, "") for key in self._flags]
        if self._lamps:
            lamps = {lamp.name: lamp for lamp in snapshot.lamps}
            for name in self._lamps:
                lamp = lamps.get(name)
                cells += ["", ""] if lamp is None else [f"{lamp.brightness:.3f}", lamp.state]
        if self._trains:
            cells.append("; ".join(snapshot.failures))
            cells += [
                _number(pointers[key].true_indication) if key in pointers else "" for key in self._pointers
            ]
        boards = {board.name: board for board in snapshot.boards}
        for name in self._boards:
            board = boards.get(name)
            cells += [""] * (len(LINK_FIGURES) + 2) if board is None else _board(board)
        return cells


def _pointer(pointer: PointerSnapshot) -> list[str]:
    state = pointer.state
    if pointer.lost:
        state = f"{state}; lost {' '.join(pointer.lost)}"
    if pointer.off_scale:
        state = f"{state}; off scale"
    if pointer.parked:
        state = f"{state}; parked"
    return [
        _number(pointer.indication),
        _number(pointer.shows),
        _number(pointer.face_deg),
        _number(pointer.target_steps),
        f"{pointer.commanded_steps:.3f}",
        str(pointer.reported_steps),
        _number(pointer.report_age_s),
        "" if pointer.missed_steps is None else str(pointer.missed_steps),
        f"{state}; held" if pointer.held else state,
    ]


def _board(board: BoardSnapshot) -> list[str]:
    return [board.state, *map(str, _figures(board)), f"{board.worst_round_trip_s:.5f}"]


def _geared(geared: GearedSnapshot) -> list[str]:
    return [_number(geared.shows), _number(geared.face_deg)]


def _reading(value: float | None) -> str:
    return "" if value is None else f"{value:.7g}"


def _number(value: float | None) -> str:
    return "" if value is None else f"{value:.3f}"
