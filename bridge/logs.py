"""Logging: structlog to the terminal's error output, in lines for people or in JSON."""

from __future__ import annotations

import logging
import sys
from collections.abc import Callable
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
