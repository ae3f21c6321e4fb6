"""What a board can do, measured on an emulated chip at 16 MHz: `python -m tests.benchmarks.firmware`.

Every figure is counted in the emulator's cycles (simavr), none in the host's time: steps at the pins, bytes
on the line. A chip on a desk adds what its crystal and its serial adapter are off.
"""

from __future__ import annotations

import asyncio
import os
import shutil
import statistics
import subprocess
import tempfile
from collections.abc import Awaitable, Callable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path

from rich.console import Console
from rich.table import Table

from bridge.boards import codec, messages
from bridge.boards.line import FrameReader, to_line
from bridge.firmware.generate import config_h
from bridge.hardware.microcontrollers import FASTEST_STEPS_S, PARTS
from bridge.panel.load import load_panel
from tests.firmware.avr.emulator import (
    CLOCK_HZ,
    RECEIVED,
    SENT,
    STEP,
    Emulator,
    read_log,
)
from tests.firmware.built import FIRMWARE, sizes

DEMO = Path(__file__).parents[2] / "config" / "panel.toml"
FAST = 20_000  # steps/s² of the benchmark's channels: at full speed within a fifth of a second
SECONDS = 2.0
SPEED_STEP = 150
SLOT_US = 128  # of the firmware's step generator, core/steps.h


@dataclass(frozen=True, slots=True)
class Load:
    """A chip whose every channel is a step/dir driver, at one speed."""

    part: str
    channels: int
    speed: int
    baud: int = 500_000

    def config(self) -> str:
        rows = []
        for pins in self._pins():
            step, direction = (f"PIN({bank}, {bit})" for bank, bit in pins)
            rows.append(
                "{.output = STEP_DIR, .homing = LAST_POSITION, "
                f".speed = {self.speed}, .acceleration = {FAST}, .low = INT32_MIN, .high = INT32_MAX, "
                f".pins = {{{step}, {direction}, NO_PIN, NO_PIN}}, "
                ".index = {NO_PIN, false}, .stop = {NO_PIN, false}},"
            )
        return (
            f"#define BAUD_RATE {self.baud}\n#define WATCHDOG_MS 5000\n#define BOARD_ID 0,0,0,0,0,0,0,0\n"
            f"#define CHANNELS {self.channels}\n#define CHANNEL_CONFIGS {' '.join(rows)}\n"
            "#define INPUTS 0\n#define INPUT_CONFIGS\n#define LAMPS 0\n#define LAMP_CONFIGS\n"
        )

    def mechanics(self) -> str:
        lines = []
        for number, pins in enumerate(self._pins()):
            step, direction = (f"{bank}{bit}" for bank, bit in pins)
            lines.append(f"rotor {number} step_dir {step} {direction} -\n")
        return "".join(lines)

    def _pins(self) -> Iterator[list[tuple[str, int]]]:
        """Step and direction of each channel: the first pins that the line leaves."""
        part = PARTS[self.part]
        free = [place for pin, place in part.pins.items() if pin not in part.serial_pins]
        for number in range(self.channels):
            yield free[2 * number : 2 * number + 2]


class Overloaded(Exception):
    """The chip has no time left for its line."""


