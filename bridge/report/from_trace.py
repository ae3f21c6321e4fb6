"""A recorded trace as the tracks of a report: the rows that `bridge.flight.trace` writes, read again."""

from __future__ import annotations

import csv
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path

from bridge.errors import DescriptionError
from bridge.flight.snapshot import BoardSnapshot
from bridge.flight.trace import LINK_FIGURES, MARK
from bridge.panel.load import Panel
from bridge.report.tracks import ALTITUDES, EXCUSED, LOST, OFF_SCALE, Flight, Track, tracks_of

_SLACK_SHARE = 1e-6  # of the scale: nearer to its end is on it
_COLUMNS = ("indication", "shows", "commanded", "reported", "report_age", "state")


def is_trace(path: Path) -> bool:
    """Whether this file begins as every trace does, and no flight log."""
    try:
        with path.open("rb") as file:
            return file.read(len(MARK) + 3).removeprefix(b"\xef\xbb\xbf").startswith(MARK.encode())
    except OSError:
        return False  # who reads it has the words for that


def refuse_trace(path: Path) -> None:
    """Raises DescriptionError for a trace, where a flight log is read."""
    if is_trace(path):
        found, expected = "a trace, in which needles have moved already", "a flight log"
        cure = "replay FILE --report REPORT.html tells what went wrong in a trace"
        raise DescriptionError(str(path), "", found, expected, cure)


def read_trace(path: Path, panel: Panel) -> Flight:
    """The flight in this trace, which this panel flew.

    Rows that can't be read (cut off, not numbers, times that go back) are skipped, and counted in the title.
    Raises DescriptionError for a file without pointers of this panel, or that can't be read.
    """
    flight = Flight(path.name)
    tracks = tracks_of(panel)
    skipped = 0
    try:
        with path.open(encoding="utf-8", errors="replace", newline="") as file:
            rows = csv.reader(file)
            header = next(rows)
            places = _places(header, tracks)
            flight.tracks = {key: tracks[key] for key in places}
            if not places:
                found = "no pointer of this panel"
                expected = f"columns of {', '.join(list(tracks)[:3])} ..."
                cure = "Name the panel that was flown with --panel"
                raise DescriptionError(str(path), "", found, expected, cure)
            shared = _Shared(header)
            bare = {name.partition("[")[0]: n for n, name in enumerate(header)}
            pointers = [
                _Pointer(flight.tracks[key], columns, bare.get(f"{key}.missed"))
                for key, columns in places.items()
            ]
            last: list[str] = []
            for row in rows:
                try:
                    _take(flight, shared, pointers, row)
                except (ValueError, IndexError):
                    skipped += 1
                else:
                    last = row
            with suppress(ValueError, IndexError):
                flight.boards = shared.link_figures(last)
    except (OSError, csv.Error, StopIteration) as error:
        found = f"a file that can't be read ({error or 'it is empty'})"
        raise DescriptionError(str(path), "", found, "a trace", "Check the path") from None
    if not flight.ticks_s:
        raise DescriptionError(str(path), "", "no row", "at least one", "Trace the flight again")
    if skipped:
        flight.title += f" ({skipped} rows could not be read)"
    return flight


def _places(header: Sequence[str], tracks: dict[str, Track]) -> dict[str, tuple[int, ...]]:
    """For each pointer of the panel that is in the trace: its columns, in the order of `_COLUMNS`."""
    by_name = {name.partition("[")[0]: n for n, name in enumerate(header)}
    places = {}
    for key in tracks:
        columns = tuple(by_name.get(f"{key}.{name}", -1) for name in _COLUMNS)
        if -1 not in columns:
            places[key] = columns
    return places


class _Shared:
    """The columns that all pointers share."""

    def __init__(self, header: Sequence[str]) -> None:
        bare = [name.partition("[")[0] for name in header]
        self.altitudes = [
            (quantity, bare.index(f"{kind}.{quantity}"))
            for quantity in ALTITUDES
            for kind in ("raw", "derived")
            if f"{kind}.{quantity}" in bare
        ]
        self.failures = bare.index("failures") if "failures" in bare else None
        self.boards = [
            (name.removeprefix("board.").removesuffix(".state"), n)
            for n, name in enumerate(bare)
            if name.startswith("board.") and name.endswith(".state")
        ]
        self._figures = {
            name: [bare.index(f"board.{name}.{figure}") for figure in (*LINK_FIGURES, "worst_round_trip")]
            for name, _ in self.boards
            if f"board.{name}.worst_round_trip" in bare
        }

    def link_figures(self, row: Sequence[str]) -> tuple[BoardSnapshot, ...]:
        """Of each board at this row, where the trace has them; raises ValueError for what is no number."""
        found = []
        for name, places in self._figures.items():
            *counts, worst_s = (row[n] or "0" for n in places)
            figures = dict(zip(LINK_FIGURES, map(int, counts), strict=True))
            found.append(
                BoardSnapshot(
                    name, False, "", "", disbelieved=0, undecodable=0, round_trip_s=0.0,
                    worst_round_trip_s=float(worst_s), **figures,
                )
            )  # fmt: skip
        return tuple(found)


class _Pointer:
    """One pointer's columns (that of `missed` if there is one), and its scale's ends with a little slack."""

    def __init__(self, track: Track, columns: tuple[int, ...], missed: int | None) -> None:
        self.track = track
        self.columns = columns
        self.missed = missed
        face = track.pointer.face
        slack = _SLACK_SHARE * (face.high - face.low)
        endless = track.pointer.endless
        self.low = float("-inf") if endless else face.low - slack
        self.high = float("inf") if endless else face.high + slack


def _take(flight: Flight, shared: _Shared, pointers: Sequence[_Pointer], row: Sequence[str]) -> None:
    time_s = float(row[0])
    if flight.ticks_s and time_s <= flight.ticks_s[-1]:
        raise ValueError("the time goes back")
    taken = [_numbers(pointer, row) for pointer in pointers]  # all or nothing of a row
    arrived_s = time_s - float(row[2]) if row[2] else None
    readings = {name: float(row[n]) for name, n in shared.altitudes if row[n]}
    flight.tick(time_s, row[1], readings, "" if shared.failures is None else row[shared.failures])
    for pointer, (indication, shows, commanded, reported, age_s, state) in zip(pointers, taken, strict=True):
        marks = 0
        if indication is not None and not pointer.low <= indication <= pointer.high:
            marks |= OFF_SCALE
        if state != "ready":
            if not state.startswith("ready"):
                shows = None
            marks |= LOST if "; lost " in state else 0
            marks |= EXCUSED if state.endswith(("parked", "held")) else 0
        report_s = None if age_s is None else time_s - age_s
        missed = int(row[pointer.missed] or 0) if pointer.missed is not None else 0
        pointer.track.take(time_s, arrived_s, indication, shows, report_s, reported, commanded, marks, missed)
    for name, n in shared.boards:
        flight.board(time_s, name, row[n])


def _numbers(
    pointer: _Pointer, row: Sequence[str]
) -> tuple[float | None, float | None, float, float, float | None, str]:
    indication, shows, commanded, reported, age, state = (row[n] for n in pointer.columns)
    return (
        float(indication) if indication else None,
        float(shows) if shows else None,
        float(commanded),
        float(reported),
        float(age) if age else None,
        state,
    )
