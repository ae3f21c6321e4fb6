"""Logging: structlog to the terminal's error output, in lines for people or in JSON.

Rendering is the caller's; writing is a thread's. So a log that can't be written (reader gone, disk full, a
terminal stopped by Ctrl-S, a slow pipe) costs log lines and nothing else. What is lost is counted, and
reported once a line gets through again.
"""

from __future__ import annotations

import atexit
import logging
import os
import sys
import threading
import time
from collections import deque
from collections.abc import Callable, Hashable
from dataclasses import dataclass
from math import inf
from typing import Any, TextIO

import structlog
from structlog.typing import EventDict, Processor

TAIL_LINES = 50
_LONGEST_TAIL = 400
_NOT_TEXT = frozenset({"event", "level", "exc_info", "timestamp"})
MOST_WAITING = 1000
"""Lines that wait to be written; beyond them the newest are lost."""
MOST_PER_S = 100
"""Lines in a second, over all causes; beyond them they are lost."""
FLUSH_S = 0.3
"""How long the end of a program waits for its last lines."""


def set_up(
    as_json: bool = False, sink: Callable[[str], None] | None = None, tail: LogTail | None = None
) -> None:
    """Send log lines to stderr, or each as one string to `sink` (for a view that owns the terminal).

    `tail` keeps the last ones as well.
    """
    render: Processor
    if as_json:
        render = structlog.processors.JSONRenderer()
    else:
        render = structlog.dev.ConsoleRenderer(
            colors=sink is None and sys.stderr.isatty(),
            # One with all locals, a panel among them, takes seconds to write, and needles would wait.
            exception_formatter=structlog.dev.plain_traceback,
        )
    if sink is None:
        writer = LineWriter(sys.stderr)
        atexit.register(writer.flush, FLUSH_S)
        sink = writer.put
    structlog.configure(
        processors=[
            structlog.processors.add_log_level,
            *([tail.take] if tail is not None else []),
            structlog.processors.TimeStamper(fmt="iso" if as_json else "%H:%M:%S", utc=as_json),
            structlog.processors.format_exc_info if as_json else _printable_fields,  # JSON escapes by itself
            render,
        ],
        wrapper_class=structlog.make_filtering_bound_logger(logging.INFO),
        logger_factory=_ToSink(sink),
        cache_logger_on_first_use=False,
    )


@dataclass(frozen=True, slots=True)
class LogLine:
    """One log line for a reader: time of day, level, and all in one line of text.

    `on_failures`: it names a failure that was switched for training.
    """

    at: str
    level: str
    text: str
    on_failures: bool = False


class LogTail:
    """The last lines of the log, for whoever shows them; the oldest first."""

    def __init__(self) -> None:
        self._lines: deque[LogLine] = deque(maxlen=TAIL_LINES)

    @property
    def lines(self) -> tuple[LogLine, ...]:
        """As they are now."""
        return tuple(self._lines)

    def take(self, logger: object, method: str, fields: EventDict) -> EventDict:
        """A processor of structlog: keep the line, and pass it on as it is."""
        event, level = fields.get("event", ""), fields.get("level", method)
        named = (f"{name}={value}" for name, value in fields.items() if name not in _NOT_TEXT)
        text = printable(" ".join([str(event), *named]).replace("\n", " "))
        at = time.strftime("%H:%M:%S")
        self._lines.append(LogLine(at, str(level), text[:_LONGEST_TAIL], on_failures="failure" in fields))
        return fields


def _printable_fields(logger: object, method: str, fields: EventDict) -> EventDict:
    """What the line holds, without anything that could steer a terminal; texts of several lines stay so."""
    return {
        name: printable_lines(value) if isinstance(value, str) else value for name, value in fields.items()
    }


class _ToSink:
    """A logger factory whose loggers pass each rendered line to one function."""

    def __init__(self, sink: Callable[[str], None]) -> None:
        self._sink = sink

    def __call__(self, *_: Any) -> _ToSink:
        return self

    def msg(self, message: str) -> None:
        self._sink(message)

    log = debug = info = warning = error = critical = exception = fatal = failure = msg


