"""Keeps the state of a flight in its file: now and then while it lasts, and once more at its end."""

from __future__ import annotations

import asyncio
from collections.abc import Callable

import structlog

from bridge.flight.chain import PointerAddress
from bridge.flight.running_panel import RunningPanel
from bridge.flight.state_file import StateFile
from bridge.threads import in_thread

_log = structlog.get_logger(__name__)

KEEP_STATE_S = 5.0
"""Written rarely to spare the memory card; a clean stop keeps the state anyway."""
LAST_STATE_S = 0.3
"""For the disk to take the last positions."""


class StateKeeper:
    """Writes positions of real pointers and a knob's setting to `file`; `running` is the panel in force."""

    def __init__(self, file: StateFile, running: Callable[[], RunningPanel]) -> None:
        self._file = file
        self._running = running

    async def run(self) -> None:
        """Write every `KEEP_STATE_S`, for ever."""
        while True:
            await asyncio.sleep(KEEP_STATE_S)
            await self._write()

    async def keep_last(self) -> None:
        """Write for the last time; a disk that takes longer than `LAST_STATE_S` is logged and left."""
        try:
            async with asyncio.timeout(LAST_STATE_S):
                await self._write()
        except TimeoutError:
            _log.warning("last positions not kept", why=f"the disk took longer than {LAST_STATE_S} s")

    async def _write(self) -> None:
        keep, positions = self._file.keep, self._real_positions()
        setting_inhg = self._running().knob_setting_inhg
        await in_thread("state", lambda: keep(positions, setting_inhg))

    def _real_positions(self) -> dict[PointerAddress, float]:
        running = self._running()
        boards = running.panel.description.boards
        return {
            address: steps
            for address, steps in running.positions().items()
            if not boards[address[0]].is_virtual
        }
