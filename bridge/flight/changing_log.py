"""A flight log whose layout is saved again while it is flown: the rows to come are read by the new one."""

from __future__ import annotations

from collections.abc import AsyncIterator, Callable, Iterator
from pathlib import Path

import structlog

from bridge.errors import BridgeError
from bridge.panel.watch import saved
from bridge.telemetry.flightlog import Moment
from bridge.telemetry.recorded import LogAround, RecordedFlight
from bridge.threads import in_thread

_log = structlog.get_logger(__name__)


class ChangingLog(LogAround):
    """The log that `open_again` returns, and what it returns after each good change of the file `layout`."""

    def __init__(self, layout: Path, open_again: Callable[[], RecordedFlight]) -> None:
        self._layout = layout
        self._open_again = open_again
        self._text = _text(layout)
        self.log = open_again()
        """As it is described by now."""

    @property
    def given(self) -> frozenset[str]:
        """As `RecordedFlight.given`, of the log as it is described by now."""
        return self.log.given

    @property
    def assumptions(self) -> tuple[str, ...]:
        """As `RecordedFlight.assumptions`, of the log as it is described by now."""
        return self.log.assumptions

    def __iter__(self) -> Iterator[Moment]:
        """The moments; after a change those that were not there yet, the first with all known by then."""
        latest_s: float | None = None
        while True:
            log, done_s = self.log, latest_s
            known: dict[str, float] = {}
            for time_s, readings in log:
                if self.log is not log:
                    break
                if done_s is not None and time_s <= done_s:
                    known |= readings
                    continue
                yield time_s, known | readings
                known = {}
                latest_s = time_s
            else:
                return

    async def changes(self) -> AsyncIterator[RecordedFlight]:
        """Yields the log after each good change, and logs what it assumes; mistakes are logged once."""
        mistakes = ""
        async for _ in saved(lambda: (self._layout,)):
            text = await in_thread("watch", lambda: _text(self._layout))
            if text == self._text:
                if mistakes:
                    _log.info("log layout is good again", layout=str(self._layout))
                    mistakes = ""
                continue
            try:
                log = await in_thread("reload", self._open_again)
            except BridgeError as error:
                if str(error) != mistakes:
                    mistakes = str(error)
                    _log.error("log layout not taken", cure="the flight goes on as before", why=mistakes)
                continue
            mistakes = ""
            before, self.log, self._text = self.log, log, text
            _log.info("log layout taken", layout=str(self._layout))
            for assumption in log.assumptions:
                if assumption not in before.assumptions:
                    _log.info("assumption", detail=assumption)
            yield log


def _text(layout: Path) -> bytes:
    """What is in the file; nothing of one that can't be read, which opening the log has the words for."""
    try:
        return layout.read_bytes()
    except OSError:
        return b""