class LineWriter:
    """Writes lines to a stream from a daemon thread; `put` never waits and never raises."""

    def __init__(self, stream: TextIO, clock: Callable[[], float] = time.monotonic) -> None:
        self._stream = stream
        self._clock = clock
        self._change = threading.Condition()  # guards all below
        self._waiting: deque[str] = deque()
        self._writing = False
        self._lost = 0
        self._second = (0.0, 0)  # when it began, lines since
        self._thread = threading.Thread(target=self._write_all, name="log", daemon=True)
        self._thread.start()

    def put(self, line: str) -> None:
        """Take a line; it is lost, and counted, where too many wait or come in one second."""
        now_s = self._clock()
        with self._change:
            begun_s, count = self._second
            self._second = (begun_s, count + 1) if now_s - begun_s < 1.0 else (now_s, 1)
            if self._second[1] > MOST_PER_S or len(self._waiting) >= MOST_WAITING:
                self._lost += 1
                return
            self._waiting.append(line)
            self._change.notify_all()

    def flush(self, patience_s: float) -> None:
        """Wait until all is written, but no longer than this."""
        with self._change:
            self._change.wait_for(lambda: not self._waiting and not self._writing, patience_s)

    def _write_all(self) -> None:
        while True:
            with self._change:
                self._writing = False
                self._change.notify_all()
                self._change.wait_for(lambda: bool(self._waiting))
                lines, lost = list(self._waiting), self._lost
                self._waiting.clear()
                self._lost, self._writing = 0, True
            if lost:
                lines.append(f"{lost} log lines were lost: too many, or the log could not be written")
            for number, line in enumerate(lines):
                try:
                    self._write(f"{line}\n".encode(errors="replace"))
                except (OSError, ValueError):  # gone or full: the next line may get through
                    with self._change:
                        self._lost += lost if lost and number == len(lines) - 1 else 1

    def _write(self, data: bytes) -> None:
        """Past the stream's own buffer, whose lock a write that hangs would hold for ever."""
        try:
            descriptor = self._stream.fileno()
        except (OSError, ValueError, AttributeError):  # a stream in memory, or one that is closed
            self._stream.write(data.decode())
            return
        while data:
            data = data[os.write(descriptor, data) :]


LOG_EVERY_S = 10.0

MOST_KEYS = 1000
"""Far more different troubles than this is noise; forgetting them bounds the memory. What had been left out
is reported with the next line of any."""


class LogThrottle:
    """Limits how often the same trouble is logged: `burst` lines, then none before `every_s` has passed.

    Each method logs one event under a key, at a time of the caller's clock (s); a line after others were left
    out carries `more`, how many. Of a `member` of the key (one of many senders) the burst has one line.
    """

    def __init__(self, every_s: float = LOG_EVERY_S, burst: int = 1) -> None:
        self._every_s = every_s
        self._burst = burst
        self._logged: dict[Hashable, tuple[float, int, int]] = {}  # since when, lines since, left out
        self._members: dict[tuple[Hashable, Hashable], float] = {}  # when each had its line
        self._forgotten = 0

    def due(self, key: Hashable, now_s: float, member: Hashable = None) -> dict[str, int] | None:
        """None to be silent; else what to add to the line: `more`, how many were left out before it."""
        begun_s, lines, left_out = self._logged.get(key, (-inf, 0, 0))
        if now_s - begun_s >= self._every_s:
            begun_s, lines = now_s, 0
        had_line_s = self._members.get((key, member), -inf)
        if lines >= self._burst or (member is not None and now_s - had_line_s < self._every_s):
            self._logged[key] = (begun_s, lines, left_out + 1)
            return None
        if len(self._logged) >= MOST_KEYS and key not in self._logged:
            self._forgotten += sum(count for _, _, count in self._logged.values())
            self._logged.clear()
        if len(self._members) >= MOST_KEYS:
            self._members.clear()
        if member is not None:
            self._members[key, member] = now_s
        self._logged[key] = (begun_s, lines + 1, 0)
        left_out += self._forgotten
        self._forgotten = 0
        return {"more": left_out} if left_out else {}

    def info(self, event: str, key: Hashable, now_s: float, **fields: object) -> None:
        """Log at level info, unless `key` has had its share for now."""
        self._line("info", event, key, now_s, fields)

    def warning(
        self, event: str, key: Hashable, now_s: float, member: Hashable = None, **fields: object
    ) -> None:
        """Log at level warning, unless `key`, or the member, has had its share for now."""
        self._line("warning", event, key, now_s, fields, member)

    def error(self, event: str, key: Hashable, now_s: float, **fields: object) -> None:
        """Log at level error, unless `key` has had its share for now."""
        self._line("error", event, key, now_s, fields)

    def exception(self, event: str, key: Hashable, now_s: float, **fields: object) -> None:
        """With the traceback of the exception that is being handled."""
        self._line("exception", event, key, now_s, fields)

    def _line(
        self,
        level: str,
        event: str,
        key: Hashable,
        now_s: float,
        fields: dict[str, object],
        member: Hashable = None,
    ) -> None:
        if (count := self.due((event, key), now_s, member)) is not None:
            getattr(structlog.get_logger(), level)(event, **fields, **count)


def printable(text: str) -> str:
    """Text that came from outside, fit for a terminal: control characters and escapes are written out."""
    return "".join(letter if letter.isprintable() else f"\\x{ord(letter):02x}" for letter in text)


def printable_lines(text: str) -> str:
    """As `printable`, of a text that may have several lines."""
    return "\n".join(printable(line) for line in text.split("\n"))
