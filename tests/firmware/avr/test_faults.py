"""Whatever happens to the line, the motors or either end: nothing moves wrongly, and it is reported.

The demo panel flies with its `left` board emulated, the altimeter's. Its motors are four times as quick as
the demo's, so that a turn takes seconds; the pins are logged, and no step may beat the drive's limits.
"""

from __future__ import annotations

import asyncio
import json
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from structlog.testing import capture_logs

from bridge.boards import codec
from bridge.boards.line import to_line
from bridge.boards.session import BoardSession
from bridge.boards.state import State
from bridge.flight.service import Service
from bridge.flight.sources import FixedSources
from bridge.panel.load import load_panel
from bridge.telemetry.source import Arrival, Deliver
from tests.conftest import PATIENCE_S, until
from tests.firmware import built
from tests.firmware.avr.cockpit import Cockpit, ask, beaten_limits, cockpit, flying, home, whole_turns
from tests.firmware.avr.corrupting_line import CorruptingLine, corrupting_line, doubling, flipping, losing
from tests.firmware.avr.emulator import CLOCK_HZ, read_log

pytestmark = pytest.mark.usefixtures("patient_host")

HELD_UP_S = 64e-6  # see test_flight.py
SPEED_STEPS_S, ACCELERATION_STEPS_S2 = 3600, 20_000
HUNDREDS = 0  # the channel of the pointer that turns fastest
_MOVE_BYTES = len(to_line(codec.encode_move(0, [0.5] * 3, [0.5] * 3)))


class Climb:
    """A source: an aeroplane that climbs as it is set to."""

    name = "climb"
    senders = ()
    refused: dict[str, int] = {}
    given = frozenset({"pressure_altitude", "altimeter_setting"})

    def __init__(self) -> None:
        self.altitude_ft = 300.0
        self.climb_ft_s = 0.0

    async def open(self) -> None:
        pass

    async def close(self) -> None:
        pass

    async def run(self, deliver: Deliver) -> None:
        before_s = time.monotonic()
        while True:
            now_s = time.monotonic()
            self.altitude_ft += self.climb_ft_s * (now_s - before_s)
            before_s = now_s
            deliver(Arrival(now_s, {"pressure_altitude": self.altitude_ft, "altimeter_setting": 29.92126}))
            await asyncio.sleep(0.03)


@dataclass
class Flight:
    boards: Cockpit
    line: CorruptingLine
    climb: Climb
    service: Service
    logs: list[Any] = field(default_factory=list)
    reset_cycle: int = 0  # when the board was reset, which stops a motor as nothing else may

    @property
    def session(self) -> BoardSession:
        return self.service.running.sessions["left"]

    @property
    def bad_answers(self) -> int:
        return self.service.boards["left"].link.bad_frames

    async def tell(self, command: str) -> None:
        await self.boards.emulator("left").tell(command)

    def told(self, event: str, **values: object) -> bool:
        """Whether a log line of this event has these values; of text, contains it."""

        def fits(entry: dict[str, Any]) -> bool:
            return entry["event"] == event and all(
                str(value) in str(entry.get(key)) for key, value in values.items()
            )

        return any(fits(entry) for entry in self.logs)

    async def told_soon(self, event: str, **values: object) -> None:
        await until(lambda: self.told(event, **values), f"{event} {values}")

    async def ready(self) -> None:
        await until(lambda: self.session.state is State.READY, "ready board")

    async def turning(self) -> None:
        """Climb, and wait until the hundreds pointer is at speed."""
        self.climb.climb_ft_s = 300.0
        hundreds = self.session.channels[HUNDREDS]
        await until(lambda: hundreds.reported.velocity > 500 * 256, "turning pointers")

    async def level(self) -> None:
        """Level off and wait until every pointer is where the chain wants it."""
        self.climb.climb_ft_s = 0.0
        needles = [self.service.running.chain.pointers["left", n] for n in range(3)]

        def there() -> bool:
            return all(
                needle.velocity == 0.0
                and needle.position == needle.target
                and channel.reported.velocity == 0
                and abs(channel.position - needle.position) <= 1
                for needle, channel in zip(needles, self.session.channels, strict=True)
            )

        await until(there, "level flight")


