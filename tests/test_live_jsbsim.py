"""jsbsim flies and sends its own datagrams in real time; the faces are compared with its own state.

Nothing of ours stands between the model and the wire (tests/live_flight.py steps it at the clock's pace).
On this side runs the whole service: UDP source, layout, instruments, pointers, motion, virtual boards.
What a pointer shows is read from where its virtual motor stands; what it should show is the model's own
state of that same moment.

A moment counts only when both sides were on time just before it: a machine too busy to run either of them
says nothing about the needles.
"""

from __future__ import annotations

import asyncio
import json
import math
import os
import sys
import time
from asyncio.subprocess import PIPE, Process
from bisect import bisect_right
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from bridge.boards.virtual.link import VirtualLink
from bridge.flight.service import Service
from bridge.panel.load import load_panel
from bridge.telemetry.udp import UdpSource
from tests.conftest import PATIENCE_S, ROOT, until

SETTING_INHG = 30.12
EARTH_FT = 20_855_531.5  # ICAO Doc 7488: nominal radius of the earth for geopotential, 6,356,766 m
SAMPLE_S = 0.02
LATE_S = 0.03  # 1 ft of the steepest climb
BEFORE_S = 0.6  # after half a second without our program a pointer has caught up in 0.4 s
LEAST_JUDGED = 100  # moments, two seconds of the fourteen: fewer prove nothing

POINTERS = {
    "hundreds": ("left", 0),
    "thousands": ("left", 1),
    "ten_thousands": ("left", 2),
    "airspeed": ("right", 0),
    "heading": ("right", 2),
}


@dataclass(frozen=True, slots=True)
class Moment:
    """Where the pointers were on their faces (degrees clockwise from 12 o'clock), and how late we looked.

    Late by the end of the look: a machine may take this program off its core between clock and faces.
    """

    time_s: float
    late_s: float
    faces_deg: dict[str, float]


@dataclass(frozen=True, slots=True)
class Model:
    """The model's own state at one step: the monotonic clock, the model's clock, and what it flew."""

    wall_s: float
    time_s: float
    pressure_altitude_ft: float  # as the model has it: a geometric height in the standard atmosphere
    airspeed_kt: float
    heading_deg: float
    climb_ft_s: float


class Track:
    """The model's flight by the clock: read at any moment, straight between its steps of 1/120 s."""

    def __init__(self, steps: list[Model]) -> None:
        self._steps = steps
        self._times_s = [step.time_s for step in steps]
        self._ahead_s = min(step.wall_s - step.time_s for step in steps)

    def at(self, wall_s: float) -> tuple[Model, Model, float] | None:
        """The steps around this moment and the share between them; None outside, or if the model ran late."""
        time_s = wall_s - self._ahead_s
        after = bisect_right(self._times_s, time_s)
        first = bisect_right(self._times_s, time_s - BEFORE_S)
        if not 0 < first <= after < len(self._steps):
            return None
        if any(s.wall_s - s.time_s - self._ahead_s > LATE_S for s in self._steps[first : after + 1]):
            return None
        a, b = self._steps[after - 1 : after + 1]
        return a, b, (time_s - a.time_s) / (b.time_s - a.time_s)


def indicated_ft(model_altitude_ft: float) -> float:
    """What an altimeter set to 30.12 inHg reads at the model's pressure altitude.

    U.S. Standard Atmosphere 1976, below 11 km: T0/L (1 - (setting / 29.92126)^(R L / g)).
    """
    geopotential_ft = model_altitude_ft * EARTH_FT / (EARTH_FT + model_altitude_ft)
    return geopotential_ft - 145_442.16 * (1 - math.pow(SETTING_INHG / 29.92126, 1 / 5.255_88))


def indicated_kt(calibrated_kt: float) -> float:
    """The demo aircraft's position error between 99 and 138 kt, straight as in its description."""
    return 100 + (calibrated_kt - 99) * 40 / 39


def between(low: float, high: float, share: float) -> float:
    return low + (high - low) * share


def off(shown: float, true: float, turn: float) -> float:
    """How far a reading is off on a face that repeats itself after `turn`."""
    return (shown - true + turn / 2) % turn - turn / 2


@pytest.fixture
def panel_file(config: Path) -> Path:
    """The demo panel with the altimeter set by hand; its layout names more than the model sends."""
    path = config / "panel.toml"
    text = path.read_text(encoding="utf-8").replace("127.0.0.1:58226", "127.0.0.1:0")
    text = text.replace('source = "telemetry"', f'source = "fixed"\ninhg = {SETTING_INHG}')
    path.write_text(text, encoding="utf-8")
    return path


