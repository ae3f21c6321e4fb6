"""Errors that name whose fault it was and where.

One base class and three families. A message is written for the builder at the
bench: where it is, what was found, what was expected, how to correct it.
"""

from __future__ import annotations

_LONGEST_QUOTED = 200
"""Characters of what was found, or of the place where, that a message repeats."""


class BridgeError(Exception):
    """Base of every error that this package raises on purpose."""


class OutOfRangeError(BridgeError, ValueError):
    """A number outside the range in which a formula or a field is valid."""


class DescriptionError(BridgeError):
    """Something a person wrote (panel, layout, calibration, flight log, option) is wrong.

    Arguments: `where` is the file or option, `key` the dotted key, line or column in it
    (empty when the whole file is meant); `found`, `expected` and `cure` are phrases
    without a full stop.
    """

    def __init__(self, where: str, key: str, found: str, expected: str, cure: str) -> None:
        self.where = where
        self.key = key
        self.found = found
        self.expected = expected
        self.cure = cure
        place = f"{where}: {_shortened(key)}" if key else where
        super().__init__(_plain(f"{place}: found {_shortened(found)}; expected {expected}. {cure}."))


def _shortened(text: str) -> str:
    return text if len(text) <= _LONGEST_QUOTED else f"{text[:_LONGEST_QUOTED]} ..."


def _plain(text: str) -> str:
    """One line without characters that could steer a terminal."""
    return "".join(letter if letter.isprintable() else repr(letter)[1:-1] for letter in text)


MOST_MISTAKES = 50
"""Mistakes that are listed one by one; the others are counted. A program's output is no description."""


class DescriptionErrors(BridgeError):
    """Several description errors found in one go, so that all can be corrected at once.

    `errors` are the first MOST_MISTAKES, `more` counts the others.
    """

    def __init__(self, errors: list[DescriptionError], more: int = 0) -> None:
        self.errors = errors[:MOST_MISTAKES]
        self.more = more + len(errors) - len(self.errors)
        lines = dict.fromkeys(str(error) for error in self.errors)  # each is reported once
        last = f"\n{self.more} more mistakes are not listed: correct these first" if self.more else ""
        super().__init__("\n".join(lines) + last)


class TelemetryError(BridgeError):
    """A datagram, or one field of it, can't be used.

    `cause` is a short fixed word or two, fit for counting; `detail` is for the reader.
    """

    def __init__(self, layout: str, field: str, cause: str, detail: str) -> None:
        self.layout = layout
        self.field = field
        self.cause = cause
        self.detail = detail
        place = f"layout {layout}" + (f", field {field}" if field else "")
        super().__init__(f"{place}: {cause}: {detail}")


class BenchError(BridgeError):
    """What was asked of the bench can't be done now; the message tells why, and what can."""


class BoardError(BridgeError):
    """A board, its link or one of its channels failed, or sent what can't be used."""

    def __init__(self, board: str, detail: str, channel: int | None = None) -> None:
        self.board = board
        self.channel = channel
        self.detail = detail
        place = f"board {board}" + (f", channel {channel}" if channel is not None else "")
        super().__init__(f"{place}: {detail}")
