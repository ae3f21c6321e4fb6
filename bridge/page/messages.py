"""What a browser may ask for: one model for each command, checked before anything is done.

A message is a JSON object with `id`, a number that its answer repeats, `do`, the command, and the command's
own keys; other keys are refused.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Annotated, Any, Literal

from pydantic import Field

from bridge.description import StrictModel, near, validate
from bridge.errors import BridgeError, DescriptionErrors
from bridge.page.access import MOST_BYTES, TooMuchError
from bridge.telemetry.replay import FASTEST, SLOWEST

_LONGEST_NAME = 24

Name = Annotated[str, Field(max_length=100)]


class Command(StrictModel):
    """The base of all commands."""

    id: Annotated[int, Field(ge=0, le=2**53)]


class Enter(Command):
    """Present the token, and take a name that others see."""

    token: Annotated[str, Field(max_length=200)] | None = None
    name: Annotated[str, Field(max_length=_LONGEST_NAME)] | None = None


class Alive(Command):
    """A sign of life, once a second by whoever holds a gauge."""


class Stop(Command):
    """Every pointer brakes within its limits and holds."""


class GoOn(Command):
    """The pointers may move again."""


class Play(Command):
    """The replay goes on."""


class Pause(Command):
    """The replay stays where it is."""


class Seek(Command):
    """The replay goes on from this time of its log."""

    time_s: float


class Speed(Command):
    """The replay goes so many times as fast as it was flown."""

    factor: Annotated[float, Field(ge=SLOWEST, le=FASTEST)]


class Fail(Command):
    """Put a failure of instruments in force, for training; `pointer` is the needle that sticks."""

    kind: Name
    parameters: Annotated[dict[Name, float], Field(max_length=10)] = {}
    pointer: Name = ""


class Repair(Command):
    """Undo a failure, by its name."""

    failure: Annotated[str, Field(max_length=200)]


class Tap(Command):
    """Tap the glass of this needle, or of all that stick."""

    pointer: Name = ""


class BenchCommand(Command):
    """The base of those that work on one gauge at the bench."""

    gauge: Name


class Take(BenchCommand):
    """Take a gauge off telemetry, to move this pointer of it (the first where none is named)."""

    pointer: Name | None = None


class Release(BenchCommand):
    """Give the gauge back."""


class Jog(BenchCommand):
    """Move by so many steps, degrees of the drive, or units of the reading."""

    by: float
    unit: Literal["step", "deg", "reading"]


class Turn(BenchCommand):
    """Turn clockwise (1) or counter-clockwise (-1) as long as this is repeated; 0 stops."""

    way: Literal[-1, 0, 1]
    fast: bool = False


class Go(BenchCommand):
    """Drive to a reading."""

    reading: float


class Sweep(BenchCommand):
    """Move slowly over the whole scale and back."""


class Halt(BenchCommand):
    """Brake, and stay."""


class Home(BenchCommand):
    """Find the home position again."""


class Here(BenchCommand):
    """The pointer that waits for it is at this reading, or at its home position."""

    reading: float | None = None


class Mark(BenchCommand):
    """Drive to the mark so many places up the scale; 0 is the present one."""

    by: Annotated[int, Field(ge=-1000, le=1000)]


class OtherSide(BenchCommand):
    """Come to the same reading from the other side."""


class Capture(BenchCommand):
    """The needle covers the mark that it was sent to, or that of this reading."""

    reading: float | None = None


class Undo(BenchCommand):
    """Take the last capture back."""


class Save(BenchCommand):
    """Write the captures into the calibration file."""


class DeskCommand(Command):
    """The base of those that answer what a test of a gauge asks."""


class Read(DeskCommand):
    """The needle shows this, in its unit."""

    value: Annotated[float, Field(ge=-1e9, le=1e9)]


class Unreadable(DeskCommand):
    """The needle can't be read here."""


class ReadAgain(DeskCommand):
    """The place before is read once more."""


class IsSet(DeskCommand):
    """The altimeter is set as it was asked for."""


COMMANDS: Mapping[str, type[Command]] = {
    "enter": Enter,
    "alive": Alive,
    "stop": Stop,
    "go_on": GoOn,
    "play": Play,
    "pause": Pause,
    "seek": Seek,
    "speed": Speed,
    "fail": Fail,
    "repair": Repair,
    "tap": Tap,
    "take": Take,
    "release": Release,
    "jog": Jog,
    "turn": Turn,
    "go": Go,
    "sweep": Sweep,
    "halt": Halt,
    "home": Home,
    "here": Here,
    "mark": Mark,
    "other_side": OtherSide,
    "capture": Capture,
    "undo": Undo,
    "save": Save,
    "read": Read,
    "unreadable": Unreadable,
    "read_again": ReadAgain,
    "is_set": IsSet,
}
"""The model of each command, by its word."""


class MessageError(BridgeError):
    """A message can't be used. `id` is its number where it has one, so that it can be answered."""

    def __init__(self, text: str, number: int | None = None) -> None:
        self.id = number
        super().__init__(text)


def parse(text: str) -> Command:
    """The command in this text; raises `MessageError`, or `TooMuchError` for one that is too long."""
    if len(text) > MOST_BYTES:
        raise TooMuchError(f"Found a message of {len(text):,} characters; expected {MOST_BYTES:,} at most.")
    try:
        data: Any = json.loads(text)
    except (ValueError, RecursionError):
        data = None
    if not isinstance(data, dict):
        raise MessageError("Found a message that is no JSON object; expected one with id and do.")
    number, do = data.get("id"), data.pop("do", None)
    if not isinstance(number, int) or isinstance(number, bool):
        raise MessageError("Found a message without a number; expected a whole number as id.")
    model = COMMANDS.get(do) if isinstance(do, str) else None
    if model is None:
        raise MessageError(
            f"Found do = {str(do)[:40]!r}; expected a command. {near(str(do), COMMANDS)}.", number
        )
    try:
        return validate(model, data, str(do))
    except DescriptionErrors as mistakes:
        raise MessageError(str(mistakes.errors[0]), number) from None