class Chip:
    """One emulated chip under load, and a line to it that is a plain file."""

    def __init__(self, emulator: Emulator, folder: Path) -> None:
        self.emulator = emulator
        self.folder = folder
        self.line = os.open(emulator.device, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
        self.reader = FrameReader()
        self.sequence = 0

    @classmethod
    async def start(cls, load: Load, folder: Path, whole: bool = True) -> Chip:
        """`whole` builds it as it is shipped; without it, functions stay apart and can be measured."""
        folder.mkdir()
        (folder / "config.h").write_text(load.config())
        elf = build(folder, load.part, whole)
        emulator = await Emulator.start(elf, load.part, load.mechanics(), folder)
        await emulator.tell("pace demand")
        chip = cls(emulator, folder)
        await emulator.elapse(0.02)  # what comes before it listens is lost
        places = tuple(messages.ChannelPosition(channel, 0) for channel in range(load.channels))
        await chip.send(codec.encode(messages.Identify(), chip.count()))
        await chip.send(codec.encode(messages.Adopt(places), chip.count()))
        await emulator.elapse(0.05)
        return chip

    def count(self) -> int:
        self.sequence = codec.sequence_after(self.sequence)
        return self.sequence

    async def send(self, *payloads: bytes) -> None:
        data = b"".join(map(to_line, payloads))
        while data:
            try:
                data = data[os.write(self.line, data) :]
            except BlockingIOError:
                await self.emulator.elapse(0.001)

    async def status(self) -> messages.Status:
        """Ask, and again if the question got lost; raises Overloaded when the board is too busy."""
        for _ in range(5):
            asked = self.count()
            await self.send(codec.encode(messages.Query(), asked))
            for _ in range(20):
                await self.emulator.elapse(0.005)
                with suppress(BlockingIOError):
                    for payload in self.reader.feed(os.read(self.line, 4096)):
                        sequence, message = codec.decode(payload)
                        if isinstance(message, messages.Status) and sequence == asked:
                            return message
        raise Overloaded

    async def log(self) -> Path:
        path = self.folder / "log"
        await self.emulator.tell(f"log {path}")
        return path

    async def stop(self) -> None:
        os.close(self.line)
        await self.emulator.stop()


def build(folder: Path, part: str, whole: bool) -> Path:
    output = folder / "build"
    command = ["make", "-s", "-C", str(FIRMWARE), f"PART={part}", f"CONFIG={folder}", f"BUILD={output}"]
    if not whole:
        command.append(f"CODE=-mmcu={part} -O2 -ffunction-sections -fshort-enums")
    subprocess.run(command, check=True)
    return output / "board.elf"


async def fly(chip: Chip, load: Load, seconds_s: float) -> None:
    """A hundred MOVE frames a second for every channel, each further than it can get."""
    far = [10_000_000.0] * load.channels
    for _ in range(round(seconds_s * 100)):
        await chip.send(codec.encode_move(chip.count(), far, [0.0] * load.channels))
        await chip.emulator.elapse(0.01)


@dataclass(frozen=True, slots=True)
class Run:
    """What a flight at full speed showed."""

    steps_s: float
    off_us: list[float]  # of each interval at the pins, rising
    asleep: float
    lost: int  # bytes, frames and time slots
    stack: int

    @property
    def clean(self) -> bool:
        return not self.lost and self.off_us[-1] < SLOT_US / 2


async def run(load: Load, folder: Path) -> Run:
    chip = await Chip.start(load, folder)
    await fly(chip, load, 0.4)  # up to speed
    path = await chip.log()
    before = await chip.emulator.counts()
    await fly(chip, load, SECONDS)
    after = await chip.emulator.counts()
    await chip.emulator.tell("log -")
    try:
        status = await chip.status()
        lost = status.frames_bad + status.frames_missed + status.slots_lost
    except Overloaded:
        lost = 1
    await chip.stop()
    edges: dict[int, list[int]] = {}
    for record in read_log(path):
        if STEP <= record.kind < STEP + load.channels:
            edges.setdefault(record.kind - STEP, []).append(record.cycle)
    intervals = [b - a for cycles in edges.values() for a, b in pairwise(cycles)]
    nominal = CLOCK_HZ / load.speed
    span = after.cycle - before.cycle
    return Run(
        sum(len(cycles) for cycles in edges.values()) * CLOCK_HZ / span,
        sorted(abs(interval - nominal) * 1e6 / CLOCK_HZ for interval in intervals),
        (after.asleep - before.asleep) / span,
        after.overruns + lost,
        after.stack,
    )


async def rate(load: Load, folder: Path) -> tuple[str, ...]:
    """The highest speed that all channels can run at together, cleanly."""
    while not (found := await run(load, folder)).clean and load.speed > SPEED_STEP:
        load = replace(load, speed=load.speed - SPEED_STEP)
        shutil.rmtree(folder)
    return (
        load.part,
        str(load.channels),
        f"{load.speed:,}",
        f"{found.steps_s:,.0f}",
        f"{statistics.median(found.off_us):.1f}",
        f"{found.off_us[int(len(found.off_us) * 0.99)]:.1f}",
        f"{found.off_us[-1]:.1f}",
        f"{found.asleep:.0%}",
        f"{found.stack}",
    )


async def tick(load: Load, folder: Path) -> tuple[str, ...]:
    """Cycles of a control tick with all interrupts that come within it."""
    chip = await Chip.start(load, folder, whole=False)
    await fly(chip, load, 0.1)  # all channels at speed
    await chip.emulator.tell("profile channels_tick")
    await fly(chip, load, 1.0)
    counts = await chip.emulator.counts()
    await chip.stop()
    mean = counts.cycles / max(1, counts.calls)
    share = counts.cycles / CLOCK_HZ
    return load.part, str(load.channels), f"{mean:,.0f}", f"{counts.longest:,}", f"{share:.0%}"


async def line(load: Load, folder: Path) -> tuple[str, ...]:
    """From a QUERY's first bit to its STATUS's last, and the MOVE frames a second that all arrive."""
    chip = await Chip.start(load, folder)
    await chip.emulator.elapse(0.5)  # it has introduced itself
    byte = CLOCK_HZ * 10 / load.baud
    trips_ms = []
    for _ in range(50):
        path = await chip.log()
        await chip.status()
        await chip.emulator.tell("log -")
        records = list(read_log(path))
        first = next(record.cycle for record in records if record.kind == RECEIVED) - byte
        last = [record.cycle for record in records if record.kind == SENT][-1] + byte
        trips_ms.append((last - first) * 1e3 / CLOCK_HZ)
    size = len(to_line(codec.encode_move(0, [0.0] * load.channels, [0.0] * load.channels)))
    limit = load.baud / 10 / size
    share = 20
    while await lost(chip, load, limit * share / 20) and share > 1:
        share -= 1
    await chip.stop()
    return (
        load.part,
        str(load.channels),
        f"{load.baud:,}",
        f"{statistics.median(trips_ms):.2f}",
        f"{max(trips_ms):.2f}",
        f"{limit * share / 20:,.0f}",
        f"{limit:,.0f}",
    )


async def lost(chip: Chip, load: Load, frames_s: float) -> int:
    """Frames lost of a second's, sent evenly, all channels moving at half speed."""
    await chip.emulator.elapse(1.0)  # what came before is done with
    before = await chip.status()
    start = float(before.channels[0].position)
    for at in range(round(frames_s)):
        goal = [start + at / frames_s * load.speed / 2] * load.channels
        await chip.send(codec.encode_move(chip.count(), goal, [load.speed / 2] * load.channels))
        await chip.emulator.elapse(1 / frames_s)
    await chip.emulator.elapse(0.2)
    after = await chip.status()

    missed = after.frames_missed - before.frames_missed & 0xFFFF
    return missed + (after.frames_bad - before.frames_bad & 0xFFFF)


def memory(folder: Path) -> Table:
    table = Table("board", "part", "flash, bytes", "RAM, bytes", "left for the stack", title="Memory")
    panel = load_panel(DEMO)
    configs = [
        (name, described.part, config_h(panel, name)) for name, described in panel.description.boards.items()
    ]
    for part in PARTS.values():
        load = Load(part.name, part.most_channels, FASTEST_STEPS_S)
        configs.append((f"{load.channels} step/dir channels", part.name, load.config()))
    for number, (name, part_name, config) in enumerate(configs):
        place = folder / f"memory-{number}"
        place.mkdir()
        (place / "config.h").write_text(config)
        flash, ram = sizes(build(place, part_name, whole=True))
        table.add_row(name, part_name, f"{flash:,}", f"{ram:,}", f"{PARTS[part_name].ram_bytes - ram:,}")
    return table


async def measure(folder: Path, out: Console) -> None:
    out.print(memory(folder))
    loads = [
        Load(part.name, channels, FASTEST_STEPS_S)
        for part in PARTS.values()
        for channels in sorted({1, 2, 4, 6, part.most_channels})
    ]
    title = "Highest step rate with 100 MOVE frames a second to every channel"
    heads = ("part", "channels", "each, steps/s", "all, steps/s", "interval off, us: median", "99 %", "most")
    table = Table(*heads, "asleep", "stack used, bytes", title=title)
    await fill(table, rate, loads, folder)
    out.print(table)
    title = "Control tick with the interrupts in it, all channels at 900 steps/s"
    table = Table("part", "channels", "mean, cycles", "longest", "of all time", title=title)
    await fill(table, tick, [replace(load, speed=900) for load in loads], folder)
    out.print(table)
    heads = (
        "part",
        "channels",
        "baud",
        "QUERY to STATUS, ms: median",
        "most",
        "MOVE frames/s",
        "line's limit",
    )
    table = Table(*heads, title="Serial line")
    lines = [
        Load(part.name, part.most_channels, 1000, baud)
        for part in PARTS.values()
        for baud in (115_200, 500_000)
    ]
    await fill(table, line, lines, folder)
    out.print(table)


Work = Callable[[Load, Path], Awaitable[tuple[str, ...]]]


async def fill(table: Table, work: Work, loads: Sequence[Load], folder: Path) -> None:
    for load in loads:
        place = folder / "load"
        table.add_row(*await work(load, place))
        shutil.rmtree(place)


def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        asyncio.run(measure(Path(folder), Console(width=140)))


if __name__ == "__main__":
    main()
