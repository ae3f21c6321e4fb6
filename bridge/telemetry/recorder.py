"""Recording a flight log while flying, without ever making the needles wait for a disk.

    record()  ->  bounded queue  ->  worker thread  ->  file

`record` only puts a row into the queue. The worker writes what has gathered a few times a second, straight to
the operating system. When the disk refuses (full, gone), the file is cut back to its last whole line, so
that it stays a valid log, and writing is tried again every `RETRY_EVERY_S`; rows wait in the queue, and those
that no longer fit are lost, counted and logged. States: writing -> failed -> writing ...; closed ends both.
"""

from __future__ import annotations

import math
import queue
import threading
import time
from collections.abc import Iterable, Mapping
from io import FileIO
from pathlib import Path
from types import TracebackType
from typing import Literal, Self

import structlog

from bridge.errors import DescriptionError
from bridge.logs import LogThrottle
from bridge.outputs import LineFile, writing
from bridge.quantities.catalogue import CATALOGUE, Catalogue, find_quantity
from bridge.telemetry.conversion import TIME
from bridge.threads import in_thread

WRITE_EVERY_S = 0.25
RETRY_EVERY_S = 1.0
CLOSE_WITHIN_S = 1.5
"""How long closing waits for the disk, from `finish` on: the pointers come to rest in the meantime."""
# Rows that may wait: some minutes of 60 Hz telemetry, some megabytes.
_MOST_WAITING = 20_000

_log = structlog.get_logger()


class LogWriter:
    """Writes a flight log with a column for `time` and one for each of `columns`, in canonical units.

    Refuses to overwrite a log: raises `DescriptionError` when the file is there already, or can't be made.
    Numbers are written so that reading them back gives the very same. Use it as an async context
    manager, or call `close`.
    """

    def __init__(self, path: Path, columns: Iterable[str], catalogue: Catalogue = CATALOGUE) -> None:
        self.path = path
        self.state: Literal["writing", "failed", "closed"] = "writing"
        self.rows = 0
        self.lost = 0
        self._columns = tuple(columns)
        self._start_s: float | None = None
        self._queue: queue.Queue[tuple[float | None, ...]] = queue.Queue(_MOST_WAITING)
        self._closing = threading.Event()
        self._finish_by_s = math.inf
        header = ",".join(
            [f"{TIME}[s]", *(f"{name}[{find_quantity(name, catalogue).unit}]" for name in self._columns)]
        )
        self._file = LineFile(_opened(path), path)
        self._pending = header.encode() + b"\r\n"
        self._lost_said = 0
        self._throttle = LogThrottle()
        self._worker = threading.Thread(target=self._work, name=f"record {path.name}", daemon=True)
        self._worker.start()

    def record(self, time_s: float, readings: Mapping[str, float]) -> None:
        """Takes one moment; never waits. Times become seconds since the first."""
        if self._start_s is None:
            self._start_s = time_s
        self.rows += 1
        try:
            self._queue.put_nowait((round(time_s - self._start_s, 6), *map(readings.get, self._columns)))
        except queue.Full:
            self.lost += 1

    def finish(self) -> None:
        """No row comes any more: lets the worker write what waits and close the file; returns at once."""
        if not self._closing.is_set():
            self._finish_by_s = time.monotonic() + CLOSE_WITHIN_S
            self._closing.set()

    def close(self) -> None:
        """As `finish`, and waits for it: until `CLOSE_WITHIN_S` after `finish`, when the disk hangs."""
        if self.state == "closed":
            return
        self.finish()
        self._worker.join(max(0.0, self._finish_by_s - time.monotonic()))
        self.state = "closed"
        if self._worker.is_alive():
            why = f"the disk took longer than {CLOSE_WITHIN_S} s"
            _log.error("recording may be incomplete", log=str(self.path), error=why)
            return
        report = _log.warning if self.lost else _log.info
        report("recording closed", log=str(self.path), rows_lost=self.lost)

    async def __aenter__(self) -> Self:
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        await in_thread("close recording", self.close)

    def _work(self) -> None:
        while not self._closing.wait(RETRY_EVERY_S if self.state == "failed" else WRITE_EVERY_S):
            self._write()
        self._write()
        if self._queue.qsize() and self.state == "writing":
            self._write()
        rows = self._pending.count(b"\n") - self._pending.startswith(TIME.encode())  # the header is no row
        self.lost += rows + self._queue.qsize()
        try:
            self._file.close()
        except OSError as error:
            _log.error("recording may be incomplete", log=str(self.path), error=str(error))

    def _write(self) -> None:
        # While the disk refuses, rows stay in the queue, whose bound is the bound of memory.
        if self.state == "writing":
            self._gather()
        self._pending, error = self._file.append(self._pending)
        if error is None and self.state == "failed":
            self.state = "writing"
            _log.info("recording again", log=str(self.path), rows_lost=self.lost)
        elif error is not None and self.state == "writing":
            self.state = "failed"
            _log.error("recording failed, trying again", log=str(self.path), error=str(error))
        if self.lost > self._lost_said and self._throttle.due("lost", time.monotonic()) is not None:
            self._lost_said = self.lost
            _log.warning("recording loses rows", log=str(self.path), rows_lost=self.lost)

    def _gather(self) -> None:
        """Moves the rows that wait from the queue to the pending bytes."""
        lines: list[str] = []
        for _ in range(self._queue.qsize()):
            cells = ["" if value is None else repr(value) for value in self._queue.get_nowait()]
            lines.append(",".join(cells) + "\r\n")
        self._pending += "".join(lines).encode()


def _opened(path: Path) -> FileIO:
    with writing(path):
        if path.is_file() and path.stat().st_size > 0:
            raise DescriptionError(
                str(path),
                "",
                "a file that is there already",
                "a new one",
                "Choose another name, or move it away",
            )
        return FileIO(path, "w")
