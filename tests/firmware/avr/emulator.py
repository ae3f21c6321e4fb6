"""A board's firmware on an emulated microcontroller: built, started, its pins and clock in our hands.

`runner.c` says what the emulator can be told, `mechanics.h` what may hang on the pins.
"""

from __future__ import annotations

import array
import asyncio
import json
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any, NamedTuple

from bridge.hardware.microcontrollers import PARTS
from tests.firmware import built

HERE = Path(__file__).parent
CLOCK_HZ = 16_000_000
_PATIENCE_S = 120.0  # for one answer of the emulator, on a busy machine


@cache
def runner() -> Path:
    """The emulator's runner, compiled; fails in words when a tool or a library is missing."""
    built.need("cc")
    assert Path("/usr/include/simavr/sim_avr.h").exists(), (
        "missing: libsimavr-dev; run the tests by `sh tests/run`, which installs it"
    )
    sources = sorted(HERE.glob("*.c"))

    def link(folder: Path) -> None:
        flags = ["-O2", "-std=c11", "-Wall", "-Wextra", "-Werror", "-isystem", "/usr/include/simavr"]
        built.run("cc", *flags, "-o", folder / "runner", *sources, "-lsimavr", "-lelf", "-lutil", "-lm")

    return built.built("runner", sorted(HERE.glob("*.[ch]")), link) / "runner"


class Record(NamedTuple):
    """One record of the log: when (cycles), what, and its value."""

    cycle: int
    kind: int
    value: int


STEP, PULSE, RECEIVED, SENT = 0x00, 0x20, 0xF0, 0xF1


def read_log(path: Path) -> Iterator[Record]:
    records = array.array("Q")
    records.frombytes(path.read_bytes())
    for record in records:
        yield Record(record >> 16, record >> 8 & 0xFF, record & 0xFF)


@dataclass(frozen=True, slots=True)
class Motor:
    """What the mechanics saw of one channel.

    `walk`: steps of its field since power-on, clockwise positive; `place`: where its pointer is;
    `jumps`: times its field went further than one step; `snaps`: times it got current at another place;
    `cuts`: times it lost its current before it can have arrived at its last step.
    `lit`: cycles that a lamp was lit. Microseconds are -1 where there was none.
    """

    channel: int
    walk: int
    place: float
    steps: int
    jumps: int
    snaps: int
    cuts: int
    current: bool
    interval_us: float
    step_us: float
    setup_us: float
    pulse_us: float
    pulses: int
    lit: int


@dataclass(frozen=True, slots=True)
class Counts:
    cycle: int
    asleep: int
    received: int
    sent: int
    overruns: int
    dropped: int
    stack: int  # bytes at most
    calls: int
    cycles: int
    longest: int
    motors: dict[int, Motor]


class Emulator:
    """One board that runs. `device` is the path that a serial link opens."""

    def __init__(self, process: asyncio.subprocess.Process, device: Path) -> None:
        self._process = process
        self.device = device
        self._turn = asyncio.Lock()

    @classmethod
    async def start(cls, elf: Path, part: str, mechanics: str, folder: Path) -> Emulator:
        description = folder / "mechanics.txt"
        description.write_text(mechanics)
        process = await asyncio.create_subprocess_exec(
            str(runner()),
            str(elf),
            part,
            str(description),
            stdin=asyncio.subprocess.PIPE,
            stdout=asyncio.subprocess.PIPE,
        )
        emulator = cls(process, Path())
        while not (line := await emulator._line()).startswith("/"):
            pass  # simavr says what it loads
        emulator.device = Path(line)
        return emulator

    @property
    def pid(self) -> int:
        return self._process.pid

    async def _line(self) -> str:
        assert self._process.stdout
        async with asyncio.timeout(_PATIENCE_S):
            line = await self._process.stdout.readline()
        if not line:
            raise AssertionError(f"the emulator ended with {await self._process.wait()}")
        return line.decode().strip()

    async def _ask(self, command: str) -> str:
        assert self._process.stdin
        async with self._turn:
            self._process.stdin.write(f"{command}\n".encode())
            return await self._line()

    async def tell(self, command: str) -> None:
        answer = await self._ask(command)
        assert answer == "ok", f"{command}: {answer}"

    async def elapse(self, seconds_s: float) -> None:
        await self.tell(f"elapse {round(seconds_s * 1e6)}")

    async def counts(self) -> Counts:
        answer: dict[str, Any] = json.loads(await self._ask("counts"))
        motors = {row["channel"]: Motor(**row) for row in answer.pop("channels")}
        return Counts(**answer, motors=motors)

    async def stop(self) -> None:
        if self._process.returncode is None:
            assert self._process.stdin
            self._process.stdin.write(b"quit\n")
            async with asyncio.timeout(_PATIENCE_S):
                await self._process.wait()


@cache
def pin(part: str, name: str) -> str:
    """A pin as the mechanics name it: port and bit."""
    port, bit = PARTS[part].pins[name]
    return f"{port}{bit}"
