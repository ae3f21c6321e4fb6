"""The trace: for every tick, what each pointer should show and where it was sent and reported, as CSV."""

from __future__ import annotations

import csv
from pathlib import Path
from types import TracebackType
from typing import Self

from bridge.errors import DescriptionError
from bridge.flight.running_panel import RunningPanel


class Trace:
    """Writes one row per tick: the time, then for each pointer

    `reading[unit]` (what its instrument shows at the last arrival), `target[step]` (where that is),
    `commanded[step]` (what the board was told) and `reported[step]` (the board's last word). Empty cells
    are not known yet. The columns are those of the pointers at the start: one that a new description takes
    away leaves blanks, one that it adds is not traced. Raises DescriptionError when the file can't be
    written.
    """

    def __init__(self, path: Path, running: RunningPanel) -> None:
        try:
            self._file = path.open("w", encoding="utf-8", newline="")
        except OSError as error:
            raise DescriptionError(
                str(path), "", error.strerror or str(error), "a file that can be written", "Check the path"
            ) from None
        self._writer = csv.writer(self._file)
        self._keys = [pointer.key for pointer in running.panel.pointers]
        header = ["time[s]"]
        for pointer in running.panel.pointers:
            header += [
                f"{pointer.key}.reading[{pointer.unit}]",
                f"{pointer.key}.target[step]",
                f"{pointer.key}.commanded[step]",
                f"{pointer.key}.reported[step]",
            ]
        self._writer.writerow(header)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._file.close()

    def write(self, time_s: float, running: RunningPanel) -> None:
        """One tick."""
        row: list[object] = [f"{time_s:.4f}"]
        pointers = {pointer.key: pointer for pointer in running.panel.pointers}
        for key in self._keys:
            pointer = pointers.get(key)
            if pointer is None:
                row += ["", "", "", ""]
                continue
            needle = running.chain.pointers[pointer.board, pointer.channel]
            channel = running.sessions[pointer.board].channels[pointer.channel]
            row += [
                "" if needle.indication is None else f"{needle.indication:.3f}",
                "" if needle.target is None else f"{needle.target:.3f}",
                f"{needle.position:.3f}",
                channel.position,
            ]
        self._writer.writerow(row)
