"""How fast a flight is replayed without waiting: `python -m tests.bench.replay`.

Each shipped flight through the demo panel the whole way to virtual boards, which live and move at every
tick. Reading the log is part of it; homing before the flight is not. On a machine that has other work to do,
processor time tells what an idle one would take.
"""

from __future__ import annotations

from time import perf_counter, process_time

from rich.console import Console
from rich.table import Table

from bridge import logs
from bridge.flight.dry_run import DryRun
from bridge.panel.load import load_panel
from bridge.telemetry.flightlog import read_log
from bridge.telemetry.replay import arrivals
from tests.bench.panels import ROOT


def replayed(flight: str) -> tuple[float, float, float]:
    """Seconds flown, seconds that it took, and seconds of processor time."""
    panel = load_panel(ROOT / "config" / "panel.toml")
    log = read_log(ROOT / "replay_logs" / flight, panel.catalogue)
    ticks = DryRun(panel, log.given, arrivals(log)).ticks()
    next(ticks)
    begun_s, spent_s = perf_counter(), process_time()
    flown_s = sum(1 for _ in ticks) / panel.description.tick_hz
    return flown_s, perf_counter() - begun_s, process_time() - spent_s


def main() -> None:
    logs.set_up(sink=lambda line: None)
    table = Table("flight", title="Replay to virtual boards without waiting")
    for head in ("flown, s", "took, s", "times real time", "processor, s", "by processor time"):
        table.add_column(head, justify="right")
    for flight in ("circuit.csv", "go-around.csv"):
        flown_s, *times_s = replayed(flight)
        figures = [text for s in times_s for text in (f"{s:.1f}", f"{flown_s / s:.0f}")]
        table.add_row(flight, f"{flown_s:.0f}", *figures)
    Console().print(table)


if __name__ == "__main__":
    main()
