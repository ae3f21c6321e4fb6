"""A real flight to inject faults into: the program in a process, three boards on ptys, live telemetry."""

from __future__ import annotations

import json
import os
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from statistics import quantiles
from typing import IO, Any

from tests.conftest import KEYVALUE_LAYOUT, ROOT, wait_until

BOARDS = ("left", "centre", "right")
PANEL = """
name = "fault bench"
[[sources]]
listen = "127.0.0.1:{port}"
layouts = [{layouts}]
allow = ["127.0.0.1"]
[drives.servo]
motor = "micro-servo-180"
speed_steps_s = 2000
acceleration_steps_s2 = 20000
"""
BOARD = """
[boards.{name}]
link = "serial"
port = "{folder}/{name}/ttyBOARD"
[boards.{name}.channels]
0 = {{ output = "servo" }}
1 = {{ output = "servo" }}
[gauges.{name}]
instrument = "gauge"
options = {{ quantity = "calibrated_airspeed" }}
[gauges.{name}.pointers.one]
indication = "calibrated_airspeed"
kind = "bounded"
scale = [[0, 0], [180, 170]]
drive = "servo"
board = "{name}"
channel = 0
[gauges.{name}.pointers.two]
indication = "calibrated_airspeed"
kind = "bounded"
scale = [[0, 0], [180, 170]]
drive = "servo"
board = "{name}"
channel = 1
"""


@dataclass(frozen=True, slots=True)
class Seen:
    """What the boards saw since the last mark: intervals of MOVE frames (s) of all boards, RESTs, trips."""

    intervals_s: tuple[float, ...]
    rests: int
    trips: int

    @property
    def longest_s(self) -> float:
        return max(self.intervals_s, default=float("inf"))

    @property
    def p99_s(self) -> float:
        return quantiles(self.intervals_s, n=100)[98] if len(self.intervals_s) > 1 else float("inf")


class Flight:
    """The program as `process`, and the boards' end as `double`. `folder` holds panel, recording and log."""

    def __init__(self, folder: Path, process: subprocess.Popen[bytes], double: subprocess.Popen[str]) -> None:
        self.folder = folder
        self.panel = folder / "panel.toml"
        self.recording = folder / "flight.csv"
        self.process = process
        self.double = double
        self.port = 0

    def tell(self, line: str) -> None:
        """Send a line to the boards' end."""
        assert self.double.stdin
        self.double.stdin.write(line + "\n")
        self.double.stdin.flush()

    def seen(self, untouched: tuple[str, ...] = BOARDS) -> Seen:
        """What these boards saw since the last mark."""
        self.tell("report")
        assert self.double.stdout
        report: dict[str, Any] = json.loads(self.double.stdout.readline())
        rows = [report[name] for name in untouched]
        intervals = tuple(b - a for row in rows for a, b in pairwise(row["moves_s"]))
        return Seen(intervals, sum(row["rests"] for row in rows), sum(row["trips"] for row in rows))

    def watch(self, seconds: float, untouched: tuple[str, ...] = BOARDS) -> Seen:
        """What these boards see in the next seconds."""
        self.tell("mark")
        time.sleep(seconds)
        return self.seen(untouched)

    def flies(self) -> bool:
        """Whether frames reach every board now."""
        self.tell("mark")
        time.sleep(0.1)
        return len(self.seen().intervals_s) > 3 * len(BOARDS)

    def stop(self, number: signal.Signals = signal.SIGTERM) -> tuple[int, float]:
        """Ask the program to end; its exit code and how long that took, in seconds."""
        begun_s = time.monotonic()
        self.process.send_signal(number)
        return self.process.wait(30), time.monotonic() - begun_s


def write_panel(folder: Path, port: int, layouts: tuple[str, ...] = ("own.toml",)) -> Path:
    """A panel of three serial boards with two servos each, which need no homing."""
    (folder / "own.toml").write_text(KEYVALUE_LAYOUT)
    named = ", ".join(f'"{name}"' for name in layouts)
    text = PANEL.format(port=port, layouts=named)
    text += "".join(BOARD.format(name=name, folder=folder) for name in BOARDS)
    (folder / "panel.toml").write_text(text)
    return folder / "panel.toml"


def free_port() -> int:
    """A port that was free a moment ago: the program's log, where it could be read, may be the fault."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as free:
        free.bind(("127.0.0.1", 0))
        return int(free.getsockname()[1])


@contextmanager
def flying(
    *options: str,
    stderr: int | IO[Any] | None = None,
    stdout: int | IO[Any] | None = None,
    layouts: tuple[str, ...] = ("own.toml",),
) -> Iterator[Flight]:
    """The program flying the boards, recorded; both processes are gone at the end."""
    folder = Path(tempfile.mkdtemp(prefix="faults"))
    for example in (ROOT / "config" / "layouts").glob("*.toml"):
        shutil.copy(example, folder)
    port = free_port()
    panel = write_panel(folder, port, layouts)
    environment = {**os.environ, "XDG_STATE_HOME": str(folder / "state"), "PYTHONPATH": str(ROOT)}
    with (
        (folder / "log.txt").open("wb") as log,
        subprocess.Popen(
            [sys.executable, "-m", "tests.faults.double", str(panel), str(port)],
            cwd=ROOT,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        ) as double,
    ):
        assert double.stdin and double.stdout
        assert double.stdout.readline() == "plugged\n"
        process = subprocess.Popen(
            [sys.executable, "-m", "bridge.cli", "run", str(panel), "--record", "flight.csv", *options],
            cwd=folder,
            env=environment,
            stdin=subprocess.DEVNULL,
            stdout=log if stdout is None else stdout,
            stderr=log if stderr is None else stderr,
        )
        flight = Flight(folder, process, double)
        flight.port = port
        try:
            wait_until(flight.flies, "frames at every board")
            yield flight
        finally:
            process.kill()
            process.wait()
            double.stdin.close()
            double.wait(30)
            shutil.rmtree(folder, ignore_errors=True)
