"""Log lines: for people short, for machines JSON."""

from __future__ import annotations

import json

import structlog

from bridge import logs


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
