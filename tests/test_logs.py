"""Log lines: for people short, for machines JSON."""

from __future__ import annotations

import io
import itertools
import json
import os
import re
import threading

import structlog
from structlog.testing import capture_logs

from bridge import logs
from tests.conftest import PATIENCE_S, wait_until


def said(as_json: bool) -> str:
    """What an exception's log line looks like where a local has a big value."""
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


def test_an_exception_is_logged_without_every_value_in_sight() -> None:
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
        self.asked, self.open = threading.Event(), threading.Event()

    def write(self, text: str) -> int:
        self.asked.set()
        self.open.wait(PATIENCE_S)
        return super().write(text)


def test_a_reader_that_takes_nothing_costs_lines_and_no_time_and_what_is_lost_is_reported() -> None:
    time_s = itertools.count(0, 0.1)  # ten lines a second: within the bound for all causes
    stream = Blocked()
    writer = logs.LineWriter(stream, lambda: next(time_s))
    writer.put("line 0")
    assert stream.asked.wait(PATIENCE_S)
    for number in range(1, logs.MOST_WAITING + 500):
        writer.put(f"line {number}")
    stream.open.set()
    reported = re.compile(r"(\d+) log lines were lost")

    def counted() -> tuple[int, int]:
        text = stream.getvalue()
        return len(re.findall(r"^line", text, re.MULTILINE)), sum(map(int, reported.findall(text)))

    wait_until(lambda: sum(counted()) == logs.MOST_WAITING + 500, "every line, written or reported as lost")
    assert stream.getvalue().startswith("line 0\n")
    assert counted()[1] == 499


def test_no_cause_can_log_without_limit() -> None:
    stream = io.StringIO()
    now_s = [0.0]
    writer = logs.LineWriter(stream, lambda: now_s[0])
    for number in range(10_000):
        writer.put(f"line {number}")
    now_s[0] = 2.0
    writer.put("the next that gets through")
    lost = 10_000 - logs.MOST_PER_S
    reported = re.compile(r"(\d+) log lines were lost")
    wait_until(lambda: sum(map(int, reported.findall(stream.getvalue()))) == lost, "all that is lost")
    lines = [line for line in stream.getvalue().splitlines() if line.startswith("line")]
    assert lines == [f"line {number}" for number in range(logs.MOST_PER_S)]


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


def test_what_was_left_out_is_reported_however_many_keys_there_are() -> None:
    throttle = logs.LogThrottle(10.0)
    silent = reported = 0
    for number in range(5 * logs.MOST_KEYS):
        for _ in range(3):
            count = throttle.due(number, 0.0)
            silent += count is None
            reported += (count or {}).get("more", 0)
    reported += (throttle.due("the next of any", 0.0) or {}).get("more", 0)
    for number in range(5 * logs.MOST_KEYS):
        reported += (throttle.due(number, 20.0) or {}).get("more", 0)
    assert silent == reported == 10 * logs.MOST_KEYS


def test_members_of_a_key_share_its_lines_and_each_has_one() -> None:
    throttle = logs.LogThrottle(10.0, burst=2)
    due = [throttle.due("refused", 0.0, member) for member in ("a", "a", "b", "c", "c")]
    assert due == [{}, None, {"more": 1}, None, None]
    assert throttle.due("refused", 10.0, "c") == {"more": 2}


def test_nothing_in_a_log_line_steers_the_terminal() -> None:
    lines: list[str] = []
    logs.set_up(sink=lines.append)
    try:
        structlog.get_logger().warning("board lost", board="b\x1b]0;title\x07")
    finally:
        structlog.reset_defaults()
    (line,) = lines
    assert "\x1b" not in line and "\x07" not in line
    assert r"\x1b]0;title\x07" in line
