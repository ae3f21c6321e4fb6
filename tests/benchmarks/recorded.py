"""A flight recorder's log, once a second, on the hundreds pointer: `python -m tests.benchmarks.recorded`.

The truth is the straight line between rows. Error in ft; roughness is the RMS of the pointer's velocity less
its own mean over 1 s, in ft/s. Before: each row a target when it comes. After: the path between rows as well.
Last, what one quantity on its path costs at a moment between rows, of 24 that all have theirs.
"""

from __future__ import annotations

from collections.abc import Iterable
from itertools import pairwise
from math import sqrt
from pathlib import Path
from time import perf_counter

from rich.console import Console
from rich.table import Table

from bridge.motion.motion import Motion
from bridge.quantities.catalogue import CATALOGUE
from bridge.telemetry.smoothing import EVERY_S, smoothed
from bridge.telemetry.source import Arrival
from tests.benchmarks.motion_study import HUNDREDS, TICK_S, Outcome, roughness

FLIGHT = Path(__file__).parents[1] / "data" / "flights" / "attitude.igc"
_STEPS_PER_FT = 2.038
_QUANTITIES = [name for name, quantity in CATALOGUE.items() if not quantity.stepped][:24]


def altitudes() -> list[Arrival]:
    """Pressure altitude (ft) of every fix: metres in bytes 26 to 30 of a B record."""
    lines = FLIGHT.read_text(encoding="ascii").splitlines()
    metres = [float(line[25:30]) for line in lines if line.startswith("B")]
    return [Arrival(float(i), {"pressure_altitude": m / 0.3048}) for i, m in enumerate(metres)]


def fly(rows: list[Arrival], arrivals: Iterable[Arrival]) -> Outcome:
    """Let the pointer show these arrivals; rows are a second apart."""
    truth = [row.readings["pressure_altitude"] for row in rows]
    motion = Motion(HUNDREDS, truth[0] * _STEPS_PER_FT)
    coming = iter(arrivals)
    arrival = next(coming, None)
    shown: list[float] = []
    errors: list[float] = []
    for tick in range(int((len(rows) - 1) / TICK_S)):
        now_s = tick * TICK_S
        while arrival is not None and arrival.arrival_s <= now_s:
            values = {**arrival.readings, **arrival.between}
            motion.target(arrival.arrival_s, values["pressure_altitude"] * _STEPS_PER_FT)
            arrival = next(coming, None)
        shown.append(motion.step(now_s)[0] / _STEPS_PER_FT)
        whole = int(now_s)
        line = truth[whole] + (truth[whole + 1] - truth[whole]) * (now_s - whole)
        errors.append(abs(shown[-1] - line))
    rms = sqrt(sum(error * error for error in errors) / len(errors))
    return Outcome(rms, max(errors), roughness(shown, half=50))


def cost_us() -> float:
    """Microseconds for one quantity at one moment between rows, the rows themselves included."""
    low = {name: (CATALOGUE[name].low, CATALOGUE[name].high) for name in _QUANTITIES}
    rows = [
        Arrival(float(i), {name: a + (b - a) * (i * 7 % 11) / 11 for name, (a, b) in low.items()})
        for i in range(200)
    ]
    best_s = float("inf")
    for _ in range(5):
        begun_s = perf_counter()
        count = sum(1 for _ in smoothed(iter(rows), CATALOGUE))
        best_s = min(best_s, perf_counter() - begun_s)
    return best_s / count / len(_QUANTITIES) * 1e6


def main() -> None:
    rows = altitudes()
    table = Table("hundreds pointer", title="A flight recorder's log, 1 Hz")
    for head in ("RMS, ft", "worst, ft", "roughness, ft/s"):
        table.add_column(head, justify="right")
    for what, arrivals in (("rows alone", rows), ("path between rows", smoothed(iter(rows), CATALOGUE))):
        outcome = fly(rows, arrivals)
        table.add_row(what, *(f"{figure:.2f}" for figure in (outcome.rms, outcome.worst, outcome.rough)))
    console = Console()
    console.print(table)
    rates = [
        abs(b.readings["pressure_altitude"] - a.readings["pressure_altitude"]) for a, b in pairwise(rows)
    ]
    console.print(f"mean rate {sum(rates) / len(rates):.1f} ft/s, a target every {EVERY_S} s")
    console.print(f"one quantity at one moment between rows: {cost_us():.2f} us")


if __name__ == "__main__":
    main()
