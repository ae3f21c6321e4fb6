"""The live terminal view: every pointer with what it should show and shows, the boards, and what is wrong.

It draws snapshots and knows nothing else, so it may draw in a thread of its own. At 80 columns and 24 lines
all numbers and states of a panel like the demo's are there; names are cut first.
"""

from __future__ import annotations

import sys
import textwrap
from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass

from rich.console import Console, Group
from rich.live import Live
from rich.table import Table
from rich.text import Text

from bridge.flight.snapshot import PanelSnapshot, PointerSnapshot
from bridge.logs import printable
from bridge.telemetry.replay import Playback

_STATE_STYLE = {
    "ready": "green",
    "homing": "yellow",
    "introducing": "yellow",
    "parked": "cyan",
    "held": "cyan",
}
_LEAST_NAME = 12
_MOST_LINES = 6
_LEAST_LOG = 2
_OLDER_S = 1.0
"""A quantity that is so much older than the newest is named with its age; that of the newest is in sight."""


@dataclass(frozen=True, slots=True)
class Shown:
    """What is drawn: the panel, where its replay is if it can be controlled, and the keys that there are."""

    panel: PanelSnapshot
    playback: Playback | None = None
    keys: str = ""


class View:
    """Draws snapshots into the terminal; log lines passed to `log` are shown beneath.

    `clock` is whether the time is one to show: a flight's own, not this machine's.
    """

    def __init__(self, title: str, console: Console | None = None, clock: bool = True) -> None:
        self._title = title
        self._clock = clock
        self._console = console or Console()
        self._lines: deque[str] = deque(maxlen=_MOST_LINES)
        self.live = Live(console=self._console, auto_refresh=False, transient=False)

    @property
    def shows_log(self) -> bool:
        """Whether log lines belong into the view: only where both would fill one terminal."""
        return self._console.is_terminal and sys.stderr.isatty()

    def log(self, line: str) -> None:
        """Take one log line; the latest are shown."""
        self._lines.append(line)

    @property
    def at_terminal(self) -> bool:
        """Whether somebody looks at it, and not a file or a pipe."""
        return self._console.is_terminal

    def draw(self, shown: Shown) -> None:
        """Draw the panel as this snapshot has it."""
        width, snapshot = self._console.width, shown.panel
        tables = [pointers(snapshot, width), boards(snapshot)]
        lit = list(lamps(snapshot))
        taken = (
            (2 if shown.playback is None else 3)
            + (lit is not None)
            + sum(table.row_count + 1 for table in tables)
        )
        room = max(_LEAST_LOG, self._console.height - 1 - taken) if self._console.is_terminal else 1000
        noted = [part for note in notes(snapshot) for part in _wrapped(note, width)]
        messages = [_wrapped(line, width) for line in self._lines.copy()]
        noted = noted[: max(0, room - min(sum(map(len, messages)), _LEAST_LOG))]
        log = _latest(messages, max(1, room - len(noted)))
        lines = [Text(line, "yellow") for line in noted] + [Text(line, "dim") for line in log]
        self.live.update(Group(*self._head(shown, width), *tables, *lit, *lines), refresh=True)

    def _head(self, shown: Shown, width: int) -> Iterator[Text]:
        snapshot = shown.panel
        age_s = snapshot.telemetry_age_s
        age = "none yet" if age_s is None else f"{age_s:.2f} s old"
        moment = f"{clock(snapshot.time_s)}   " if self._clock else ""
        age_text = f"   {moment}telemetry {snapshot.telemetry}, {age}"
        yield Text(
            _fitted(self._title, max(_LEAST_NAME, width - len(age_text))) + age_text, "bold", no_wrap=True
        )
        setting = snapshot.setting
        if setting.inhg is None or setting.hpa is None:
            yield Text("altimeter setting not known yet")
        else:
            yield Text(f"altimeter setting {setting.inhg:.2f} inHg, {setting.hpa:.1f} hPa ({setting.source})")
        if shown.playback is not None:
            now = shown.playback
            state = "playing" if now.playing else "paused"
            keys = f"   {shown.keys}" if shown.keys else ""
            place = f"replay {clock(now.time_s)}, {state}, speed {now.speed:g}"
            yield Text(place + keys, no_wrap=True, overflow="ellipsis")


def clock(time_s: float) -> str:
    """Minutes and seconds, for people."""
    tenths = round(time_s * 10)
    return f"{tenths // 600:02d}:{tenths % 600 / 10:04.1f}"


def pointers(snapshot: PanelSnapshot, width: int) -> Table:
    """One row for each pointer; names are cut in the middle for the width, then the steps are left out."""
    rows = [_pointer(pointer) for pointer in snapshot.pointers]
    for geared in snapshot.geared:
        numbers = (_number(geared.indication), geared.unit, _number(geared.shows), _number(geared.error, "+"))
        rows.append([geared.key, *numbers, "", "", "geared"])
    heads = ["pointer", "indication", "", "shows", "error", "target", "reported", "state"]
    widths = [max(len(row[i]) for row in (heads, *rows)) + 1 for i in range(len(heads))]
    columns = [0, 1, 2, 3, 4, 5, 6, 7]
    if width - sum(widths[1:]) < _LEAST_NAME:
        columns = [0, 1, 2, 3, 4, 7]
    name_width = max(_LEAST_NAME, width - sum(widths[i] for i in columns[1:]))
    table = _table(*(heads[i] for i in columns))
    for row in rows:
        state = Text(row[7], _STATE_STYLE.get(row[7], ""))
        table.add_row(Text(_fitted(row[0], name_width)), *(Text(row[i]) for i in columns[1:-1]), state)
    return table


