"""Recorded flights: what every kind of log offers, and the table of the kinds."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any, Protocol

from bridge.quantities.catalogue import CATALOGUE, Catalogue
from bridge.telemetry.flightlog import Moment, Place, read_log
from bridge.telemetry.igc import read_igc
from bridge.telemetry.log_layout import load_log_layout
from bridge.telemetry.table import read_table
from bridge.telemetry.tlog import is_tlog, read_tlog

_HEAD_BYTES = 4096


class RecordedFlight(Protocol):
    """A log whose header has been read. Iterating reads it from its start, as often as one likes.

    A moment is its time in seconds, never falling, and the readings in canonical units. `assumptions` are
    sentences to log once, at the start.
    """

    @property
    def path(self) -> Path:
        """The log's file."""
        ...

    @property
    def catalogue(self) -> Catalogue:
        """The catalogue that its quantities, and their canonical units, are from."""
        ...

    @property
    def given(self) -> frozenset[str]:
        """The quantities that it has."""
        ...

    @property
    def assumptions(self) -> tuple[str, ...]:
        """A sentence for each thing that the log leaves open and was assumed; empty for none."""
        ...

    @property
    def date(self) -> date | None:
        """The day (UTC) of its first moment, where the log has it."""
        ...

    @property
    def place(self) -> Place | None:
        """Where the flight begins, where the log has it."""
        ...

    def __iter__(self) -> Iterator[Moment]: ...


class LogAround:
    """A log that is as `log` in what does not differ: for those that complete or change another one."""

    log: RecordedFlight

    @property
    def path(self) -> Path:
        """As `RecordedFlight.path`."""
        return self.log.path

    @property
    def catalogue(self) -> Catalogue:
        """As `RecordedFlight.catalogue`."""
        return self.log.catalogue

    @property
    def date(self) -> date | None:
        """As `RecordedFlight.date`."""
        return self.log.date

    @property
    def place(self) -> Place | None:
        """As `RecordedFlight.place`."""
        return self.log.place


@dataclass(frozen=True, slots=True)
class LogKind:
    """One kind of log: how it is known by its file's name and first bytes, and how it is read."""

    fits: Callable[[Path, bytes], bool]
    read: Callable[[Path, Catalogue, Any], RecordedFlight]
    """With the log layout of its kind, None without one."""


_IGC_BEGINS = re.compile(rb"A[A-Z0-9]{3}[^\n]*\n\s*H[FOP]")


def _is_igc(path: Path, head: bytes) -> bool:
    return path.suffix.lower() == ".igc" or _IGC_BEGINS.match(head) is not None


def _is_tlog(path: Path, head: bytes) -> bool:
    return path.suffix.lower() == ".tlog" or is_tlog(head)


KINDS: dict[str, LogKind] = {
    "igc": LogKind(_is_igc, read_igc),
    "mavlink": LogKind(_is_tlog, read_tlog),
    "table": LogKind(lambda path, head: False, read_table),  # only a layout tells what is in one
    "flight log": LogKind(lambda path, head: True, lambda path, catalogue, layout: read_log(path, catalogue)),
}
"""By the `kind` of their log layouts; without a layout the first that fits reads a file."""


def open_log(path: Path, catalogue: Catalogue = CATALOGUE, layout: Path | None = None) -> RecordedFlight:
    """The log in this file, of whatever kind, its header checked; raises `DescriptionErrors`.

    `layout` is a file that states what is in it, and so of which kind it is.
    """
    if layout is not None:
        described = load_log_layout(layout, catalogue)
        return KINDS[described.kind].read(path, catalogue, described)
    try:
        with path.open("rb") as file:
            head = file.read(_HEAD_BYTES)
    except OSError:
        head = b""  # its reader has the words for that
    return next(kind for kind in KINDS.values() if kind.fits(path, head)).read(path, catalogue, None)