@asynccontextmanager
async def flight(config: Path, folder: Path) -> AsyncIterator[Flight]:
    """Home, fly level; afterwards no step may have beaten the limits, and every count must be right."""
    panel_file = config / "panel.toml"
    slow = "speed_steps_s = 900\nacceleration_steps_s2 = 4000"
    assert slow in panel_file.read_text()
    quick = f"speed_steps_s = {SPEED_STEPS_S}\nacceleration_steps_s2 = {ACCELERATION_STEPS_S2}"
    panel_file.write_text(panel_file.read_text().replace(slow, quick))
    async with cockpit(config, ("left",)) as boards:
        left = boards.boards["left"]
        await home(left)
        pins = folder / "pins.log"
        await left.emulator.tell(f"log {pins}")
        await boards.pace("wall")
        with corrupting_line(folder, left.emulator.device) as line, capture_logs() as logs:
            device = str(left.emulator.device)
            panel_file.write_text(panel_file.read_text().replace(device, str(line.path)))
            climb = Climb()
            service = Service(load_panel(panel_file), sources=FixedSources(climb))
            async with flying(service):
                this = Flight(boards, line, climb, service, logs)
                await this.ready()
                await this.level()
                yield this
                await this.level()
        assert not this.told("stopped before every pointer was reported at rest")
        status, counts = await ask(left)
        assert counts.overruns == 0
        for number, row in enumerate(status.channels):
            needle, motor = service.running.chain.pointers["left", number], counts.motors[number]
            turn = left.steps_per_turn[number]
            assert turn is not None
            assert motor.jumps == motor.cuts == 0
            assert row.velocity == 0
            off = whole_turns(motor.place - needle.position, turn)
            assert abs(off) <= 1.0, f"pointer {number} at {motor.place}, counted {row.position}"
        await left.emulator.tell("log -")
        limits = dict.fromkeys(range(3), (float(SPEED_STEPS_S), float(ACCELERATION_STEPS_S2)))
        steps = list(read_log(pins))
        for part in (
            [step for step in steps if step.cycle < this.reset_cycle],
            [step for step in steps if step.cycle >= this.reset_cycle],
        ):
            assert beaten_limits(part, limits, HELD_UP_S) == []


async def test_a_corrupting_line_costs_frames_and_no_step(config: Path, tmp_path: Path) -> None:
    async with flight(config, tmp_path) as fly:
        count = fly.session.statistics

        def asked_s() -> float:
            assert fly.session.reported_s is not None
            return fly.session.reported_s - count.round_trip_s

        async def corrupted(
            name: str, to_board: Callable[[bytes], bytes], seen: Callable[[], int], least: int
        ) -> None:
            before = seen()
            fly.line.to_board = to_board
            await until(lambda: seen() - before >= least, f"{name} on the line")
            fly.line.to_board = bytes
            clean_s = fly.service.clock()
            await until(lambda: asked_s() > clean_s, "an answer to a question asked on the clean line")

        fly.climb.climb_ft_s = 300.0
        await corrupted("bits flipped", flipping(211), lambda: count.board_bad, 8)
        fly.climb.climb_ft_s = -300.0
        await corrupted("bytes lost", losing(211), lambda: count.board_bad, 8)
        missed, bad = count.board_missed, count.board_bad
        fly.climb.climb_ft_s = 300.0
        await corrupted("frames doubled", doubling(), lambda: count.board_good, 150)
        assert count.board_bad == bad
        fly.line.to_host = flipping(301)
        await until(lambda: fly.bad_answers >= 3, "corrupted answers")
        fly.line.to_host = bytes
        assert missed > 0  # the corrupted frames left gaps, and were counted
        assert count.resets == 0
        assert not fly.told("homed", board="left")


async def test_a_line_cut_in_mid_frame_is_reported_and_taken_up_again_without_homing(
    config: Path, tmp_path: Path
) -> None:
    async with flight(config, tmp_path) as fly:
        await fly.turning()
        fly.line.cut_in_mid_frame()
        await until(lambda: fly.line.cut, "a cut line")
        await fly.told_soon("board", board="left", state="absent", why="was lost")
        await fly.told_soon("board can't be reached", why="plug the board in")
        fly.line.plug()
        await fly.ready()
        assert not fly.told("homed", board="left")
        assert fly.session.statistics.board_bad >= 1  # the half frame


async def test_a_board_reset_in_flight_homes_again(config: Path, tmp_path: Path) -> None:
    async with flight(config, tmp_path) as fly:
        await fly.turning()
        fly.logs.clear()
        await fly.tell("reset")
        fly.reset_cycle = (await fly.boards.emulator("left").counts()).cycle
        await fly.told_soon("board", board="left", state="homing", was="ready")
        await fly.ready()
        assert fly.session.statistics.resets == 1
        for channel in range(3):
            await fly.told_soon("homed", board="left", channel=channel)


async def test_missed_index_marks_are_counted_and_a_dead_sensor_is_named(
    config: Path, tmp_path: Path
) -> None:
    async with flight(config, tmp_path) as fly:
        channel = fly.session.channels[HUNDREDS]
        audit = channel.audit
        assert audit
        await fly.tell(f"index {HUNDREDS} 0")
        fly.climb.climb_ft_s = 600.0
        await until(lambda: audit.unseen >= 1, "an unseen mark")
        assert channel.detail == "" or audit.unseen > 1, "one alone is no dead sensor"
        await until(
            lambda: "index marks unseen: look at the sensor" in channel.detail, "words of a dead sensor"
        )
        await fly.tell(f"index {HUNDREDS} 1")
        await until(lambda: channel.detail == "", "a sensor that lives again")
        assert audit.missed == 0


