"""`calibrate`: take one pointer from mark to mark at the bench, and write its calibration."""

from __future__ import annotations

import argparse
import asyncio
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from bridge.commands import run as run_command
from bridge.commands.keys import keys, keys_can_be_read
from bridge.commands.screen import Screen, Shown, next_key, typed_on
from bridge.commands.shipped import PANEL

if TYPE_CHECKING:
    from bridge.flight.gauge_bench import GaugeBench
    from bridge.flight.service import Service
    from bridge.flight.snapshot import BenchSnapshot
    from bridge.gauges.pointer import Pointer
    from bridge.panel.load import Panel

HOLDER = "the terminal"
_JOGS = {"right": 1, "left": -1, "up": 10, "down": -10}
_MARKS = {"n": 1, "p": -1}
_CAPTURED, _ADVICE = 8, 2
"""Marks around the present one, and the gravest advice: 24 lines of 80 letters have room for it."""
KEYS = (
    "Enter: the needle covers the mark   left, right: jog a step   down, up: ten",
    "n, p: next, previous mark   d: from the other side   u: undo   s: save   q: quit",
    "g: go to a reading  w: sweep the scale  h: home  a: it is at its home position",
    "x, Esc: stop all needles, and let them go on",
)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The arguments of `calibrate`."""
    parser.add_argument("gauge", help="the gauge's name in the panel description")
    parser.add_argument("--pointer", metavar="NAME", help="which of its pointers (the first)")
    parser.add_argument(
        "--panel", type=Path, default=PANEL, metavar="FILE", help=f"the description ({PANEL})"
    )
    run_command.add_needles_argument(parser)


def run(arguments: argparse.Namespace) -> int:
    """Calibrate until `q`; raises DescriptionError for a gauge, pointer or terminal that is none."""
    from bridge import logs
    from bridge.description import chosen
    from bridge.errors import DescriptionError
    from bridge.panel.load import load_panel

    panel = load_panel(arguments.panel)
    where = str(panel.path)
    (gauge,) = chosen(where, "GAUGE", "gauge", arguments.gauge, panel.description.gauges)
    name = chosen(where, "--pointer", "pointer", arguments.pointer, panel.description.gauges[gauge].pointers)[
        0
    ]
    if not keys_can_be_read():
        found = "no terminal to read keys from"
        raise DescriptionError("calibrate", "", found, "a terminal of Linux or macOS", "Start it in one")
    pointer = next(p for p in panel.pointers if (p.gauge, p.name) == (gauge, name))
    screen = Screen(KEYS)
    logs.set_up(sink=screen.log)
    return asyncio.run(_calibrate(panel, pointer, screen, arguments.needles_as_left))


async def _calibrate(panel: Panel, pointer: Pointer, screen: Screen, needles_as_left: bool) -> int:
    from bridge.commands.drawing import Drawing
    from bridge.flight.service import Service
    from bridge.flight.sources import FixedSources
    from bridge.flight.state_file import StateFile, positions_as_left, state_file

    state = StateFile(state_file(panel.path))
    confirmed = positions_as_left(panel, state) if needles_as_left else {}
    service = Service(panel, sources=FixedSources(), state=state, confirmed=confirmed)
    with run_command.stopped_by_signals(service), keys() as pressed, Drawing(screen) as drawing:
        work = asyncio.create_task(_work(_Front(pointer, service), pressed, drawing.show))
        try:
            await service.run()
        finally:
            work.cancel()
    return 0


class _Front:
    """The keys and the screen of one gauge at the bench of the running service."""

    def __init__(self, pointer: Pointer, service: Service) -> None:
        self.service = service
        self.note = ""
        self._pointer = pointer
        self._typed: str | None = None  # the reading to go to, as far as it is typed
        self._begun = False
        self._leaving = False
        self._saving: asyncio.Task[None] | None = None

    @property
    def _bench(self) -> GaugeBench:
        return self.service.benches.at(self._pointer.gauge, HOLDER)

    def take(self) -> None:
        """Take the gauge off telemetry."""
        self.service.benches.take(self._pointer.gauge, HOLDER, self.service.clock(), self._pointer.name)

    def look(self) -> None:
        """A sign of life; the first mark once the position is known."""
        benches = self.service.benches
        benches.heard(HOLDER, self.service.clock())
        if not self._begun and benches.stopped is None and any(bench.known for bench in self._snapshots()):
            self._begun = True
            self._bench.mark(0)

    def press(self, key: str) -> None:
        """Do what a key asks for."""
        self.note = ""
        leaving, self._leaving = self._leaving, False
        benches = self.service.benches
        if key == "x" or (key == "escape" and self._typed is None):
            if benches.stopped is None:
                benches.stop_all(HOLDER)
            else:
                benches.go_on(HOLDER)
        elif self._typed is not None:
            self._type(key, self._typed)
        elif key == "q":
            self._leave(leaving)
        elif key == "g":
            self._typed = ""
        elif key == "s":
            self._saving = asyncio.create_task(self._save())
        else:
            self._move(key)

    async def _save(self) -> None:
        """Not waited for by the keys: a disk that hangs must not hold up a stop."""
        from bridge.errors import BridgeError

        try:
            await self.service.saves.save(self._pointer.gauge, HOLDER)
        except BridgeError as error:
            self.note = str(error)

    def _move(self, key: str) -> None:
        bench = self._bench
        if key in _JOGS:
            bench.jog(_JOGS[key], "step")
        elif key in ("enter", "space"):
            bench.capture()
        elif key in _MARKS:
            bench.mark(_MARKS[key])
        elif key == "d":
            bench.other_side()
        elif key == "u":
            bench.undo()
        elif key == "w":
            bench.sweep()
        elif key == "h":
            bench.home()
        elif key == "a":
            bench.here()

    def _type(self, key: str, typed: str) -> None:
        """One more key of the reading to go to; Enter goes there."""
        if key == "enter":
            self._typed = None
            try:
                reading = float(typed)
            except ValueError:
                self.note = f"found {typed!r}; expected a number of {self._pointer.unit}. g to try again"
            else:
                self._bench.go(reading)
        elif key == "escape":
            self._typed = None
        else:
            self._typed = typed_on(typed, key)

    def _leave(self, asked: bool) -> None:
        if not asked and any(bench.unsaved for bench in self._snapshots()):
            self._leaving, self.note = True, "not saved: q again to leave, s to save"
        else:
            self.service.stop()

    def _snapshots(self) -> tuple[BenchSnapshot, ...]:
        return self.service.benches.snapshot(self.service.clock())

    def shown(self) -> Shown:
        """The lines for the screen."""
        head = f"{self._pointer.key}   {self.service.running.panel.path.name}"
        stopped = self.service.benches.stopped
        note = self.note if stopped is None else f"{self.note or 'all needles are stopped'}: x to go on"
        found = self._snapshots()
        if not found:
            return Shown((head, note or "the bench has ended: the log below has the reason. q: quit"))
        (bench,) = found
        if not bench.known:
            return Shown((head, f"{bench.state}: {bench.detail or 'wait'}", note))
        side = "from above" if bench.falling else "from below"
        still = "moving" if bench.moving else "at rest"
        lines = [
            head,
            f"mark {bench.mark:g} {bench.unit}, {side}: put the needle on it",
            f"drive at {bench.drive_deg:.3f} deg, {bench.steps:.0f} steps, {still}",
            "" if self._typed is None else f"go to {self._typed}_ {bench.unit}   Enter: go   Esc: leave it",
        ]
        lines += _captured(bench)
        advice = (*bench.mistakes, *bench.suggestions)[:_ADVICE]
        return Shown((*lines, *advice, note or bench.note))


def _captured(bench: BenchSnapshot) -> list[str]:
    """A line for each mark that is captured, with both sides: how far (deg) it is off the curve before."""
    off_deg = {(capture.reading, capture.falling): capture.residual_deg for capture in bench.captures}
    backlash_deg = dict(bench.backlash_deg)
    near = sorted({reading for reading, _ in off_deg}, key=lambda reading: abs(reading - bench.mark))
    if not near:
        return []
    lines = ["captured: degrees off the curve before"]
    for reading in sorted(near[:_CAPTURED]):
        sides = (("below", off_deg.get((reading, False))), ("above", off_deg.get((reading, True))))
        told = "".join(f"   from {side} {'' if off is None else f'{off:+.2f}':>6}" for side, off in sides)
        play = f"   backlash {backlash_deg[reading]:+.2f}" if reading in backlash_deg else ""
        lines.append(f"  {reading:>8g}{told}{play}".rstrip())
    return lines


async def _work(front: _Front, pressed: asyncio.Queue[str], show: Callable[[Shown], None]) -> None:
    from bridge.errors import BridgeError

    await front.service.started.wait()
    front.take()
    while True:
        front.look()
        show(front.shown())
        key = await next_key(pressed)
        if key is None:
            continue
        try:
            front.press(key)
        except BridgeError as error:
            front.note = str(error)
