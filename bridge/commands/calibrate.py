"""`calibrate`: take one pointer from mark to mark at the bench, and write its calibration."""

from __future__ import annotations

import argparse
import asyncio
import os
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from bridge.commands import run as run_command
from bridge.commands.shipped import PANEL

if TYPE_CHECKING:
    from bridge.calibration.bench import CalibrationBench
    from bridge.flight.chain import DrivenPointer
    from bridge.flight.service import Service
    from bridge.gauges.pointer import Pointer
    from bridge.panel.load import Panel

_LOOK_S = 0.05
_JOGS = {"right": 1, "left": -1, "up": 10, "down": -10}
_ESCAPES = {b"\x1b[C": "right", b"\x1b[D": "left", b"\x1b[A": "up", b"\x1b[B": "down"}
KEYS = (
    "Enter: the needle covers the mark   left, right: jog a step   down, up: ten",
    "n, p: next, previous mark   d: from the other side   u: undo   s: save   q: quit",
    "h: home   a: the needle is at its home position",
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
    if os.name != "posix" or not sys.stdin.isatty():
        found = "no terminal to read keys from"
        raise DescriptionError("calibrate", "", found, "a terminal of Linux or macOS", "Start it in one")
    pointer = next(p for p in panel.pointers if (p.gauge, p.name) == (gauge, name))
    screen = Screen(pointer)
    logs.set_up(sink=screen.log)
    return asyncio.run(_calibrate(panel, pointer, screen, arguments.needles_as_left))


@dataclass(frozen=True, slots=True)
class _Shown:
    """What the screen shows: lines, from the top."""

    lines: tuple[str, ...]


class Screen:
    """The bench in the terminal: where the pointer is, what is captured, which keys there are."""

    def __init__(self, pointer: Pointer) -> None:
        from rich.live import Live

        self.live = Live(auto_refresh=False, screen=False)
        self._pointer = pointer
        self._note = ""

    def log(self, line: str) -> None:
        """Keep the latest log line; it is shown at the bottom."""
        self._note = line

    def draw(self, shown: _Shown) -> None:
        """Draw these lines, the latest log line and the keys."""
        from rich.text import Text

        lines = [*shown.lines, self._note, *KEYS]
        self.live.update(Text("\n".join(lines), no_wrap=True, overflow="ellipsis"), refresh=True)


async def _calibrate(panel: Panel, pointer: Pointer, screen: Screen, needles_as_left: bool) -> int:
    from bridge.commands.drawing import Drawing
    from bridge.flight.service import Service
    from bridge.flight.sources import FixedSources
    from bridge.flight.state_file import StateFile, positions_as_left, state_file
    from bridge.panel.load import load_panel

    state = StateFile(state_file(panel.path))
    confirmed = positions_as_left(panel, state) if needles_as_left else {}
    service = Service(
        _to_reach(panel),
        sources=FixedSources(),
        state=state,
        confirmed=confirmed,
        load=lambda path: _to_reach(load_panel(path)),
    )
    with run_command.stopped_by_signals(service), keys() as pressed, Drawing(screen) as drawing:
        at_work = _Bench(panel, pointer, service)
        work = asyncio.create_task(_work(at_work, pressed, drawing.show))
        try:
            await service.run()
        finally:
            work.cancel()
    return 0


def _to_reach(panel: Panel) -> Panel:
    """The panel with every pointer free to go as far as its board lets it, beyond the scale."""
    free = (replace(p, low_steps=p.reach_low_steps, high_steps=p.reach_high_steps) for p in panel.pointers)
    return replace(panel, pointers=tuple(free))


class _Bench:
    """The bench of one pointer on the running service."""

    def __init__(self, panel: Panel, pointer: Pointer, service: Service) -> None:
        self.panel = panel
        self.pointer = pointer
        self.service = service
        self.bench: CalibrationBench | None = None
        self.unsaved = False
        self.note = ""
        self._address = (pointer.board, pointer.channel)

    @property
    def driven(self) -> DrivenPointer:
        return self.service.running.chain.pointers[self._address]

    def _arrived(self, bench: CalibrationBench) -> bool:
        """Whether the needle is at rest where the bench wants it."""
        driven = self.driven
        return not bench.moving and driven.motion.at_rest and driven.position == bench.goal_steps

    def look(self) -> None:
        """Begin once the position is known; go on to the next part of the way when at rest."""
        from bridge.calibration.bench import CalibrationBench, face_marks

        if self._address not in self.service.running.positions():
            self.bench = None if self.bench is None or not self.bench.draft.captures else self.bench
            return
        if self.bench is None:
            marks = face_marks(self.panel, self.pointer)
            self.bench = CalibrationBench(self.pointer, marks, self.driven.position)
        if self.driven.motion.at_rest and (goal := self.bench.next_position()) is not None:
            self.driven.go_to(goal)

    def press(self, key: str) -> None:
        """Do what a key asks for."""
        session = self.service.running.sessions[self.pointer.board]
        self.note = ""
        if key == "q":
            if self.unsaved:
                self.unsaved, self.note = False, "not saved: q again to leave, s to save"
            else:
                self.service.stop()
        elif key == "h":
            session.home(self.pointer.channel)
        elif key == "a":
            session.adopt(self.pointer.channel, round(self.pointer.drive.zero_steps))
        elif self.bench is not None:
            self._at_the_bench(self.bench, key)

    def _at_the_bench(self, bench: CalibrationBench, key: str) -> None:
        if key in _JOGS:
            bench.jog(_JOGS[key])
        elif key == "enter":
            if not self._arrived(bench):
                self.note = "the needle still moves: wait until it is at rest"
                return
            bench.capture(self.driven.position)
            self.unsaved = True
            if bench.done:
                self.note = "every mark is captured both ways: s to save"
        elif key == "n":
            bench.choose(1)
        elif key == "p":
            bench.choose(-1)
        elif key == "d":
            bench.turn_round()
        elif key == "u":
            bench.undo()
        elif key == "s":
            self._save(bench)

    def _save(self, bench: CalibrationBench) -> None:
        from bridge.calibration.file import save_points
        from bridge.errors import BridgeError

        if mistakes := bench.draft.mistakes():
            self.note = f"not saved: {mistakes[0]}"
            return
        try:
            files = save_points(self.panel, self.pointer, bench.draft.points())
        except BridgeError as error:
            self.note = f"not saved: {error}"
            return
        self.unsaved = False
        self.note = f"saved: {', '.join(file.name for file in files)}; the version before is beside it"

    def shown(self) -> _Shown:
        """The lines for the screen."""
        head = f"{self.pointer.key}   {self.panel.path.name}"
        if self.bench is None:
            channel = self.service.running.sessions[self.pointer.board].channels[self.pointer.channel]
            return _Shown((head, f"{channel.phase.value}: {channel.detail or 'wait'}", self.note))
        bench, pointer, steps = self.bench, self.pointer, self.driven.position
        side = "from above" if bench.falling else "from below"
        still = "at rest" if self._arrived(bench) else "moving"
        lines = [
            head,
            f"mark {bench.reading:g} {pointer.unit}, {side}: put the needle on it",
            f"drive at {pointer.drive_deg(steps):.3f} deg, {steps:.0f} steps, {still}",
            "",
        ]
        backlash = bench.draft.backlash_deg()
        for capture in bench.draft.captures[-12:]:
            off = bench.draft.residual_deg(capture)
            side = "above" if capture.falling else "below"
            play = f"   backlash {backlash[capture.reading]:+.2f} deg" if capture.reading in backlash else ""
            lines.append(f"  {capture.reading:>8g} from {side}   {off:+.2f} deg off the curve before{play}")
        return _Shown((*lines, *bench.draft.mistakes(), self.note))


async def _work(at_work: _Bench, pressed: asyncio.Queue[str], show: Callable[[_Shown], None]) -> None:
    from bridge.errors import BridgeError

    await at_work.service.started.wait()
    while True:
        at_work.look()
        show(at_work.shown())
        try:
            async with asyncio.timeout(_LOOK_S):
                key = await pressed.get()
        except TimeoutError:
            continue
        try:
            at_work.press(key)
        except BridgeError as error:
            at_work.note = str(error)


@contextmanager
def keys() -> Iterator[asyncio.Queue[str]]:
    """Keys as they are pressed, in words; the terminal is put back as it was at the end."""
    import termios
    import tty

    descriptor = sys.stdin.fileno()
    pressed: asyncio.Queue[str] = asyncio.Queue()

    def read() -> None:
        data = os.read(descriptor, 64)
        while data:
            escape = next((code for code in _ESCAPES if data.startswith(code)), None)
            if escape is not None:
                pressed.put_nowait(_ESCAPES[escape])
                data = data[len(escape) :]
            else:
                letter, data = data[:1].decode("ascii", "replace"), data[1:]
                pressed.put_nowait("enter" if letter in "\r\n " else letter)

    before = termios.tcgetattr(descriptor)
    loop = asyncio.get_running_loop()
    tty.setcbreak(descriptor)
    loop.add_reader(descriptor, read)
    try:
        yield pressed
    finally:
        loop.remove_reader(descriptor)
        termios.tcsetattr(descriptor, termios.TCSADRAIN, before)