async def test_forty_lost_steps_are_found_at_the_next_mark_reported_and_corrected_slowly(
    config: Path, tmp_path: Path
) -> None:
    async with flight(config, tmp_path) as fly:
        channel = fly.session.channels[HUNDREDS]
        audit = channel.audit
        assert audit
        await fly.tell(f"lose {HUNDREDS} 40")
        fly.climb.climb_ft_s = 300.0
        await fly.told_soon("missed steps", steps=40, channel=HUNDREDS)
        assert channel.detail == "40 missed steps are being corrected"
        await until(lambda: audit.offset == 40.0, "a corrected count")
        assert fly.session.state is State.READY
        assert not fly.told("homed", board="left")


async def test_a_host_that_is_killed_and_started_again_goes_on_without_homing(
    config: Path, tmp_path: Path
) -> None:
    layout = 'kind = "keyvalue"\nseparator = " "\n'
    layout += '[[fields]]\nquantity = "pressure_altitude"\nkey = "alt"\nunit = "ft"\n'
    layout += '[[fields]]\nquantity = "altimeter_setting"\nkey = "set"\nunit = "inHg"\n'
    (config / "layouts" / "test.toml").write_text(layout)
    panel_file = config / "panel.toml"
    text = panel_file.read_text().replace("127.0.0.1:58226", "127.0.0.1:0")
    panel_file.write_text(text.replace("layouts/labelled-text.toml", "layouts/test.toml"))
    async with cockpit(config, ("left",)) as boards:
        left = boards.boards["left"]
        await left.link.close()
        await boards.pace("wall")

        async def moved(frames: int = 50) -> None:
            """Until the board has received so many MOVE frames more."""
            enough = (await left.emulator.counts()).received + frames * _MOVE_BYTES
            async with asyncio.timeout(PATIENCE_S):
                while (await left.emulator.counts()).received < enough:
                    await asyncio.sleep(0.01)

        hosts: list[subprocess.Popen[bytes]] = []
        sending: list[asyncio.Task[None]] = []

        async def start(log: Path) -> None:
            hosts.append(_start_host(panel_file, log))
            await until(lambda: _port(log), "listening host")
            sending.append(asyncio.create_task(_send(_port(log))))
            await until(lambda: _ready(log), "ready board")
            await moved()

        try:
            await start(tmp_path / "first.log")
            # An event that a held-up host does not read in time is lost; the status shows what was in it.
            assert any(row["event"] == "homed" for row in _rows(tmp_path / "first.log"))
            os.kill(hosts[0].pid, signal.SIGKILL)
            hosts[0].wait()
            sending.pop().cancel()
            before = await left.emulator.counts()
            # the watchdog lets the board hold
            silent_cycles = (left.watchdog_ms + 200) * CLOCK_HZ // 1000
            async with asyncio.timeout(PATIENCE_S):
                while (await left.emulator.counts()).cycle < before.cycle + silent_cycles:
                    await asyncio.sleep(0.01)
            await start(tmp_path / "second.log")
            hosts[1].send_signal(signal.SIGTERM)
            assert hosts[1].wait(PATIENCE_S) == 0
        finally:
            for task in sending:
                task.cancel()
            for host in hosts:
                host.kill()
                host.wait()
        left_rows = [row for row in _rows(tmp_path / "second.log") if row.get("board") == "left"]
        assert not [row for row in left_rows if row["event"] == "homed"]
        status, counts = await ask(left)
        assert status.watchdog_trips >= 1
        for number, row in enumerate(status.channels):
            assert counts.motors[number].place == row.position
            assert counts.motors[number].jumps == counts.motors[number].cuts == 0
            assert counts.motors[number].snaps == before.motors[number].snaps


async def _send(port: int) -> None:
    """Telemetry of a level flight at some 30 Hz."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as line:
        while True:
            line.sendto(b"alt=2140 set=29.92126", ("127.0.0.1", port))
            await asyncio.sleep(0.03)


def _start_host(panel: Path, log: Path) -> subprocess.Popen[bytes]:
    environment = os.environ | {"XDG_STATE_HOME": str(log.parent / "state")}
    with log.open("wb") as file:
        command = [sys.executable, "-m", "bridge.cli", "run", str(panel), "--json"]
        return subprocess.Popen(command, stdout=file, stderr=file, cwd=built.ROOT, env=environment)


def _rows(log: Path) -> list[dict[str, Any]]:
    lines = log.read_text().splitlines() if log.exists() else []
    return [json.loads(line) for line in lines if line.startswith("{") and line.endswith("}")]


def _port(log: Path) -> int:
    """The UDP port that the host has been given, 0 before it listens."""
    named = [str(row["source"]) for row in _rows(log) if row["event"] == "listening"]
    return int(named[-1].rpartition(":")[2]) if named else 0


def _ready(log: Path) -> bool:
    states = [row["state"] for row in _rows(log) if row["event"] == "board" and row["board"] == "left"]
    return states[-1:] == ["ready"]
