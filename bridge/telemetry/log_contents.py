"""What a flight log has, read from end to end and shown: for whoever wants to know before it is flown."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from bridge.logs import printable
from bridge.telemetry.recorded import RecordedFlight


@dataclass(slots=True)
class Seen:
    """One quantity in a log, in its canonical unit: rows that have it, the first, least and greatest value,
    and the times (s) of the first and last of them."""

    rows: int
    first: float
    least: float
    greatest: float
    begin_s: float
    end_s: float

    def take(self, time_s: float, value: float) -> None:
        """One more row."""
        self.rows += 1
        self.least, self.greatest = min(self.least, value), max(self.greatest, value)
        self.end_s = time_s

    @property
    def interval_s(self) -> float | None:
        """The mean time between two rows that have it; None with only one moment."""
        return (self.end_s - self.begin_s) / (self.rows - 1) if self.end_s > self.begin_s else None


@dataclass(slots=True)
class LogContents:
    """The rows of a log, its first and last time (s), and its quantities by name."""

    rows: int = 0
    begin_s: float = 0.0
    end_s: float = 0.0
    seen: dict[str, Seen] = field(default_factory=dict[str, Seen])


def contents(log: RecordedFlight) -> LogContents:
    """Read the log to its end; its bad lines are logged."""
    found = LogContents()
    for time_s, readings in log:
        if not found.rows:
            found.begin_s = time_s
        found.rows += 1
        found.end_s = time_s
        for name, value in readings.items():
            seen = found.seen.get(name)
            if seen is None:
                seen = found.seen[name] = Seen(0, value, value, value, time_s, time_s)
            seen.take(time_s, value)
    return found


def summary(log: RecordedFlight, found: LogContents) -> str:
    """Rows, times, day and place, in one line."""
    parts = [f"{found.rows:,} rows from {found.begin_s:g} s to {found.end_s:g} s"]
    if log.date is not None:
        parts.append(log.date.isoformat())
    if log.place is not None:
        parts.append(place_words(*log.place))
    return ", ".join(parts)


def place_words(latitude_deg: float, longitude_deg: float) -> str:
    """A place as people write it."""
    north, east = "N" if latitude_deg >= 0 else "S", "E" if longitude_deg >= 0 else "W"
    return f"{abs(latitude_deg):.1f} {north}, {abs(longitude_deg):.1f} {east}"


def shown(log: RecordedFlight, found: LogContents) -> RenderableType:
    """The log's contents as a table, and what is assumed of it."""
    grid = Table("quantity", "unit", box=None, pad_edge=False, padding=(0, 1, 0, 0))
    for head in ("first", "least", "greatest", "rows", "every"):
        grid.add_column(head, justify="right")
    for name, seen in sorted(found.seen.items()):
        values = (
            f"{value:,.{1 if abs(value) >= 1000.0 else 3}f}"
            for value in (seen.first, seen.least, seen.greatest)
        )
        interval_s = seen.interval_s
        every = "" if interval_s is None else f"{interval_s:.2f} s"
        grid.add_row(name, Text(log.catalogue[name].unit), *values, f"{seen.rows:,}", every)
    title = Text(printable(f"{log.path.name}: {summary(log, found)}"), style="bold")
    return Group(title, grid, *_notes(log, found))


def _notes(log: RecordedFlight, found: LogContents) -> Iterator[Text]:
    for absent in sorted(log.given - found.seen.keys()):
        yield Text(printable(f"{absent}: named in the log, and in no row that can be read"), style="yellow")
    for assumption in log.assumptions:
        yield Text(printable(assumption), style="dim")
