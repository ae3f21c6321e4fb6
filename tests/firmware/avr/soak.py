"""A long flight of one board on an emulated chip, in the chip's real time: behind a relay and a broker.

The shipped flight goes again and again through the live service to a board of three pointers with index
marks; service and relay are in this process, chip and broker in processes of their own.
"""

from __future__ import annotations

import asyncio
import math
import os
import shutil
from collections import deque
from collections.abc import AsyncIterator, Mapping
from contextlib import asynccontextmanager
from dataclasses import dataclass, replace
from pathlib import Path

from bridge.boards.messages import EventKind, FrameType, Homing
from bridge.boards.mqtt.hub import MqttLink
from bridge.boards.mqtt.relay import Relay
from bridge.boards.serial import SerialLink
from bridge.boards.state import State
from bridge.flight.links import serial_link
from bridge.flight.service import Service
from bridge.flight.sources import FixedSources
from bridge.panel.load import load_panel
from bridge.telemetry.flightlog import read_log
from bridge.telemetry.replay import ReplaySource
from tests.conftest import ROOT, WRITTEN_OUT, until
from tests.firmware.avr.cockpit import ask, cockpit, flying, home
from tests.firmware.avr.emulator import CLOCK_HZ, Counts
from tests.firmware.avr.subjects import AvrSubject
from tests.mqtt.broker import RunningBroker, running

FLIGHT = ROOT / "replay_logs" / "circuit.csv"
BOARD = "left"
LOOK_S, LOOKS = 0.5, 10


@dataclass(frozen=True, slots=True)
class ChipAccount:
    """The state at one moment, since the flight began.

    `missing_steps` are those that the index audit found missing, and marks that did not come; `jumps` are
    times that a motor's field went on by more than a step, lost its current too early or got it at another
    place, each of which loses steps. `frames_lost` are those that were sent and never arrived, either way;
    `replaced` are MOVEs that gave way to a newer one before they were sent. `breaks` are questions who is
    there: where a process was paused for so long, what was on its way is discarded, and counts as lost.
    `slots_lost` is the chip's own count of time slots for steps that it came too late for.
    """

    flown_s: float
    wall_s: float
    marks: int
    missing_steps: int
    jumps: int
    frames_lost: int
    replaced: int
    breaks: int
    slots_lost: int
    trips: int
    homes: int
    memory_mb: float
    chip_mb: float
    broker_mb: float
    descriptors: int