async def take_off(port: int) -> Process:
    return await asyncio.create_subprocess_exec(
        sys.executable,
        str(ROOT / "tests" / "live_flight.py"),
        str(port),
        stdin=PIPE,
        stdout=PIPE,
        env={**os.environ, "PYTHONPATH": str(ROOT / "replay_logs")},
    )


def faces_deg(service: Service) -> dict[str, float]:
    """Where each pointer is: the true place of its virtual motor, turned into degrees on the face."""
    shown = {}
    for name, (board, channel) in POINTERS.items():
        link = service.boards[board].link
        assert isinstance(link, VirtualLink)
        shown[name] = service.running.chain.pointers[board, channel].pointer.face_deg(
            link.board.channel(channel).place
        )
    return shown


async def watch(service: Service, flight: Process) -> tuple[list[Moment], list[Model]]:
    """Look at the faces until the flight ends."""
    assert flight.stdin and flight.stdout
    flight.stdin.write(b"climb\n")
    printed = asyncio.create_task(flight.stdout.read())
    moments = []
    due_s = time.monotonic()
    while not printed.done():
        await asyncio.sleep(due_s - time.monotonic())
        now_s = time.monotonic()
        shown = faces_deg(service)
        end_s = time.monotonic()
        moments.append(Moment(now_s, end_s - due_s, shown))
        due_s = max(due_s + SAMPLE_S, end_s)
    await flight.wait()
    return moments, [Model(*step) for step in json.loads((await printed).splitlines()[-1])]


def settled(service: Service) -> bool:
    """Whether every pointer is driven from where its board reported it, and shows the level flight.

    READY alone tells nothing: the pointer is put where its board says it is by the tick after it.
    """
    driven = service.running.positions()
    return all(
        address in driven
        and (target := service.running.chain.pointers[address].target) is not None
        and abs(driven[address] - target) < 5
        for address in POINTERS.values()
    )


def judged(moments: list[Moment], track: Track) -> Iterator[tuple[dict[str, float], Any]]:
    """The faces of each moment with the model's state of that moment, where both sides were on time."""
    late_until_s = 0.0
    for moment in moments:
        if moment.late_s > LATE_S:
            late_until_s = moment.time_s + BEFORE_S
        state = track.at(moment.time_s)
        if state is not None and moment.time_s >= late_until_s:
            yield moment.faces_deg, state


@pytest.mark.slow
async def test_in_a_climb_of_the_model_every_face_shows_the_models_own_state(panel_file: Path) -> None:
    """Altimeter within 10 ft at every moment of a climb at up to 2,000 ft/min; airspeed within 2 kt and
    heading within 1 degree, the tolerances in the panel's description."""
    service = Service(load_panel(panel_file))
    run = asyncio.create_task(service.run())
    flight: Process | None = None
    try:
        async with asyncio.timeout(PATIENCE_S):
            await service.started.wait()
        source = service.intake.sources[0]
        assert isinstance(source, UdpSource)
        flight = await take_off(source.port)
        await until(lambda: settled(service), "pointers that show the level flight")
        moments, steps = await watch(service, flight)
    finally:
        if flight is not None and flight.returncode is None:
            flight.kill()
        service.stop()
        await run

    assert 1500 < max(step.climb_ft_s for step in steps) * 60 <= 2000
    count = 0
    for faces, (before, after, share) in judged(moments, Track(steps)):
        count += 1
        true_ft = indicated_ft(between(before.pressure_altitude_ft, after.pressure_altitude_ft, share))
        true_kt = indicated_kt(between(before.airspeed_kt, after.airspeed_kt, share))
        turned_deg = off(after.heading_deg, before.heading_deg, 360)
        true_deg = before.heading_deg + turned_deg * share - 4.0  # magnetic variation of the panel
        assert abs(off(faces["hundreds"] / 360 * 1000, true_ft, 1000)) <= 10
        assert abs(off(faces["thousands"] / 360 * 10_000, true_ft, 10_000)) <= 20
        assert abs(off(faces["ten_thousands"] / 360 * 100_000, true_ft, 100_000)) <= 100
        assert abs(80 + (faces["airspeed"] - 108) / 2.1 - true_kt) <= 2
        assert abs(off(-faces["heading"], true_deg, 360)) <= 1  # a card turns against the heading
    if count < LEAST_JUDGED:
        pytest.skip(f"the machine was too busy: {count} of {len(moments)} moments could be judged")
