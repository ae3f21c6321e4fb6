"""Keeps the record of a test that the service flies: a disk that hangs must delay no frame to a board."""

from __future__ import annotations

import asyncio

import structlog

from bridge.errors import DescriptionError
from bridge.proof.work import Work
from bridge.threads import in_thread

SLOW_S = 3.0
"""A write that takes longer is reported."""
AGAIN_S = 3.0
"""Between two attempts while the disk refuses."""

_log = structlog.get_logger(__name__)


class Keeper:
    """Writes the record in a thread after each change; `run` is a part of the service."""

    def __init__(self, work: Work) -> None:
        self.trouble = ""
        """Why the last reading is not on the disk yet; "" where it is, or is about to be."""
        self._work = work
        self._changed = asyncio.Event()

    def changed(self) -> None:
        """A reading was taken, or taken back."""
        self._changed.set()

    async def run(self) -> None:
        """Until cancelled; what is not written then is written with the sheet."""
        while True:
            await self._changed.wait()
            self._changed.clear()
            slow = asyncio.get_running_loop().call_later(SLOW_S, self._report, "the disk does not answer")
            try:
                await in_thread("record of a test", self._work.keeping())
            except DescriptionError as error:
                self._report(str(error))
                self._changed.set()
                await asyncio.sleep(AGAIN_S)
            else:
                self.trouble = ""
            finally:
                slow.cancel()

    def _report(self, why: str) -> None:
        if why != self.trouble:
            self.trouble = why
            _log.error("readings not written", file=str(self._work.json), why=why)
