"""A progress bar with the time left, on a terminal only; log lines are printed above it.

It is drawn by `Drawing`, in a thread of its own: a terminal that is stopped delays nothing that flies.
"""

from __future__ import annotations

import sys
from collections import deque

from rich.console import Console
from rich.live import Live
from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeRemainingColumn

_MOST_LINES = 1000


class Bar:
    """How far a flight is on its way from `start_s` to `end_s` (s of the flight)."""

    def __init__(self, words: str) -> None:
        console = Console(stderr=True)
        columns = BarColumn(), TaskProgressColumn(), TimeRemainingColumn(), TextColumn("left")
        self._progress = Progress(TextColumn("{task.description}"), *columns, console=console)
        self._task = self._progress.add_task(words, total=None)
        self._lines: deque[str] = deque(maxlen=_MOST_LINES)
        self.start_s, self.end_s = 0.0, 0.0
        self.live = Live(self._progress, console=console, auto_refresh=False, transient=True)

    def log(self, line: str) -> None:
        """Print this log line with the next drawing."""
        self._lines.append(line)

    def draw(self, time_s: float) -> None:
        """The flight is here."""
        self._print()
        total = max(self.end_s - self.start_s, 1e-9)
        done = min(max(time_s - self.start_s, 0.0), total)
        self._progress.update(self._task, completed=done, total=total)
        self.live.refresh()

    def close(self) -> None:
        """Print the log lines that are left."""
        self._print()

    def _print(self) -> None:
        while self._lines:
            self.live.console.print(self._lines.popleft(), markup=False, highlight=False, soft_wrap=True)


def at_terminal() -> bool:
    """Whether there is a terminal to draw in."""
    return sys.stderr.isatty() and sys.stdout.isatty()
