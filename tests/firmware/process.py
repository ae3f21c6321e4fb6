"""The firmware as a process (its host port), with a simulated plant on its pins."""

from __future__ import annotations

import asyncio
import subprocess
from collections.abc import Sequence
from pathlib import Path

from bridge.boards.link import Link
from bridge.boards.serial import SerialLink
from tests.boards.host import Subject
from tests.conftest import PATIENCE_S


class FirmwareProcess:
    """The process: its line is the pty `device`; `tell` commands what is at its pins (the port's plant.h)."""

    def __init__(self, command: Sequence[str | Path]) -> None:
        self.command = [str(word) for word in command]
        self.device = ""
        self._process: subprocess.Popen[str] | None = None

    def start(self) -> FirmwareProcess:
        self._process = subprocess.Popen(
            self.command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, bufsize=1
        )
        self.device = self._read()
        return self

    def stop(self) -> None:
        if self._process is None:
            return
        process, self._process = self._process, None
        assert process.stdin and process.stdout
        process.stdin.close()
        try:
            process.wait(PATIENCE_S)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
        process.stdout.close()

    def tell(self, *words: object) -> None:
        assert self._process and self._process.stdin
        self._process.stdin.write(" ".join(map(str, words)) + "\n")

    def ask(self, word: str) -> str:
        self.tell(word)
        return self._read()

    def time_s(self) -> float:
        """The board's own time."""
        return float(self.ask("time"))

    def positions(self) -> list[int]:
        """Where the pointers really are: steps from their home marks."""
        return [int(number) for number in self.ask("positions").split()[::2]]

    def made(self) -> list[int]:
        """Steps that each motor was driven since the start, clockwise less counter-clockwise."""
        return [int(number) for number in self.ask("positions").split()[1::2]]

    def _read(self) -> str:
        assert self._process and self._process.stdout
        line = self._process.stdout.readline()
        assert line, f"{self.command[0]} ended with {self._process.poll()}"
        return line.strip()


class ProcessSubject(Subject):
    """Such a board as a subject of the conformance suite."""

    def __init__(self, process: FirmwareProcess, baud: int, at: Sequence[int]) -> None:
        self.process = process
        self.baud = baud
        self.at = at
        self.link = SerialLink("test", "", baud)
        self._knob = 0

    async def start(self) -> Link:
        self.process.start()
        for channel, turn in enumerate(self.steps_per_turn):
            if turn is not None:
                self.process.tell("turn", channel, turn.numerator, turn.denominator)
        for channel, place in enumerate(self.at):
            self.process.tell("at", channel, place)
        await self.elapse(0.01)  # awake: what it finds pressed at the start counts as rest
        return await self._open()

    async def _open(self) -> Link:
        self.link = SerialLink("test", self.process.device, self.baud)
        await self.link.open()
        return self.link

    async def stop(self) -> None:
        await self.link.close()
        self.process.stop()

    async def elapse(self, seconds_s: float) -> None:
        until_s = self.process.time_s() + seconds_s
        self.process.tell("go", seconds_s + 0.001)
        async with asyncio.timeout(PATIENCE_S + 10 * seconds_s):
            while self.process.time_s() < until_s:
                await asyncio.sleep(0.002)

    async def reopen(self) -> Link:
        await self.link.close()
        return await self._open()

    async def reset(self) -> None:
        self.process.tell("reset")

    async def raw(self, data: bytes) -> None:
        with open(self.process.device, "wb", buffering=0) as line:  # noqa: ASYNC230, PTH123
            line.write(data)

    async def turn_knob(self, clicks: int) -> int:
        around = (1, 0, 2, 3) if clicks > 0 else (2, 0, 1, 3)
        for _ in range(abs(clicks)):
            for levels in around:
                self.process.tell("input", 0, levels)
                await self.elapse(0.004)
        return 0

    async def press(self) -> int:
        for level in (0, 1):
            self.process.tell("input", 1, level)
            await self.elapse(0.03)
        return 1

    async def lamp_levels(self) -> list[int]:
        return [int(level) for level in self.process.ask("lamps").split()]

    async def lose_steps(self, channel: int, steps: int) -> None:
        self.process.tell("lose", channel, steps)
