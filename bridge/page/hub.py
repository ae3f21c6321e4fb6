"""The browsers that watch, each with a mailbox in which the latest message of a kind replaces the one before.

A message is encoded once and posted to one browser in each turn of the event loop, so that twenty of them
delay nothing by more than one does. A browser that reads slowly misses messages and costs no memory.
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import Iterator, Mapping
from typing import Any

MOST_BROWSERS = 64
MOST_WAITING = 32
"""Messages to one browser, with the answers to its commands."""


class Browser:
    """One browser: who it is, and what waits to be sent to it."""

    def __init__(self, name: str, may_move: bool) -> None:
        self.name = name
        self.may_move = may_move
        self.wrong_tokens = 0
        self._waiting: dict[str, str] = {}  # by kind, the longest waiting first
        self._some, self._room = asyncio.Event(), asyncio.Event()
        self._answers = 0

    def post(self, kind: str, text: str) -> None:
        """Send this next, in place of what still waits of its kind."""
        self._waiting[kind] = text
        self._some.set()

    async def answer(self, text: str) -> None:
        """Send this answer; waits while too many wait: who does not read is not heard."""
        while len(self._waiting) >= MOST_WAITING:
            self._room.clear()
            await self._room.wait()
        self._answers += 1
        self.post(f"answer {self._answers}", text)

    async def next(self) -> str:
        """The message that has waited longest; waits until there is one."""
        while not self._waiting:
            self._some.clear()
            await self._some.wait()
        self._room.set()
        return self._waiting.pop(next(iter(self._waiting)))


class Hub:
    """All browsers that watch. `latest` holds the last text of each kind, for those who may move."""

    def __init__(self) -> None:
        self.watched = asyncio.Event()
        """Set while at least one browser watches."""
        self._browsers: list[Browser] = []
        self.latest: dict[str, str] = {}
        self._to_watch: dict[str, str] = {}  # what those who may only watch get in its place
        self._guests = 0

    def __iter__(self) -> Iterator[Browser]:
        return iter(tuple(self._browsers))

    def __len__(self) -> int:
        return len(self._browsers)

    @property
    def is_full(self) -> bool:
        """Whether no more browsers are taken."""
        return len(self._browsers) >= MOST_BROWSERS

    def join(self, may_move: bool) -> Browser:
        """A new browser, under a name of its own."""
        self._guests += 1
        browser = Browser(self.free_name(f"guest {self._guests}"), may_move)
        self._browsers.append(browser)
        self.watched.set()
        return browser

    def leave(self, browser: Browser) -> None:
        """It watches no more."""
        self._browsers.remove(browser)
        if not self._browsers:
            self.watched.clear()
            self.latest.clear()
            self._to_watch.clear()

    def free_name(self, name: str, for_whom: Browser | None = None) -> str:
        """This name, or with a number where another browser has it."""
        taken = {browser.name for browser in self._browsers if browser is not for_whom}
        number, free = 2, name
        while free in taken:
            number, free = number + 1, f"{name} {number}"
        return free

    async def post_all(self, kind: str, text: str, to_watch: str | None = None) -> None:
        """Post this to every browser, one in each turn of the event loop.

        With `to_watch`, those who may only watch get that instead.
        """
        self.latest[kind] = text
        if to_watch is not None:
            self._to_watch[kind] = to_watch
        for browser in self:
            browser.post(kind, text if browser.may_move or to_watch is None else to_watch)
            await asyncio.sleep(0)

    def post_latest(self, browser: Browser) -> None:
        """Post the latest of every kind: this browser is new, or may move from now on."""
        for kind, text in self.latest.items():
            browser.post(kind, text if browser.may_move else self._to_watch.get(kind, text))


def encode(message: Mapping[str, Any]) -> str:
    """A message as JSON."""
    return json.dumps(message, separators=(",", ":"), allow_nan=False)
