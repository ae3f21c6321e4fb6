"""Lines of text that a command keeps in the terminal, above the latest log line and its keys."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from dataclasses import dataclass

_OF_NUMBERS = frozenset("0123456789.-")
_BACKSPACE = ("\x7f", "\b")
_LONGEST_NUMBER = 12
_LOOK_S = 0.05


@dataclass(frozen=True, slots=True)
class Shown:
    """What the screen shows: lines, from the top."""

    lines: tuple[str, ...]


class Screen:
    """Draws lines, the latest log line and the keys that there are."""

    def __init__(self, keys: Sequence[str]) -> None:
        from rich.live import Live

        self.live = Live(auto_refresh=False, screen=False)
        self._keys = tuple(keys)
        self._note = ""

    def log(self, line: str) -> None:
        """Keep the latest log line; it is shown at the bottom."""
        self._note = line

    def draw(self, shown: Shown) -> None:
        """Draw these lines, wrapped to the terminal; the latest log line and the keys, cut."""
        from rich.console import Group
        from rich.text import Text

        foot = Text("\n".join((self._note, *self._keys)), no_wrap=True, overflow="ellipsis")
        self.live.update(Group(Text("\n".join(shown.lines)), foot), refresh=True)


async def next_key(pressed: asyncio.Queue[str]) -> str | None:
    """The next key; None after a while without one, so that the screen is drawn again."""
    try:
        async with asyncio.timeout(_LOOK_S):
            return await pressed.get()
    except TimeoutError:
        return None


def typed_on(typed: str, key: str) -> str:
    """A number as far as it is typed, after one more key; other keys change nothing."""
    if key in _BACKSPACE:
        return typed[:-1]
    return typed + key if key in _OF_NUMBERS and len(typed) < _LONGEST_NUMBER else typed
