"""Log lines: for people short, for machines JSON."""

from __future__ import annotations

import io
import itertools
import json
import os
import threading

import structlog
from structlog.testing import capture_logs

from bridge import logs
from tests.conftest import wait_until


def said(as_json: bool) -> str:
    """What an exception's log line looks like where a big value stands in a local."""
    lines: list[str] = []
    logs.set_up(as_json, lines.append)
    try:
        try:
            whole = "description" * 1000
            raise KeyError(len(whole))
        except KeyError:
            structlog.get_logger().exception("part failed", part="files")
    finally:
        structlog.reset_defaults()
    (line,) = lines
    return line


def test_an_exception_is_told_without_every_value_in_sight() -> None:
    line = said(as_json=False)
    assert "part failed" in line and "KeyError: 11000" in line
    assert "descriptiondescription" not in line


def test_an_exception_is_one_line_of_json() -> None:
    told = json.loads(said(as_json=True))
    assert (told["event"], told["part"]) == ("part failed", "files")
    assert "KeyError: 11000" in told["exception"]


class Blocked(io.StringIO):
    """A stream whose reader takes nothing until `open` is set."""

    def __init__(self) -> None:
        super().__init__()
        self.open = threading.Event()

    def write(self, text: str) -> int:
        self.open.wait(60)
        return super().write(text)


def test_a_reader_that_takes_nothing_costs_lines_and_no_time_and_what_is_lost_is_reported() -> None:
    time_s = itertools.count(0, 0.1)  # ten lines a second: within the bound for all causes
    stream = Blocked()
    writer = logs.LineWriter(stream, lambda: next(time_s))
    for number in range(logs.MOST_WAITING + 500):
        writer.put(f"line {number}")
    stream.open.set()
    wait_until(lambda: "lost" in stream.getvalue(), "the report of lost lines")
    lines = stream.getvalue().splitlines()
    assert lines[0] == "line 0"
    lost = int(lines[-1].split()[0])
    assert lost == logs.MOST_WAITING + 500 - (len(lines) - 1)
    assert 400 <= lost <= 500


def test_no_cause_can_log_without_limit() -> None:
    stream = io.StringIO()
    writer = logs.LineWriter(stream, lambda: 0.0)
    for number in range(10_000):
        writer.put(f"line {number}")
    wait_until(lambda: f"{10_000 - logs.MOST_PER_S} log lines were lost" in stream.getvalue())
    assert len(stream.getvalue().splitlines()) <= logs.MOST_PER_S + 5


def test_a_stream_that_is_gone_raises_nothing() -> None:
    read, write = os.pipe()
    os.close(read)
    with os.fdopen(write, "w") as stream:
        writer = logs.LineWriter(stream)
        writer.put("nobody reads this")
        writer.flush(60.0)
        writer.put("nor this")
        writer.flush(60.0)


def test_the_same_trouble_is_logged_once_in_a_while_with_the_count_left_out() -> None:
    throttle = logs.LogThrottle(10.0)
    with capture_logs() as lines:
        for time_s in (0.0, 1.0, 2.0, 11.0):
            throttle.warning("refused", "sender", time_s, host="somewhere")
        throttle.warning("refused", "another", 11.0, host="elsewhere")
    assert [(line["host"], line.get("more")) for line in lines] == [
        ("somewhere", None),
        ("somewhere", 2),
        ("elsewhere", None),
    ]