def memory_mb(process: int | str = "self") -> float:
    """What a process has in memory now."""
    pages = int(Path(f"/proc/{process}/statm").read_text().split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 1e6


class ChipSoak:
    """One flight without end, and what is counted of it; made by `soaking`."""

    def __init__(
        self, subject: AvrSubject, service: Service, near: SerialLink, broker: RunningBroker
    ) -> None:
        self.subject = subject
        self.session = service.running.sessions[BOARD]
        link = service.boards[BOARD].link
        assert isinstance(link, MqttLink)
        self._link = link
        self.near = near
        self.rests = 0
        self.off_steps = math.inf
        """How far any motor is from where the chip counts it, at most: known once the flight has ended."""
        self._broker = broker
        self._marks = self._homes = self._sent = self._arrived = self._breaks = 0
        hub = self._link._hub
        receive, send, publish = self.session.receive, near.send, hub.client.send

        def reported(time_s: float, payload: bytes) -> None:
            if payload[1] == FrameType.EVENT:
                self._marks += payload[3] == EventKind.INDEX
                self._homes += payload[3] == EventKind.HOMED
            receive(time_s, payload)

        def published(topic: str, payload: bytes) -> None:
            self._sent += hub.client.is_up and payload[1] != FrameType.IDENTIFY
            publish(topic, payload)

        def arrived(payload: bytes, replaceable: bool = False) -> None:
            self._arrived += payload[1] != FrameType.IDENTIFY
            self._breaks += payload[1] == FrameType.IDENTIFY
            self.rests += payload[1] == FrameType.REST
            send(payload, replaceable)

        self.session.receive = reported  # type: ignore[method-assign]
        near.send = arrived  # type: ignore[method-assign]
        hub.client.send = published  # type: ignore[method-assign]

    async def begin(self) -> None:
        """From here on is counted, once the board is ready."""
        await until(lambda: self.session.state is State.READY, "the board ready")
        self._begun = await self.subject.emulator.counts()
        self._begun_s = asyncio.get_running_loop().time()
        self._marks = self._homes = self._breaks = 0
        self._replaced_before = self._replaced()

    def _lost(self, counts: Counts) -> int:
        """Frames that were sent and have not arrived, those on their way too; bytes at the chip."""
        statistics = self.session.statistics
        at_chip = counts.overruns + counts.dropped - self._begun.overruns - self._begun.dropped
        return self._sent - self._arrived + at_chip + statistics.missed + statistics.board_bad

    def _replaced(self) -> int:
        return self._link.superseded + self.near.superseded

    async def accounts(self, every_s: float) -> AsyncIterator[ChipAccount]:
        """The account after each so many seconds of the chip."""
        due_s, frames_lost = every_s, deque[int](maxlen=LOOKS)
        while True:
            await asyncio.sleep(LOOK_S)
            account = await self._account()
            # A frame on its way now has arrived half a second later, one that is lost has not.
            frames_lost.append(account.frames_lost)
            if account.flown_s >= due_s:
                yield replace(account, frames_lost=min(frames_lost))
                due_s += every_s

    async def _account(self) -> ChipAccount:
        counts, statistics = await self.subject.emulator.counts(), self.session.statistics
        audits = [channel.audit for channel in self.session.channels if channel.audit is not None]
        return ChipAccount(
            (counts.cycle - self._begun.cycle) / CLOCK_HZ,
            asyncio.get_running_loop().time() - self._begun_s,
            self._marks,
            sum(abs(audit.missed) + audit.unseen for audit in audits),
            _jumps(counts) - _jumps(self._begun),
            self._lost(counts),
            self._replaced() - self._replaced_before,
            self._breaks,
            statistics.slots_lost,
            statistics.watchdog_trips,
            self._homes,
            memory_mb(),
            memory_mb(self.subject.emulator.pid),
            memory_mb(self._broker.pid),
            len(os.listdir("/proc/self/fd")),  # noqa: PTH208
        )


def _jumps(counts: Counts) -> int:
    return sum(motor.jumps + motor.cuts + motor.snaps for motor in counts.motors.values())


@asynccontextmanager
async def soaking(folder: Path, start_s: float = -math.inf, speed: float = 1.0) -> AsyncIterator[ChipSoak]:
    """The flight from this time of the log on, so many times as fast; its files are in the folder.

    At its end every motor must be where the chip counts it: `off_steps` is 0.
    """
    config = folder / "config"
    shutil.copytree(ROOT / "config", config)
    shutil.copy(WRITTEN_OUT, config / "panel.toml")
    with running() as broker:
        async with cockpit(config, (BOARD,)) as boards:
            subject = boards.boards[BOARD]
            zero = await home(subject)
            text = boards.path.read_text().replace('link = "serial"', 'link = "mqtt"')
            boards.path.write_text(f'{text}\n[broker]\nport = {broker.port}\nprefix = "soak"\n')
            panel = load_panel(boards.path)
            near = serial_link(panel, BOARD)
            relay = asyncio.create_task(Relay(broker.broker, f"soak/{BOARD}", BOARD, near).run())
            source = ReplaySource(read_log(FLIGHT, panel.catalogue), speed, start_s, loop=True)
            service = Service(panel, sources=FixedSources(source))
            soak = ChipSoak(subject, service, near, broker)
            await boards.pace("wall")
            async with flying(service):
                await soak.begin()
                yield soak
            await until(lambda: soak.rests and not near.waiting, "REST at the board")
            relay.cancel()
            await asyncio.wait({relay})
            soak.off_steps = await _off_steps(subject, zero)


async def _off_steps(subject: AvrSubject, zero: Mapping[int, int]) -> float:
    """How far any motor is from where the chip counts it, at most, once they rest."""
    status, counts = await ask(subject)
    off = 0.0
    for number, row in enumerate(status.channels):
        motor = counts.motors[number]
        off = max(off, abs(motor.walk - zero[number] - row.position))
        if subject.channels[number].homing == Homing.INDEX:
            off = max(off, abs(motor.place - row.position))
    return off
