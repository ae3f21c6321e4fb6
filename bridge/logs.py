"""Logging: structlog to the terminal's error output, in lines for people or in JSON."""

from __future__ import annotations

import logging
import sys
from collections.abc import Callable, Hashable
from typing import Any, TextIO

import structlog
from structlog.typing import Processor


def set_up(as_json: bool = False, sink: Callable[[str], None] | None = None) -> None:
    """Send log lines to stderr, or each as one string to `sink` (for a view that owns the terminal)."""
    render: Processor
    if as_json:
        render = structlog.processors.JSONRenderer()
    else:
        render = structlog.dev.ConsoleRenderer(
            colors=sink is None and sys.stderr.isatty(),
            # One with all locals, a panel among them, takes seconds to write, and needles would wait.
            exception_formatter=structlog.dev.plain_traceback,
        )
    structlog.configure(
        processors=[
            structlog.processors.add_log_level,
            structlog.processors.TimeStamper(fmt="iso" if as_json else "%H:%M:%S", utc=as_json),
            structlog.processors.format_exc_info if as_json else structlog.processors.StackInfoRenderer(),
            render,
        ],
        wrapper_class=structlog.make_filtering_bound_logger(logging.INFO),
        logger_factory=_ToSink(sink) if sink else structlog.PrintLoggerFactory(_stderr()),
        cache_logger_on_first_use=False,
    )


def _stderr() -> TextIO:
    return sys.stderr


class _ToSink:
    """A logger factory whose loggers pass each rendered line to one function."""

    def __init__(self, sink: Callable[[str], None]) -> None:
        self._sink = sink

    def __call__(self, *_: Any) -> _ToSink:
        return self

    def msg(self, message: str) -> None:
        self._sink(message)

    log = debug = info = warning = error = critical = exception = fatal = failure = msg


LOG_EVERY_S = 10.0

_MOST_KEYS = 1000
"""Far more different troubles than this is noise; forgetting them bounds the memory."""


class LogThrottle:
    """Limits how often the same trouble is logged: at once, then not before `every_s` has passed."""

    def __init__(self, every_s: float = LOG_EVERY_S) -> None:
        self._every_s = every_s
        self._logged: dict[Hashable, tuple[float, int]] = {}

    def due(self, key: Hashable, now_s: float) -> dict[str, int] | None:
        """None to be silent; else what to add to the line: `more`, how many were left out before it."""
        logged_s, left_out = self._logged.get(key, (-float("inf"), 0))
        if now_s - logged_s < self._every_s:
            self._logged[key] = (logged_s, left_out + 1)
            return None
        if len(self._logged) >= _MOST_KEYS:
            self._logged.clear()
        self._logged[key] = (now_s, 0)
        return {"more": left_out} if left_out else {}
