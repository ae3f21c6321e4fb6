"""How fast a flight is replayed without waiting: `python -m tests.benchmarks.replay`.

Each shipped flight through the demo panel the whole way to virtual boards, which live and move at every
tick. Reading the log is part of it; homing before the flight is not. On a machine that has other work to do,
processor time tells what an idle one would take.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from resource import RUSAGE_SELF, getrusage
from tempfile import TemporaryDirectory
from time import perf_counter, process_time

from rich.console import Console
from rich.table import Table

from bridge import logs
from bridge.flight.dry_run import DryRun
from bridge.panel.load import load_panel
from bridge.telemetry.flightlog import read_log
from bridge.telemetry.recorded import open_log
from bridge.telemetry.replay import arrivals
from tests.benchmarks.panels import ROOT


def replayed(flight: str) -> tuple[float, float, float]:
    """Seconds flown, seconds that it took, and seconds of processor time."""
    panel = load_panel(ROOT / "config" / "panel.toml")
    log = read_log(ROOT / "replay_logs" / flight, panel.catalogue)
    ticks = DryRun(panel, log.given, arrivals(log)).ticks()
    next(ticks)
    begun_s, spent_s = perf_counter(), process_time()
    flown_s = sum(1 for _ in ticks) / panel.description.tick_hz
    return flown_s, perf_counter() - begun_s, process_time() - spent_s


def large_log(folder: Path) -> Path:
    """An IGC file of 10 MB: the fixes of a recorder over and over, a second apart, for more than a day."""
    lines = (ROOT / "tests" / "data" / "flights" / "attitude.igc").read_text(encoding="ascii").splitlines()
    fixes = [line[7:] for line in lines if line.startswith("B")]
    head = [line for line in lines if line[0] in "AHI"]
    count = 10_000_000 // (len(fixes[0]) + 9)
    path = folder / "large.igc"
    with path.open("w", encoding="ascii") as file:
        file.writelines(line + "\r\n" for line in head)
        for i in range(count):
            clock = f"{i // 3600 % 24:02d}{i // 60 % 60:02d}{i % 60:02d}"
            file.write(f"B{clock}{fixes[i % len(fixes)]}\r\n")
    return path


def large() -> Iterator[str]:
    """How the 10 MB are read: opened, to the first arrival; all rows; all arrivals with the path between."""
    with TemporaryDirectory() as folder:
        path = large_log(Path(folder))
        begun_s = perf_counter()
        log = open_log(path)
        next(arrivals(log))
        took_s = perf_counter() - begun_s
        yield f"{path.stat().st_size / 1e6:.1f} MB of IGC: first arrival after {took_s:.2f} s"
        for what, stream in (("rows", iter(log)), ("arrivals with the path", arrivals(log))):
            begun_s = perf_counter()
            count = sum(1 for _ in stream)
            took_s = perf_counter() - begun_s
            yield f"{count:,} {what} in {took_s:.1f} s, {took_s / count * 1e6:.1f} us each"
        yield f"memory at the end {getrusage(RUSAGE_SELF).ru_maxrss / 1000:.0f} MB"


def main() -> None:
    logs.set_up(sink=lambda line: None)
    table = Table("flight", title="Replay to virtual boards without waiting")
    for head in ("flown, s", "took, s", "times real time", "processor, s", "by processor time"):
        table.add_column(head, justify="right")
    for flight in ("circuit.csv", "go-around.csv"):
        flown_s, *times_s = replayed(flight)
        figures = [text for s in times_s for text in (f"{s:.1f}", f"{flown_s / s:.0f}")]
        table.add_row(flight, f"{flown_s:.0f}", *figures)
    console = Console()
    console.print(table)
    for line in large():
        console.print(line)


if __name__ == "__main__":
    main()
