"""The live terminal view: every gauge's indication, target and place, and the boards' health."""

from __future__ import annotations

from collections import deque

from rich.console import Console, Group
from rich.live import Live
from rich.table import Table
from rich.text import Text

from bridge.boards.pointer_channel import Phase
from bridge.boards.session import BoardSession
from bridge.boards.state import State
from bridge.flight.chain import DrivenPointer
from bridge.flight.running_panel import RunningPanel

_STATE_STYLE = {State.READY: "green", State.HOMING: "yellow", State.INTRODUCING: "yellow"}


class View:
    """Draws a running into the terminal when told to; log lines passed to `log` stand beneath it.

    `clock` tells whether the time is one to show: a flight's own, not this machine's.
    """

    def __init__(self, title: str, console: Console | None = None, clock: bool = True) -> None:
        self._title = title
        self._clock = clock
        self._lines: deque[str] = deque(maxlen=6)
        self.live = Live(console=console, auto_refresh=False, transient=False)

    def log(self, line: str) -> None:
        self._lines.append(line)

    def draw(self, running: RunningPanel, time_s: float) -> None:
        """Draw the running as it stands at this time."""
        age = (
            "none yet"
            if running.telemetry_s is None
            else f"{max(0.0, time_s - running.telemetry_s):.2f} s old"
        )
        shown = f"{clock(time_s)}   " if self._clock else ""
        head = Text(f"{self._title}   {shown}telemetry {running.telemetry.value}, {age}", style="bold")
        log = Text("\n".join(self._lines), style="dim", no_wrap=True, overflow="ellipsis")
        missing = [
            _words(f"{gauge} lacks telemetry: {why}", "yellow")
            for gauge, why in running.chain.missing.items()
        ]
        self.live.update(Group(head, gauges(running), *missing, boards(running), log), refresh=True)


def clock(time_s: float) -> str:
    """Minutes and seconds, for people."""
    tenths = round(time_s * 10)
    return f"{tenths // 600:02d}:{tenths % 600 / 10:04.1f}"


def gauges(running: RunningPanel) -> Table:
    """One row for each pointer: at 80 columns all numbers are there, and words give way."""
    table = _table("gauge", "indication", "", "shows", "error", "target", "board says", "state")
    for pointer in running.panel.pointers:
        needle = running.chain.pointers[pointer.board, pointer.channel]
        channel = running.sessions[pointer.board].channels[pointer.channel]
        shown = shown_reading(needle, float(channel.position)) if channel.phase is Phase.READY else None
        error = None if shown is None or needle.indication is None else shown - needle.indication
        table.add_row(
            pointer.key,
            _number(needle.indication),
            pointer.unit,
            _number(shown),
            _number(error, "+"),
            _number(needle.target),
            f"{channel.position}",
            _words(f"{channel.phase.value} {channel.detail}".strip()),
        )
    return table


def boards(running: RunningPanel) -> Table:
    """One row for each board."""
    table = _table("board", "state", "frames", "lost", "round trip", "")
    for session in running.sessions.values():
        table.add_row(*_board(session))
    return table


def shown_reading(needle: DrivenPointer, position_steps: float) -> float:
    """What the pointer shows at this position; an endless one is read in the turn nearest to its target."""
    pointer = needle.pointer
    if needle.target is not None and needle.indication is not None:
        # whole turns away from the reading's own turn mean nothing on the face
        absolute = pointer.position(needle.indication, needle.direction.falling)
        position_steps = pointer.nearest(position_steps, absolute)
    return pointer.reading(position_steps, needle.direction.falling)


def _board(session: BoardSession) -> tuple[str | Text, ...]:
    figures = session.statistics
    style = _STATE_STYLE.get(session.state, "red")
    return (
        session.name,
        Text(session.state.value, style=style),
        str(figures.sent),
        str(figures.board_missed),
        f"{figures.round_trip_s * 1000:.1f} ms",
        _words("" if session.state is State.READY else session.detail),
    )


def _table(*titles: str) -> Table:
    """Numbers to the right; the last column is for words, and the first to be cut."""
    table = Table(box=None, pad_edge=False, padding=(0, 1, 0, 0))
    for title in titles[:-1]:
        left = title in ("gauge", "board", "state", "")
        table.add_column(title, justify="left" if left else "right", no_wrap=True)
    table.add_column(titles[-1])
    return table


def _words(text: str, style: str = "") -> Text:
    return Text(text, style, no_wrap=True, overflow="ellipsis")


def _number(value: float | None, sign: str = "") -> str:
    return "" if value is None else f"{value:{sign}.1f}"
