"""The report of a million samples: `python -m tests.benchmarks.report`.

A hundred seconds of the circuit at 100 ticks a second, ten pointers, traced; ten of these one behind the
other are a trace of a million pointer samples. How long it takes to read it, and to write its report.
"""

from __future__ import annotations

from pathlib import Path
from tempfile import TemporaryDirectory
from time import process_time

from rich.console import Console

from bridge import logs
from bridge.flight.dry_run import DryRun
from bridge.flight.trace import Trace
from bridge.panel.load import Panel, load_panel
from bridge.report.from_trace import read_trace
from bridge.report.page import report_html
from bridge.telemetry.flightlog import read_log
from bridge.telemetry.replay import arrivals

ROOT = Path(__file__).parents[2]
_FROM_S, _SECONDS, _TIMES = 20.0, 100.0, 10


def long_trace(panel: Panel, folder: Path) -> Path:
    """The trace, written in this folder."""
    log = read_log(ROOT / "replay_logs" / "circuit.csv", panel.catalogue)
    dry_run = DryRun(panel, log.given, arrivals(log, _FROM_S, _FROM_S + _SECONDS))
    once, whole = folder / "once.csv", folder / "whole.csv"
    with Trace(once, dry_run.running.snapshot(0.0)) as trace:
        for time_s in dry_run.ticks():
            trace.write(dry_run.running.snapshot(time_s))
    with once.open(encoding="utf-8") as read, whole.open("w", encoding="utf-8") as written:
        written.write(next(read))
        rows = [line.partition(",") for line in read]
        for time in range(_TIMES):
            later_s = time * (_SECONDS + 1.0)
            written.writelines(f"{float(at_s) + later_s:.3f},{rest}" for at_s, _, rest in rows)
    return whole


def main() -> None:
    logs.set_up(sink=lambda line: None)
    panel = load_panel(ROOT / "config" / "panel.toml")
    with TemporaryDirectory() as folder:
        trace = long_trace(panel, Path(folder))
        begun_s = process_time()
        flight = read_trace(trace, panel)
        read_s = process_time() - begun_s
        page = report_html(flight)
        took_s = process_time() - begun_s - read_s
    samples = sum(len(track.commanded) for track in flight.tracks.values())
    Console().print(
        f"report of a trace of {samples:,} pointer samples: read in {read_s:.1f} s, page in {took_s:.1f} s "
        f"({len(page) / 1e6:.1f} MB)"
    )


if __name__ == "__main__":
    main()
