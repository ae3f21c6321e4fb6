"""The demo panel on emulated boards, each with the firmware that `pointer-bridge firmware` writes for it."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Mapping
from contextlib import AsyncExitStack, asynccontextmanager
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise
from pathlib import Path

from bridge.boards import messages
from bridge.boards.messages import ChannelState, Homing
from bridge.firmware.generate import config_h
from bridge.flight.service import Service
from bridge.panel.expected import expected_channels
from bridge.panel.load import Panel, load_panel
from tests.boards.host import Host
from tests.conftest import PATIENCE_S
from tests.firmware.avr.emulator import CLOCK_HZ, Counts, Emulator, Record, pin
from tests.firmware.avr.subjects import AvrSubject

START = {Homing.INDEX: -100, Homing.SWEEP: 40, Homing.STOP: 40}
"""Where the pointers are at power-on, in steps: their homing is short, and still has to be done."""

MARK_SHARE = 30  # a mark is a thirtieth of a turn wide


@dataclass
class Cockpit:
    """The description that reaches the boards, and the boards."""

    path: Path
    panel: Panel
    boards: dict[str, AvrSubject]

    def emulator(self, board: str) -> Emulator:
        return self.boards[board].emulator

    async def pace(self, how: str) -> None:
        for subject in self.boards.values():
            await subject.emulator.tell(f"pace {how}")


@asynccontextmanager
async def cockpit(config: Path, serial: tuple[str, ...]) -> AsyncIterator[Cockpit]:
    """The demo panel in this folder with these boards emulated and named in it; the others stay virtual."""
    path = config / "panel.toml"
    panel = load_panel(path)
    async with AsyncExitStack() as stack:
        boards = {}
        for name in serial:
            folder = config / name
            folder.mkdir()
            (folder / "config.h").write_text(config_h(panel, name))
            part = panel.description.boards[name].part
            subject = AvrSubject(part, folder, hung(panel, name), folder)
            expected = expected_channels(panel, name)
            subject.channels = tuple(channel.limits for channel in expected)
            subject.steps_per_turn = tuple(channel.steps_per_turn for channel in expected)
            subject.watchdog_ms = panel.description.boards[name].watchdog_ms
            await subject.start()
            stack.push_async_callback(subject.stop)
            boards[name] = subject
            port = f'[boards.{name}]\nlink = "serial"\nport = "{subject.emulator.device}"'
            path.write_text(path.read_text().replace(f"[boards.{name}]", port))
        yield Cockpit(path, load_panel(path), boards)


def hung(panel: Panel, board: str) -> str:
    """What hangs on the pins of this board, in the words of mechanics.h."""
    described = panel.description.boards[board]

    def pins(names: tuple[str, ...]) -> str:
        return " ".join(pin(described.part, name) for name in names)

    lines = []
    for number, (channel, expected) in enumerate(
        zip(described.channels.values(), expected_channels(panel, board), strict=True)
    ):
        limits = expected.limits
        if channel.output == "servo":
            lines.append(f"servo {number} {pins(channel.pins)}")
            continue
        bare = " -" if channel.output == "step_dir" and len(channel.pins) == 2 else ""
        lines.append(f"rotor {number} {channel.output} {pins(channel.pins)}{bare}")
        lines.append(f"at {number} {START.get(Homing(limits.homing), 0)}")
        if channel.reversed:
            lines.append(f"reversed {number}")
        if channel.homing == "sweep":
            lines.append(f"ends {number} 0 {limits.high + 20}")
        if channel.index and expected.steps_per_turn:
            turn = expected.steps_per_turn
            level = f"{pins((channel.index.pin,))} {channel.index.active}"
            width = float(turn / MARK_SHARE)
            lines.append(f"index {number} {level} {turn.numerator} {turn.denominator} {width}")
        if channel.stop:
            lines.append(f"stop {number} {pins((channel.stop.pin,))} {channel.stop.active}")
    for number, given in described.inputs.items():
        kind = "knob" if given.kind == "encoder" else "button"
        lines.append(f"{kind} {number} {pins(given.pins)}")
    return "\n".join(lines) + "\n"


async def home(subject: AvrSubject) -> dict[int, int]:
    """Home every channel, faster than the wall clock; returns each motor's walk at position zero."""
    host = Host(subject, subject.link)
    await host.make_known(*range(len(subject.channels)))
    status, counts = await host.status(), await subject.emulator.counts()
    await subject.link.close()
    return {number: motor.walk - status.channels[number].position for number, motor in counts.motors.items()}


async def ask(subject: AvrSubject) -> tuple[messages.Status, Counts]:
    """What the board says and what the pins saw, once the board rests as it was told."""
    await subject.emulator.tell("pace demand")
    await subject.reopen()

    def rests(status: messages.Status) -> bool:
        return all(channel.state == ChannelState.RESTING for channel in status.channels)

    try:
        status = await Host(subject, subject.link).until(rests, "rest", 5.0)
    finally:
        await subject.link.close()
    return status, await subject.emulator.counts()


@asynccontextmanager
async def flying(service: Service) -> AsyncIterator[Service]:
    run = asyncio.create_task(service.run())
    try:
        yield service
    finally:
        service.stop()
        await asyncio.wait_for(run, PATIENCE_S)


TICK_S = 2.048e-3  # the firmware picks a new rate this often (core/motion.h)


def beaten_limits(
    records: list[Record], limits: Mapping[int, tuple[float, float]], held_up_s: float
) -> list[str]:
    """Where steps at the pins came sooner than these speeds (steps/s) and accelerations (steps/s^2) allow.

    A step may come later than planned by up to `held_up_s`, while an interrupt is busy, so an interval may
    seem shorter by as much. Within one direction, the mean rates of two neighbouring intervals may differ by
    what the acceleration gives between the intervals' middles and one control tick more (elementary
    kinematics of a staircase beside its ramp).
    """
    found = []
    for channel, (speed, acceleration) in limits.items():
        times = [(record.cycle / CLOCK_HZ, record.value) for record in records if record.kind == channel]
        before: tuple[float, float] | None = None  # the last interval's middle and rate
        for (start_s, way), (end_s, ahead) in pairwise(times):
            if way != ahead:
                before = None
                continue
            interval_s = end_s - start_s
            if interval_s + held_up_s < 1.0 / speed:
                found.append(
                    f"channel {channel}: {interval_s * 1e6:.0f} us between two steps at {end_s:.4f} s"
                )
            rate, middle_s = 1.0 / interval_s, (start_s + end_s) / 2.0
            if before is not None:
                spread = held_up_s * (rate**2 + before[1] ** 2)
                allowed = acceleration * (middle_s - before[0] + TICK_S) + spread
                if abs(rate - before[1]) > allowed:
                    found.append(
                        f"channel {channel}: from {before[1]:.0f} to {rate:.0f} steps/s at {end_s:.4f} s"
                    )
            before = (middle_s, rate)
    return found


def whole_turns(steps: float, turn: Fraction) -> float:
    """What is left of a number of steps after the nearest number of whole turns."""
    return float(Fraction(steps) - round(Fraction(steps) / turn) * turn)
