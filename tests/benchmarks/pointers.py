"""How many pointers one core drives: `python -m tests.benchmarks.pointers`.

Generated panels (a gauge for each pointer, 12 on a board), 50 datagrams and 100 ticks a second, every pointer
moving: readings fed, needles stepped, frames encoded. Counted in processor time, so that the machine's other
work does not show. Sockets and lines are not part of it.
"""

from __future__ import annotations

import tempfile
from pathlib import Path
from time import process_time

from rich.console import Console
from rich.table import Table

from bridge import logs
from bridge.boards.runner import InstantBoard
from bridge.flight.dry_run import virtual_board
from bridge.flight.running_panel import RunningPanel
from bridge.panel.load import load_panel
from tests.benchmarks.panels import QUANTITIES, Telemetry, generated

COUNTS = (10, 100, 500, 800)  # a description is at most 250 kB
TELEMETRY_HZ, TICK_HZ = 50, 100
SECONDS = 4


def ready_running(path: Path, telemetry: Telemetry) -> RunningPanel:
    """A running whose boards have homed and whose needles have come to where telemetry wants them."""
    panel = load_panel(path)
    running = RunningPanel(panel, frozenset(QUANTITIES))
    boards = {
        name: InstantBoard(session, virtual_board(panel, name)) for name, session in running.sessions.items()
    }
    for board in boards.values():
        board.start(-4.0)
    for tick in range(-4 * TICK_HZ, 0):
        time_s = tick / TICK_HZ
        if tick % 2 == 0:
            running.feed(time_s, telemetry.readings(0.0))
        for name, positions, velocities in running.tick(time_s):
            boards[name].move(time_s, positions, velocities)
    return running


def costs_us(pointers: int) -> tuple[float, float]:
    """Microseconds for one datagram's readings, and for one tick with its frames."""
    telemetry = Telemetry()
    with tempfile.TemporaryDirectory() as folder:
        running = ready_running(generated(Path(folder), pointers), telemetry)
    assert len(running.positions()) == pointers
    fed_s = ticked_s = 0.0
    for tick in range(SECONDS * TICK_HZ):
        time_s = tick / TICK_HZ
        readings = telemetry.readings(time_s)
        begun_s = process_time()
        if tick % (TICK_HZ // TELEMETRY_HZ) == 0:
            running.feed(time_s, readings)
        between_s = process_time()
        frames = [running.sessions[name].move(time_s, *moves) for name, *moves in running.tick(time_s)]
        fed_s += between_s - begun_s
        ticked_s += process_time() - between_s
        assert all(frames)
    return fed_s / SECONDS / TELEMETRY_HZ * 1e6, ticked_s / SECONDS / TICK_HZ * 1e6


def main() -> None:
    logs.set_up(sink=lambda line: None)
    table = Table(title="Pointers on one core, 50 Hz telemetry, 100 Hz ticks")
    for head in ("pointers", "a datagram, us", "a tick, us", "share of a core", "that fit in one core"):
        table.add_column(head, justify="right")
    for pointers in COUNTS:
        fed_us, ticked_us = costs_us(pointers)
        share = (fed_us * TELEMETRY_HZ + ticked_us * TICK_HZ) / 1e6
        figures = (f"{fed_us:.0f}", f"{ticked_us:.0f}", f"{share:.1%}", f"{pointers / share:.0f}")
        table.add_row(str(pointers), *figures)
    Console().print(table)


if __name__ == "__main__":
    main()
