"""The firmware on an emulated microcontroller as a subject of the boards' conformance suite."""

from __future__ import annotations

import os
import re
from pathlib import Path

from bridge.boards.link import Link
from bridge.boards.serial import SerialLink
from bridge.hardware.microcontrollers import PARTS
from tests.boards.host import Subject
from tests.boards.subjects import CHANNELS
from tests.conftest import until
from tests.firmware import built
from tests.firmware.avr.emulator import Emulator, pin

LINE_BAUD = 2_000_000  # the link must not pace what the emulator paces

EXAMPLE = """
rotor 0 step_dir {D2} {D3} -
index 0 {A0} low 39201 7 170
at 0 -700
rotor 1 four_wire {D4} {D5} {D6} {D7}
stop 1 {A1} high
at 1 512
rotor 2 gauge_stepper {D8} {D10} {D11} {D12}
reversed 2
ends 2 0 945
at 2 333
servo 3 {servo}
rotor 4 step_dir {D13} {A2} -
reversed 4
knob 0 {A3} {A4}
button 1 {A5}
"""
"""What hangs on the example board's pins; channels as in tests/boards/subjects.py."""

_NAMES = (*(f"D{n}" for n in range(2, 14)), *(f"A{n}" for n in range(6)))


def larger_config(folder: Path) -> Path:
    """A folder with the example's config.h for an atmega2560: the same printed pins, its own ports."""
    text = (built.FIRMWARE / "config.h").read_text()
    small, large = (PARTS[part].pins for part in ("atmega328p", "atmega2560"))
    moved = {f"PIN({small[name][0]}, {small[name][1]})": large[name] for name in _NAMES}
    moved["PIN(B, 1)"] = large["D46"]  # the servo: its D9 has no 16-bit timer
    pattern = re.compile("|".join(map(re.escape, moved)))
    text = pattern.sub(lambda found: "PIN({}, {})".format(*moved[found[0]]), text)
    (folder / "config.h").write_text(text)
    return folder


def mechanics(part: str) -> str:
    servo = pin(part, "D9" if part == "atmega328p" else "D46")
    return EXAMPLE.format(servo=servo, **{name: pin(part, name) for name in _NAMES})


class AvrSubject(Subject):
    """Machine code behind a pty. The board's clock goes only when the suite lets it, or the line has work."""

    def __init__(self, part: str, config: Path, hung: str, folder: Path) -> None:
        """`config`: the folder of its config.h; `hung`: what hangs on the pins."""
        self.name = f"firmware on an {part}"
        self._start = (built.program(part, config), part, hung, folder)

    async def start(self) -> Link:
        self.emulator = await Emulator.start(*self._start)
        await self.emulator.tell("pace demand")
        return await self._open()

    async def _open(self) -> Link:
        self.link = SerialLink("test", str(self.emulator.device), LINE_BAUD)
        await self.link.open()
        return self.link

    async def stop(self) -> None:
        await self.link.close()
        await self.emulator.stop()

    async def elapse(self, seconds_s: float) -> None:
        await until(lambda: not self.link.waiting, "written frames")
        await self.emulator.elapse(seconds_s)

    async def reopen(self) -> Link:
        await self.link.close()
        return await self._open()

    async def reset(self) -> None:
        await self.emulator.tell("reset")

    async def raw(self, data: bytes) -> None:
        descriptor = os.open(self.emulator.device, os.O_WRONLY | os.O_NOCTTY)
        try:
            os.write(descriptor, data)
        finally:
            os.close(descriptor)

    async def turn_knob(self, clicks: int) -> int:
        await self.emulator.tell(f"knob 0 {clicks}")
        return 0

    async def press(self) -> int:
        await self.emulator.tell("press 1")
        return 1

    async def lose_steps(self, channel: int, steps: int) -> None:
        await self.emulator.tell(f"lose {channel} {steps}")


class ExampleBoard(AvrSubject):
    """The board of bridge/firmware/config.h."""

    channels = tuple(channel.limits for channel in CHANNELS)
    steps_per_turn = tuple(channel.steps_per_turn for channel in CHANNELS)
    watchdog_ms = 2000

    def __init__(self, part: str, folder: Path) -> None:
        config = built.FIRMWARE if part == "atmega328p" else larger_config(folder)
        super().__init__(part, config, mechanics(part), folder)
