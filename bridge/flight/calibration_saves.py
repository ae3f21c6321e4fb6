"""Saves of what was captured at the bench: written one after the other, each answered to whoever asked."""

from __future__ import annotations

import asyncio
from functools import partial

import structlog

from bridge.calibration.file import save_points
from bridge.errors import BenchError
from bridge.flight.bench import Benches
from bridge.flight.gauge_bench import Saving
from bridge.threads import in_thread

_log = structlog.get_logger(__name__)


class CalibrationSaves:
    """Saves that are asked for and written while the part `run` runs."""

    def __init__(self, benches: Benches) -> None:
        self._benches = benches
        self._under_way: set[str] = set()  # gauges
        self._asked: asyncio.Queue[tuple[str, Saving, asyncio.Future[None]]] = asyncio.Queue()

    async def save(self, gauge: str, holder: str) -> None:
        """Write what this holder has captured into the gauge's calibration file, which the watch then takes.

        Whoever asked need not wait for it: what is written counts as saved all the same. Raises BridgeError
        when the holder does not have the gauge, the curve has mistakes, the gauge is being saved already (a
        second time the version before would be lost), or the file can't be written.
        """
        saved: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        saving = self._benches.at(gauge, holder).saving()
        if gauge in self._under_way:
            raise BenchError(f"{gauge} is being saved: the disk has not answered yet")
        self._under_way.add(gauge)
        self._asked.put_nowait((gauge, saving, saved))
        await saved

    async def run(self) -> None:
        """Write what is asked for, one after the other: two gauges may change the panel's own file."""
        while True:
            gauge, saving, saved = await self._asked.get()
            try:
                await self._write(gauge, saving)
            except Exception as error:
                if saved.done():  # whoever asked has left
                    _log.error("calibration not saved", gauge=gauge, why=str(error))
                else:
                    saved.set_exception(error)
            else:
                if not saved.done():
                    saved.set_result(None)
            finally:
                self._under_way.discard(gauge)
                saved.cancel()  # nobody waits for ever for what the end of the flight has cut off

    async def _write(self, gauge: str, saving: Saving) -> None:
        save = partial(save_points, saving.panel, saving.pointer, saving.points)
        files = await in_thread("calibration", save)
        note = f"saved: {', '.join(file.name for file in files)}; the version before is beside it"
        self._benches.saved(gauge, saving, note)
        _log.info("calibration saved", pointer=saving.pointer.key, files=[str(file) for file in files])
