"""A real flight to inject faults into: the program in a process, three boards on ptys, live telemetry."""

from __future__ import annotations

import json
import os
import re
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, ExitStack, contextmanager, nullcontext
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from statistics import quantiles
from typing import IO, Any

from bridge.flight.state_file import KeptState, StateFile
from tests.conftest import KEYVALUE_LAYOUT, PATIENCE_S, ROOT, wait_until
from tests.ports import free_port

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
PROGRAM = """
import sys
from bridge.cli import main
sys.exit(main())
"""
PATIENT = "from tests.patient_cli import be_patient; be_patient()\n"
"""More time to end cleanly, for tests: the machine may be busy."""
before_program = ""
"""Python that every program runs first, set by tests to `PATIENT`."""


@dataclass(frozen=True, slots=True)
class Seen:
    """What the boards saw since the last mark: intervals of MOVE frames (s) of all boards, RESTs (of the
    whole flight), watchdog trips, HOMEs and MOVEs that were old or that no pointer can follow; and how far
    pointers are from where they are counted (steps)."""

    intervals_s: tuple[float, ...]
    rests: int
    trips: int
    homes: int
    wrong_moves: int
    off_steps: tuple[float, ...]

    @property
    def longest_s(self) -> float:
        return max(self.intervals_s, default=float("inf"))

    @property
    def p99_s(self) -> float:
        return quantiles(self.intervals_s, n=100)[98] if len(self.intervals_s) > 1 else float("inf")


class Flight:
    """The program as `process`, and the boards' end as `double`. `folder` holds recording, log, state and,
    in a folder of its own, the description; `sent` counts datagrams sent beside the usual telemetry."""

    def __init__(self, folder: Path, process: subprocess.Popen[bytes], double: subprocess.Popen[str]) -> None:
        self.folder = folder
        self.panel = folder / "description" / "panel.toml"
        self.recording = folder / "flight.csv"
        self.log = folder / "log.txt"
        self.process = process
        self.double = double
        self.port = 0
        self.sent = 0
        self.beside: object = None
        self.over = threading.Event()
        self._background: list[threading.Thread] = []

    def in_background(self, work: Callable[[], None]) -> None:
        """Do it while the frames are watched; it looks at `over`, since it is waited for."""
        self._background.append(threading.Thread(target=work, daemon=True))
        self._background[-1].start()

    def end(self) -> None:
        """Wait for what is done in the background."""
        self.over.set()
        for thread in self._background:
            thread.join()

    def tell(self, line: str) -> None:
        """Send a line to the boards' end."""
        assert self.double.stdin
        self.double.stdin.write(line + "\n")
        self.double.stdin.flush()

    def seen(self, untouched: tuple[str, ...] = BOARDS) -> Seen:
        """What these boards saw since the last mark."""
        report = self._report()
        rows = [report[name] for name in untouched]
        intervals = tuple(b - a for row in rows for a, b in pairwise(row["moves_s"]))
        counted = ("rests", "trips", "homes", "wrong_moves")
        rests, trips, homes, wrong_moves = (sum(row[what] for row in rows) for what in counted)
        off_steps = tuple(off for row in rows for off in row["off_steps"])
        return Seen(intervals, rests, trips, homes, wrong_moves, off_steps)

    def _report(self) -> dict[str, Any]:
        return self._answer("report")

    def _answer(self, word: str) -> dict[str, Any]:
        self.tell(word)
        assert self.double.stdout
        answer: dict[str, Any] = json.loads(self.double.stdout.readline())
        return answer

    @property
    def received(self) -> int | None:
        """Datagrams beside the usual telemetry that the source counted, once it has ended."""
        found = re.findall(r"no longer listening .*", self.log.read_text(errors="replace"))
        if not found:
            return None
        counts = dict(re.findall(r"(\w+)=(\d+)", found[-1]))
        return int(counts["datagrams"]) + int(counts["refused"]) - int(self._report()["telemetry"])

    @property
    def dropped_by_the_system(self) -> int:
        """Datagrams for which the program's socket had no room: the last column of net/udp in proc(5)."""
        rows = [line.split() for line in Path("/proc/net/udp").read_text().splitlines()[1:]]
        (drops,) = (int(row[-1]) for row in rows if row[1].endswith(f":{self.port:04X}"))
        return drops

    @property
    def core_wait_s(self) -> float:
        """How long the program's event loop has been ready to run and had no core, since its start."""
        return int(Path(f"/proc/{self.process.pid}/schedstat").read_text().split()[1]) / 1e9

    @property
    def keeps(self) -> bool:
        """Whether the program has kept anything yet."""
        return any((self.folder / "state").rglob("*.json"))

    @property
    def state(self) -> KeptState:
        """What the program has kept for its next start."""
        (file,) = (self.folder / "state").rglob("*.json")
        return StateFile(file).read()

    def watch(self, seconds: float, untouched: tuple[str, ...] = BOARDS) -> Seen:
        """What these boards see in the next seconds."""
        self.tell("mark")
        time.sleep(seconds)
        return self.seen(untouched)

    def flies(self) -> bool:
        """Whether frames reach every board now."""
        before = self._answer("count")
        time.sleep(0.1)
        after = self._answer("count")
        return all(after[name] > before[name] + 1 for name in BOARDS)

    def stop(self, number: signal.Signals = signal.SIGTERM) -> tuple[int, float]:
        """Ask the program to end; its exit code and how long that took, in seconds."""
        begun_s = time.monotonic()
        self.process.send_signal(number)
        return self.process.wait(PATIENCE_S), time.monotonic() - begun_s


