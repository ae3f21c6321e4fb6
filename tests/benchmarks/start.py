"""How soon it is there, and what memory it takes: `python -m tests.benchmarks.start` (Linux).

Every figure from a process of its own, started as a user starts it. First frame: from the start of `run` to
the first MOVE that arrives at a board (the demo panel, its boards on ptys).
"""

from __future__ import annotations

import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from rich.console import Console
from rich.table import Table

from bridge.boards.line import FrameReader
from bridge.boards.messages import FrameType
from bridge.flight.dry_run import virtual_board
from bridge.panel.load import load_panel
from tests.benchmarks.panels import ROOT, demo
from tests.boards.pty_board import PtyBoard

_ROUNDS = 5
_FLOWN_S = 5.0


def started(*arguments: str) -> subprocess.Popen[bytes]:
    return subprocess.Popen(
        [sys.executable, "-m", "bridge.cli", *arguments],
        cwd=ROOT,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )


def quickest_s(*arguments: str) -> float:
    """From start to end; the quickest of several, as the machine's other work only ever adds to it."""
    times_s = []
    for _ in range(_ROUNDS):
        begun_s = time.perf_counter()
        assert started(*arguments).wait() == 0
        times_s.append(time.perf_counter() - begun_s)
    return min(times_s)


def peak_memory_mb(process: subprocess.Popen[bytes]) -> float:
    status = Path(f"/proc/{process.pid}/status").read_text(encoding="utf-8")
    (line,) = (line for line in status.splitlines() if line.startswith("VmHWM:"))
    return int(line.split()[1]) / 1024


def first_frame(folder: Path) -> tuple[float, float]:
    """Seconds to the first frame; peak memory (MB) after some seconds."""
    path = demo(folder, serial=True)
    panel = load_panel(path)
    moved_s: list[float] = []
    boards = []
    for name, described in panel.description.boards.items():
        (folder / name).mkdir()
        board = PtyBoard(folder / name, virtual_board(panel, name).described, described.watchdog_ms)
        reader = FrameReader()

        def heard(data: bytes, reader: FrameReader = reader) -> bytes:
            if any(payload[1] == FrameType.MOVE for payload in reader.feed(data)):
                moved_s.append(time.perf_counter())
            return data

        board.corrupt_in = heard
        board.plug()
        boards.append(board)
    begun_s = time.perf_counter()
    process = started("run", str(path))
    while not moved_s:
        time.sleep(0.002)
    took_s = moved_s[0] - begun_s
    time.sleep(_FLOWN_S)
    memory_mb = peak_memory_mb(process)
    process.send_signal(signal.SIGTERM)
    assert process.wait() == 0
    for board in boards:
        board.unplug()
    return took_s, memory_mb


def main() -> None:
    table = Table("", title="Start and memory")
    table.add_column("s", justify="right")
    table.add_column("peak memory, MB", justify="right")
    for words in (("--help",), ("run", "--help"), ("faces", "--help")):
        table.add_row(" ".join(words), f"{quickest_s(*words):.2f}", "")
    frames = []
    for _ in range(_ROUNDS):
        with tempfile.TemporaryDirectory() as folder:
            frames.append(first_frame(Path(folder)))
    took_s, memory_mb = min(frames)
    table.add_row("run: first frame at a board", f"{took_s:.2f}", f"{memory_mb:.0f}")
    Console().print(table)


if __name__ == "__main__":
    main()