def boards(snapshot: PanelSnapshot) -> Table:
    """One row for each board."""
    table = _table("board", "", "state", "frames", "lost", "round trip")
    for board in snapshot.boards:
        table.add_row(
            Text(_fitted(board.name, 30)),
            "virtual" if board.virtual else "",
            Text(board.state, _STATE_STYLE.get(board.state, "red")),
            str(board.sent),
            str(board.lost),
            f"{board.round_trip_s * 1000:.1f} ms",
        )
    return table


def lamps(snapshot: PanelSnapshot) -> Iterator[Text]:
    """All lamps in one line: the brightness of one that is lit, the state of any other."""
    if not snapshot.lamps:
        return
    shown = (
        f"{printable(lamp.name)} {f'{lamp.brightness:.2f}' if lamp.state == 'lit' else lamp.state}"
        for lamp in snapshot.lamps
    )
    yield Text(f"lamps  {'  '.join(shown)}", no_wrap=True, overflow="ellipsis")


def notes(snapshot: PanelSnapshot) -> Iterator[str]:
    """What is wrong or awaited, in a sentence each, the most urgent first."""
    for board in snapshot.boards:
        if board.state not in ("ready", "homing"):
            yield f"board {board.name} {board.state}: {board.detail}"
    dark: dict[str, list[str]] = {}
    for lamp in snapshot.lamps:
        if lamp.state == "off" and lamp.detail:
            dark.setdefault(f"board {lamp.board} {lamp.detail}", []).append(lamp.name)
    for why, names in dark.items():
        yield f"lamps {', '.join(names)} not lit: {why}"
    for gauge in snapshot.gauges:
        if gauge.state == "lost":
            yield f"{gauge.name} has lost its telemetry: {gauge.why}"
        elif gauge.state == "live" and gauge.why:
            yield f"{gauge.name} {gauge.why}"
    for flag in snapshot.flags:
        if flag.why:
            yield f"{flag.gauge} flag {flag.name}: {flag.why}"
    together: dict[str, list[str]] = {}
    for pointer in snapshot.pointers:
        if pointer.detail:
            together.setdefault(f"{pointer.state}, {pointer.detail}", []).append(pointer.key)
    for what, keys in together.items():
        yield f"{', '.join(keys)}: {what}"
    slow = {pointer.key: pointer.interval_s for pointer in snapshot.pointers if pointer.interval_s}
    if slow:
        yield f"{', '.join(slow)}: readings every {max(slow.values()):.1f} s, predicted in between"
    for gauge in snapshot.gauges:
        if gauge.state == "lacking":  # the log has the details
            yield f"{gauge.name} lacks telemetry: {gauge.why.partition(';')[0]}"
    newest_s = snapshot.telemetry_age_s or 0.0
    older = [
        f"{reading.name} {reading.age_s:.0f} s"
        for reading in snapshot.readings
        if not reading.derived and reading.age_s is not None and reading.age_s > newest_s + _OLDER_S
    ]
    if older:
        yield f"older than the rest of telemetry: {', '.join(older)}"


def _pointer(pointer: PointerSnapshot) -> list[str]:
    state = pointer.state
    if state == "ready":
        marks = ("held", pointer.held), ("lost", pointer.lost), ("parked", pointer.parked)
        state = next((mark for mark, is_so in marks if is_so), state)
    return [
        pointer.key,
        _number(pointer.indication),
        pointer.unit,
        _number(pointer.shows),
        "off scale" if pointer.off_scale else _number(pointer.error, "+"),
        _number(pointer.target_steps),
        str(pointer.reported_steps),
        state,
    ]


def _table(*titles: str) -> Table:
    """Numbers to the right, words to the left; what is too wide is cut, not wrapped."""
    table = Table(box=None, pad_edge=False, padding=(0, 1, 0, 0))
    for title in titles:
        left = title in ("pointer", "board", "state", "")
        table.add_column(title, justify="left" if left else "right", no_wrap=True, overflow="ellipsis")
    return table


def _fitted(name: str, width: int) -> str:
    """The name, cut in its middle so that it takes `width` columns at most."""
    name = printable(name)
    if len(name) <= width:
        return name
    end = (width - 1) * 2 // 3  # the end of a name differs most often
    return f"{name[: width - 1 - end]}…{name[len(name) - end :]}"


def _wrapped(line: str, width: int) -> list[str]:
    """The line's words in as many lines as they need: a cause at its end is not cut."""
    words = " ".join(printable(word) for word in line.split())
    return textwrap.wrap(words, width, subsequent_indent="    ", break_on_hyphens=False)


def _latest(messages: list[list[str]], room: int) -> list[str]:
    """The lines of the latest messages that fit whole; the end of the last where that one does not."""
    lines: list[str] = []
    for message in reversed(messages):
        if lines and len(lines) + len(message) > room:
            break
        lines = message + lines
    return lines[-room:]


def _number(value: float | None, sign: str = "") -> str:
    return "" if value is None else f"{value:{sign}.1f}"
