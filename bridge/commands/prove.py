"""`prove`: test a gauge over its scale, up and down, and write its sheet."""

from __future__ import annotations

import argparse
import asyncio
import getpass
import math
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from bridge.commands import run as run_command
from bridge.commands.ending import ending
from bridge.commands.keys import keys, keys_can_be_read
from bridge.commands.screen import Screen, Shown, next_key, typed_on
from bridge.commands.shipped import PANEL

if TYPE_CHECKING:
    from bridge.flight.service import Service
    from bridge.gauges.pointer import Pointer
    from bridge.logs import LogTail
    from bridge.panel.load import Panel
    from bridge.proof.desk import Desk
    from bridge.proof.keeper import Keeper
    from bridge.proof.work import Work

HOLDER = "the test"
KEYS = (
    "type what the needle shows, then Enter   Backspace: correct   m: can't be read",
    "u: read the one before again   q: stop here, and go on another time",
    "x, Esc: stop all needles, and let them go on",
)
_BREATHE = 5  # readings of a virtual board between two looks at signals


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The arguments of `prove`."""
    parser.add_argument("gauge", help="the gauge's name in the panel description")
    parser.add_argument("--pointer", metavar="NAME", help="which of its pointers (the first)")
    parser.add_argument(
        "--panel", type=Path, default=PANEL, metavar="FILE", help=f"the description ({PANEL})"
    )
    parser.add_argument(
        "--out", type=Path, default=Path("proof"), metavar="FOLDER", help="where the sheet goes (%(default)s)"
    )
    parser.add_argument("--paper", choices=("a4", "letter"), default="a4", help="paper of the PDF")
    parser.add_argument(
        "--virtual", action="store_true", help="test the description, on virtual boards, in their own time"
    )
    parser.add_argument(
        "--index", action="store_true", help="read by the index sensor, as its mark passes, instead of by eye"
    )
    parser.add_argument("--cycles", type=_count, metavar="N", help="how often up and down (5; by eye 2)")
    parser.add_argument(
        "--hold", type=_positive, default=1.0, metavar="S", help="at rest so long before a reading (1)"
    )
    parser.add_argument(
        "--read-to", type=_positive, metavar="VALUE",
        help="how finely you read, either way, in the needle's unit (half of the smallest division)",
    )  # fmt: skip
    parser.add_argument(
        "--top", type=_altitude, metavar="FT",
        help="up to where an altimeter is tested: an altitude of App. E Table I, to 50000 (20000)",
    )  # fmt: skip
    parser.add_argument("--who", metavar="NAME", help="who reads the needle, for the sheet (your login name)")
    run_command.add_needles_argument(parser)
    run_command.add_page_argument(parser)


def _count(text: str) -> int:
    if not text.isascii() or not text.isdigit() or not 1 <= int(text) <= 50:
        raise argparse.ArgumentTypeError(f"found {text!r}; expected a whole number from 1 to 50")
    return int(text)


def _positive(text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not 0.0 < value < 1e6:
        raise argparse.ArgumentTypeError(f"found {text!r}; expected a number above 0")
    return value


def _altitude(text: str) -> float:
    from bridge.proof.published import TOPS_FT

    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if value not in TOPS_FT:
        rows = ", ".join(f"{row:g}" for row in TOPS_FT)
        raise argparse.ArgumentTypeError(f"found {text!r}; expected an altitude of Table I: {rows}")
    return value


def run(arguments: argparse.Namespace) -> int:
    """Test, and write the sheet; returns 1 unless every test that was done is passed.

    Raises DescriptionError for a gauge, pointer or terminal that is none, or files that may not be written.
    """
    from bridge import logs
    from bridge.description import chosen
    from bridge.panel.load import load_panel
    from bridge.proof.readers import VIRTUAL, by_eye, by_index
    from bridge.proof.work import Work

    panel = load_panel(arguments.panel)
    where = str(panel.path)
    described = panel.description
    (gauge,) = chosen(where, "GAUGE", "gauge", arguments.gauge, described.gauges)
    name = chosen(where, "--pointer", "pointer", arguments.pointer, described.gauges[gauge].pointers)[0]
    pointer = next(p for p in panel.pointers if (p.gauge, p.name) == (gauge, name))
    tail = logs.LogTail()
    begun = partial(Work, folder=arguments.out, hold_s=arguments.hold, top_ft=arguments.top)
    if arguments.index:
        _refuse_without_sensor(panel, pointer)
    if arguments.virtual or described.boards[pointer.board].is_virtual:
        reader = by_index(pointer, True) if arguments.index else VIRTUAL
        tested = panel.all_virtual()
        work = begun(tested, pointer, reader, cycles=arguments.cycles or 5)
        logs.set_up(sink=lambda line: None)  # what the other gauges lack is no news here
        if work.goes_on:
            print(f"going on after {len(work.run.taken)} of {len(work.plan.steps)} readings", flush=True)
        return asyncio.run(_on_virtual_boards(work, arguments))
    if arguments.index:
        work = begun(panel, pointer, by_index(pointer, False), cycles=arguments.cycles or 5)
        logs.set_up(tail=tail)
        return asyncio.run(_on_real_board(work, arguments, None, tail))
    if not arguments.page:
        _refuse_without_terminal()
    who = arguments.who or getpass.getuser()
    reader = by_eye(panel, pointer, who, arguments.read_to)
    work = begun(panel, pointer, reader, cycles=arguments.cycles or 2)
    screen = None if arguments.page else Screen(KEYS)
    logs.set_up(sink=screen.log if screen else None, tail=tail)
    return asyncio.run(_on_real_board(work, arguments, screen, tail))


def _refuse_without_sensor(panel: Panel, pointer: Pointer) -> None:
    from bridge.errors import DescriptionError

    if panel.description.boards[pointer.board].channels[pointer.channel].index is None:
        found = f"{pointer.key} on a channel without an index sensor"
        cure = "Leave --index out, and read by eye"
        raise DescriptionError("--index", "", found, "one with index = { pin = ... }", cure)


def _refuse_without_terminal() -> None:
    from bridge.errors import DescriptionError

    if not keys_can_be_read():
        found = "no terminal to type readings in"
        cure = "Start it in one, read on the page (--page), or test the description alone with --virtual"
        raise DescriptionError("prove", "", found, "a terminal of Linux or macOS", cure)


def _finish(work: Work, arguments: argparse.Namespace) -> int:
    """Write the sheet, and print what is on it in short; returns the exit code."""
    from bridge.proof.sheet import headline, number

    files = work.write_sheet(arguments.paper)
    evaluation, unit = work.evaluation, work.plan.unit
    print(f"{work.pointer.key}: {headline(evaluation)}")
    for result in evaluation.results:
        worst = result.worst
        found = (
            "" if worst is None else f": worst {number(worst.error)} of ±{worst.limit:g} {unit} at {worst.at}"
        )
        print(f"{result.verdict:>14}  {result.test}{found}{'. ' if result.remark else ''}{result.remark}")
    for look in evaluation.looks:
        print(look)
    left = len(work.plan.steps) - len(work.run.taken)
    if left:
        print(f"{left} readings are still to be taken: the same command goes on with them")
    for file in files:
        print(file)
    print("Not an airworthiness document: nothing here is for a real aircraft.")
    return 0 if evaluation.verdict == "pass" and not left else 1


async def _on_virtual_boards(work: Work, arguments: argparse.Namespace) -> int:
    from bridge.proof.virtual import fly

    async def read() -> int:
        pointer = work.pointer

        def look(place_steps: float, falling: bool) -> float | None:
            if arguments.index:
                return work.index_reading()
            return pointer.reading(place_steps, falling)

        readings = fly(work.panel, pointer, work.run, look)
        for n, _ in enumerate(readings):
            if n % _BREATHE == 0:
                work.keep()
                await asyncio.sleep(0)
        return 0

    try:
        await ending.run(read())
    finally:
        code = _finish(work, arguments)
    return code


async def _on_real_board(
    work: Work, arguments: argparse.Namespace, screen: Screen | None, tail: LogTail
) -> int:
    """On the service: a person reads, at the screen if there is one, or on the page; or the index sensor."""
    from bridge.flight.service import Service
    from bridge.flight.sources import FixedSources
    from bridge.flight.state_file import StateFile, positions_as_left, state_file
    from bridge.proof.desk import Desk
    from bridge.proof.feed import Feed
    from bridge.proof.keeper import Keeper
    from bridge.proof.run import needle_of
    from bridge.proof.source import ProofSource

    panel, pointer = work.panel, work.pointer
    state = StateFile(state_file(panel.path))
    confirmed = positions_as_left(panel, state) if arguments.needles_as_left else {}
    source = ProofSource(pointer.key, Feed(panel, pointer), work.run, Service.clock)
    service = Service(panel, sources=FixedSources(source), state=state, confirmed=confirmed)
    source.needle = lambda: needle_of(service.running, (pointer.board, pointer.channel))
    keeper = Keeper(work)
    service.add_part("record of the test", keeper.run)
    desk = None if arguments.index else Desk(work, keeper.changed, lambda: keeper.trouble)
    if desk is None:
        source.due = partial(_take_by_index, work, keeper)
    with run_command.stopped_by_signals(service), run_command.served(service, arguments.page, tail, desk):
        if desk is not None and screen is not None:
            await _read_by_eye(desk, service, screen)
        else:
            await service.run()
    introduced = service.running.sessions[pointer.board].introduction
    if introduced is not None:
        work.board_id = introduced.board_id.hex()
    print()
    return _finish(work, arguments)


def _take_by_index(work: Work, keeper: Keeper) -> None:
    work.run.take(work.index_reading())
    keeper.changed()
    print(f"{len(work.run.taken)} of {len(work.plan.steps)} readings", flush=True)


async def _read_by_eye(desk: Desk, service: Service, screen: Screen) -> None:
    from bridge.commands.drawing import Drawing

    with keys() as pressed, Drawing(screen) as drawing:
        asking = asyncio.create_task(_ask(_Front(desk, service), pressed, drawing.show))
        try:
            await service.run()
        finally:
            asking.cancel()


class _Front:
    """The keys and the screen of a test that a person reads."""

    def __init__(self, desk: Desk, service: Service) -> None:
        self.note = ""
        self._desk = desk
        self._service = service
        self._typed = ""

    def press(self, key: str) -> None:
        """Do what a key asks for."""
        self.note = ""
        benches = self._service.benches
        if key in ("x", "escape"):
            benches.stop_all(HOLDER) if benches.stopped is None else benches.go_on(HOLDER)
        elif key == "q":
            self._service.stop()
        elif key == "u":
            self._desk.again()
        elif key == "enter":
            self._enter()
        elif key == "m":
            self._desk.unreadable()
        else:
            self._typed = typed_on(self._typed, key)

    def _enter(self) -> None:
        typed, self._typed = self._typed, ""
        if self._desk.snapshot().asks == "set":
            self._desk.is_set()
        elif typed:
            try:
                value = float(typed)
            except ValueError:
                self.note = f"found {typed!r}; expected a number"
            else:
                self._desk.read(value)

    def shown(self) -> Shown:
        """The lines for the screen."""
        now = self._desk.snapshot()
        head = f"{now.pointer}   {now.taken} of {now.planned} readings   {now.file}"
        if now.asks == "done":
            return Shown((head, "every reading is taken", ""))
        stopped = self._service.benches.stopped
        if stopped is not None:
            return Shown((head, f"all needles are stopped by {stopped}", self.note or "x to go on"))
        if now.asks == "set":
            line = f"set {now.setting_inhg:.2f} inHg on the altimeter's own scale, then Enter"
        elif now.asks == "read":
            tap = "tap beside the gauge, then " if now.tapped else ""
            line = f"{tap}read the needle, {now.unit}: {self._typed}_"
        elif now.hindered:
            line = f"the needle is not driven: {now.hindered}"
        else:
            line = "on its way: wait until the needle is at rest"
        side = "from above" if now.falling else "from below"
        pass_ = f", pass {now.cycle}" if now.cycle else ""
        trouble = f"the readings are not written: {now.trouble}" if now.trouble else ""
        return Shown((head, f"{now.purpose}, {side}{pass_}", line, self.note or trouble))


async def _ask(front: _Front, pressed: asyncio.Queue[str], show: Callable[[Shown], None]) -> None:
    from bridge.errors import BridgeError

    while True:
        show(front.shown())
        key = await next_key(pressed)
        if key is None:
            continue
        try:
            front.press(key)
        except BridgeError as error:
            front.note = str(error)
