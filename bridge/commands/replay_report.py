"""The report of `replay`: of a flight while it is flown, or of a trace."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from bridge.flight.service import Service
    from bridge.panel.load import Panel
    from bridge.report.tracks import Flight, Recorder


_APART_S = 1.0
_OTHER_TIMES = " (times are the clock's: the replay was paused, sought, or ran at another speed)"


def refuse(report: Path, inputs: Iterable[Path], loop: bool = False) -> None:
    """Raise DescriptionError(s) for a report that may not be written, before anything flies."""
    from bridge.errors import DescriptionError
    from bridge.outputs import refuse_taken, refuse_unwritable

    if loop:
        found, expected = "a flight without end, by --loop", "one that ends"
        raise DescriptionError("--report", "", found, expected, "Leave out --loop, or --report")
    refuse_taken((report,), inputs)
    refuse_unwritable(report)


def of_trace(trace: Path, panel: Panel, report: Path) -> int:
    """Write the report of a trace that this panel flew; raises DescriptionError where that can't be read."""
    from bridge.report.from_trace import read_trace

    refuse(report, (*panel.files, trace))
    write(read_trace(trace, panel), report)
    return 0


def write(flight: Flight, report: Path) -> None:
    """Write the report and print where it is; without a tick there is nothing to write."""
    from bridge.outputs import put_files
    from bridge.report.page import report_html

    if flight.ticks_s:
        put_files({report: report_html(flight)})
        print(report)
    else:
        print("no report: nothing was flown")


async def watch(service: Service, recorder: Recorder) -> None:
    """Take every tick of a live flight, until cancelled.

    A pointer moves in the clock's time, which the report's times are. Where the replay leaves it (paused,
    sought, at another speed) the title states so.
    """
    import asyncio

    replay = service.replay
    recorder.zero_s = service.clock() - (0.0 if replay is None else replay.playback.time_s)
    while True:
        now_s = service.clock()
        recorder.take(service.running.snapshot(now_s))
        if replay is not None and abs(replay.playback.time_s - (now_s - recorder.zero_s)) > _APART_S:
            recorder.flight.title += _OTHER_TIMES
            replay = None
        await asyncio.sleep(1.0 / service.running.panel.description.tick_hz)
