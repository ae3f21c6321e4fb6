"""Single bad lines of a log whose other lines fly: each is reported once, however often it is read."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Literal

import structlog

from bridge.errors import DescriptionError

MOST_REPORTED = 20
"""Bad lines that are logged one by one; the others are counted."""

_SURE_S = 60.0
"""A row later by more than this counts once the next follows it: a wrong digit would hide what comes."""
_LONGEST_LAST_S = 3600.0
"""The last row has none to follow it: it is left out when it is later by more than this."""

_log = structlog.get_logger()

Row = tuple[int, float, dict[str, float]]
"""Number of its line, its time as the log has it (s), and its readings."""


class BadLines:
    """The bad lines of one log, or what is at a byte of one that has no lines."""

    def __init__(self, path: Path, counted: Literal["line", "byte"] = "line") -> None:
        self._path = path
        self._counted_in = counted
        self._reported: set[int] = set()
        self._counted = MOST_REPORTED

    def report(self, line: int, key: str, found: str, expected: str) -> None:
        """A line that is skipped, or what `key` names in it that is left out."""
        if line in self._reported:
            return
        self._reported.add(line)
        if len(self._reported) <= MOST_REPORTED:
            if self._counted_in == "line":
                cure = f"{'It is left out' if key else 'The line is skipped'}; correct it if you can"
                where = f"{self._path}:{line}"
            else:
                cure = f"{'It is left out' if key else 'What is there is skipped'}: the file is damaged there"
                where = f"{self._path}, byte {line}"
            _log.warning("bad line", detail=str(DescriptionError(where, key, found, expected, cure)))

    def sum_up(self) -> None:
        """The log has been read to its end: report how many lines there were that were not logged."""
        if len(self._reported) > self._counted:
            self._counted = len(self._reported)
            _log.warning("bad lines", log=str(self._path), lines=self._counted)

    def in_order(
        self,
        rows: Iterator[Row],
        step_s: Callable[[float, float], float],
        shown: Callable[[float], str],
        begin_s: float | None,
    ) -> Iterator[tuple[float, dict[str, float]]]:
        """The rows in order; those that go back, or that the next one does not follow, are reported.

        `step_s` is the time from one to another, `shown` how a message writes one. The first is at `begin_s`,
        or at its own time where that is None.
        """
        waiting: Row | None = None  # a row that the next one must follow
        before_s = time_s = 0.0
        began = False
        for row in rows:
            line, row_s, readings = row
            if waiting is not None:
                waiting_line, waiting_s, held = waiting
                waiting = None
                if step_s(waiting_s, row_s) >= 0.0:
                    if began:
                        time_s += step_s(before_s, waiting_s)
                    else:
                        time_s, began = waiting_s if begin_s is None else begin_s, True
                    before_s = waiting_s
                    yield time_s, held
                else:
                    found = f"{shown(waiting_s)} before {shown(row_s)} in {self._counted_in} {line}"
                    self.report(waiting_line, "", found, _ORDER)
            step = step_s(before_s, row_s)
            if not began or step > _SURE_S:
                waiting = row
            elif step < 0.0:
                self.report(line, "", f"{shown(row_s)} after {shown(before_s)}", _ORDER)
            else:
                time_s, before_s = time_s + step, row_s
                yield time_s, readings
        if waiting is not None:
            line, row_s, readings = waiting
            step = step_s(before_s, row_s) if began else 0.0
            if step <= _LONGEST_LAST_S:
                first_s = row_s if begin_s is None else begin_s
                yield (time_s + step if began else first_s), readings
            else:
                self.report(
                    line, "", f"{shown(row_s)} after {shown(before_s)}, with nothing after it", _ORDER
                )
        self.sum_up()


_ORDER = "times that never fall"

DAY_S = 86_400.0


def clock_step_s(before_s: float, after_s: float) -> float:
    """From one time of the day to another: across midnight where that is nearer."""
    return (after_s - before_s + DAY_S / 2) % DAY_S - DAY_S / 2


def clock(day_s: float) -> str:
    """A time of the day as people write it."""
    minutes, seconds = divmod(round(day_s % DAY_S, 3), 60.0)
    return f"{int(minutes) // 60:02d}:{int(minutes) % 60:02d}:{seconds:02g}"
