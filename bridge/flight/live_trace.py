"""The trace of a live flight: a snapshot for every tick, written in a thread: no disk delays a frame."""

from __future__ import annotations

import asyncio
from threading import Lock

from bridge.flight.service import Service
from bridge.flight.snapshot import PanelSnapshot
from bridge.flight.trace import Trace
from bridge.threads import in_thread

_WRITE_S = 0.5
LAST_ROWS_S = 0.3
_MOST_WAITING = 10_000
"""Rows that wait for a disk; further ones are left out."""


class LiveTrace:
    """Takes snapshots of a service for its trace, as a part of it."""

    def __init__(self, service: Service, trace: Trace) -> None:
        self._service = service
        self._trace = trace
        self._waiting: list[PanelSnapshot] = []
        self._writing = Lock()

    async def run(self) -> None:
        """Until cancelled."""
        async with asyncio.TaskGroup() as tasks:
            tasks.create_task(self._take())
            tasks.create_task(self._write())

    def finish(self) -> None:
        """Write what still waits, once the flight has ended; not where the disk still has the rows before."""
        self._write_down(self._waiting, LAST_ROWS_S)

    async def _take(self) -> None:
        while not self._trace.failed:
            if len(self._waiting) < _MOST_WAITING:
                self._waiting.append(self._service.running.snapshot(self._service.ticked_s))
            await asyncio.sleep(1.0 / self._service.running.panel.description.tick_hz)

    async def _write(self) -> None:
        while not self._trace.failed:
            await asyncio.sleep(_WRITE_S)
            rows, self._waiting = self._waiting, []
            await in_thread("trace", lambda: self._write_down(rows))  # noqa: B023, which is awaited

    def _write_down(self, rows: list[PanelSnapshot], patience_s: float = -1) -> None:
        if self._writing.acquire(timeout=patience_s):
            try:
                for row in rows:
                    self._trace.write(row)
            finally:
                self._writing.release()