def write_panel(folder: Path, port: int, layouts: tuple[str, ...] = ("own.toml",)) -> Path:
    """A panel of three serial boards with two servos each, which need no homing."""
    description = folder / "description"
    description.mkdir()
    for example in (ROOT / "config" / "layouts").glob("*.toml"):
        shutil.copy(example, description)
    (description / "own.toml").write_text(KEYVALUE_LAYOUT)
    named = ", ".join(f'"{name}"' for name in layouts)
    text = PANEL.format(port=port, layouts=named)
    text += "".join(BOARD.format(name=name, folder=folder) for name in BOARDS)
    (description / "panel.toml").write_text(text)
    return description / "panel.toml"


@contextmanager
def flying(
    *options: str,
    stderr: int | IO[Any] | None = None,
    stdout: int | IO[Any] | None = None,
    layouts: tuple[str, ...] = ("own.toml",),
    injected: str = "",
    change: Callable[[str], str] = str,
    beside: Callable[[Path], AbstractContextManager[object]] = nullcontext,
) -> Iterator[Flight]:
    """The program flying the boards, recorded; both processes are gone at the end.

    `injected` is Python that its process runs first: a driver or a disk that hangs. `change` changes the
    panel's text; `beside`, called with the panel, is what else runs once the boards are plugged in.
    """
    folder = Path(tempfile.mkdtemp(prefix="faults"))
    port = free_port(socket.SOCK_DGRAM)  # the log, where one could be read, may be the fault
    panel = write_panel(folder, port, layouts)
    panel.write_text(change(panel.read_text()))
    environment = {**os.environ, "XDG_STATE_HOME": str(folder / "state"), "PYTHONPATH": str(ROOT)}
    with (
        (folder / "log.txt").open("wb") as log,
        subprocess.Popen(
            [sys.executable, "-m", "tests.faults.double", str(panel), str(folder), str(port)],
            cwd=ROOT,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        ) as double,
        ExitStack() as stack,
    ):
        stack.callback(double.kill)  # it may be kept from all work, and would be waited for for ever
        assert double.stdin and double.stdout
        assert double.stdout.readline() == "plugged\n"
        also = stack.enter_context(beside(panel))
        process = subprocess.Popen(
            [
                sys.executable,
                "-c",
                before_program + injected + PROGRAM,
                "run",
                panel,
                "--record",
                "flight.csv",
                *options,
            ],
            cwd=folder,
            env=environment,
            stdin=subprocess.DEVNULL,
            stdout=log if stdout is None else stdout,
            stderr=log if stderr is None else stderr,
        )
        flight = Flight(folder, process, double)
        flight.port = port
        flight.beside = also
        try:
            wait_until(flight.flies, "frames at every board")
            yield flight
        finally:
            flight.end()
            process.kill()
            process.wait()
            double.stdin.close()
            double.wait(PATIENCE_S)
            shutil.rmtree(folder, ignore_errors=True)
