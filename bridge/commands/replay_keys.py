"""The keys that control a replay in the terminal view."""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

from bridge.commands.keys import keys, keys_can_be_read

if TYPE_CHECKING:
    from bridge.flight.service import Service
    from bridge.flight.view import View
    from bridge.telemetry.replay import ReplaySource

KEYS = "space: pause  arrows: 10 s, 60 s  - +: speed"
_SEEKS_S = {"left": -10.0, "right": 10.0, "down": -60.0, "up": 60.0}
_SPEEDS = {"-": 0.5, "+": 2.0, "=": 2.0}  # "+" without the shift key


@contextmanager
def controlled(service: Service, view: View) -> Iterator[str]:
    """While it lasts, keys control the service's replay; yields which, nothing where there is none.

    Only at a terminal: with its output or its keys elsewhere, nothing is read.
    """
    replay = service.replay
    if replay is None or not view.at_terminal or not keys_can_be_read():
        yield ""
        return
    with keys() as pressed:
        listening = asyncio.create_task(_listen(replay, pressed))
        try:
            yield KEYS
        finally:
            listening.cancel()


async def _listen(replay: ReplaySource, pressed: asyncio.Queue[str]) -> None:
    while True:
        press(replay, await pressed.get())


def press(replay: ReplaySource, key: str) -> None:
    """Do what a key asks for; other keys do nothing."""
    from bridge.telemetry.replay import FASTEST, SLOWEST

    now = replay.playback
    if key == "space":
        replay.pause() if now.playing else replay.play()
    elif key in _SEEKS_S:
        replay.seek(now.time_s + _SEEKS_S[key])
    elif key in _SPEEDS:
        replay.set_speed(min(max(now.speed * _SPEEDS[key], SLOWEST), FASTEST))
