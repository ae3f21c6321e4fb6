"""`replay`: fly a recorded flight at the pace of the clock, or on virtual boards in the flight's own time."""

from __future__ import annotations

import argparse
import asyncio
import math
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from bridge.commands import replay_report
from bridge.commands import run as run_command
from bridge.commands.drawing import Drawing
from bridge.commands.ending import ending
from bridge.commands.shipped import PANEL

if TYPE_CHECKING:
    from bridge.commands.progress import Bar
    from bridge.flight.dry_run import DryRun
    from bridge.flight.running_panel import RunningPanel
    from bridge.flight.service import Service
    from bridge.flight.view import View
    from bridge.logs import LogTail
    from bridge.panel.load import Panel
    from bridge.telemetry.recorded import RecordedFlight
    from bridge.telemetry.replay import ReplaySource

_DRAW_S, _BAR_S = 0.1, 0.2
_BREATHE_TICKS = 200


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The arguments of `replay`."""
    parser.add_argument(
        "log",
        type=Path,
        metavar="FILE",
        help="the flight log: CSV, IGC, or a recording of MAVLink; or a trace to report",
    )
    parser.add_argument(
        "--layout", type=Path, metavar="LAYOUT", help="what is in a log of another maker: a log layout (TOML)"
    )
    parser.add_argument("--panel", type=Path, default=PANEL, help=f"the panel description ({PANEL})")
    parser.add_argument(
        "--virtual", action="store_true", help="use virtual boards only, whatever the description names"
    )
    run_command.add_needles_argument(parser)
    run_command.add_scenario_argument(parser)
    add_flight_arguments(parser)
    parser.add_argument("--view", action="store_true", help="show every gauge live in the terminal")
    run_command.add_page_argument(parser)
    parser.add_argument("--json", action="store_true", help="log in JSON lines")


def add_flight_arguments(parser: argparse.ArgumentParser) -> None:
    """Which part of the flight, how fast, and whether to write a trace."""
    parser.add_argument("--speed", default="1", metavar="FACTOR", help="pace, a factor or max (1)")
    parser.add_argument(
        "--from", dest="start", type=_seconds, default=-math.inf, metavar="S", help="start (s)"
    )
    parser.add_argument("--to", dest="end", type=_seconds, default=math.inf, metavar="S", help="end (s)")
    parser.add_argument("--loop", action="store_true", help="begin again at the end")
    run_command.add_trace_argument(parser)
    parser.add_argument(
        "--report",
        type=Path,
        metavar="FILE",
        help="write how far each pointer was off, when, and why, as a page (HTML)",
    )


def _seconds(text: str) -> float:
    """A time of the log in seconds; raises ArgumentTypeError."""
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise argparse.ArgumentTypeError(f"found {text!r}; expected seconds of the log, such as 80 or 12.5")
    return value


def run(arguments: argparse.Namespace) -> int:
    """Fly the log; returns 1 when a pointer ended the flight faulted, or its trace could not be written."""
    from bridge import logs
    from bridge.flight.view import View
    from bridge.panel.load import load_panel
    from bridge.report.from_trace import is_trace
    from bridge.telemetry.replay import parse_speed

    panel = load_panel(arguments.panel)
    if arguments.report is not None:
        replay_report.refuse(arguments.report, (*panel.files, arguments.log), arguments.loop)
    if is_trace(arguments.log):
        return _report_trace(panel, arguments)
    speed = parse_speed(arguments.speed)
    dry = bool(math.isinf(speed) or arguments.trace)
    if dry:
        _refuse_live(panel, arguments)
    view = View(f"{panel.description.name}: {arguments.log.name}", clock=dry) if arguments.view else None
    tail = logs.LogTail()
    bar = _bar(arguments)
    sink = bar.log if bar else view.log if view and view.shows_log else None
    logs.set_up(arguments.json, sink, tail)
    try:
        return _fly(panel, speed, dry, arguments, view, tail, bar)
    finally:
        if bar is not None:
            bar.close()


def _report_trace(panel: Panel, arguments: argparse.Namespace) -> int:
    from bridge.errors import DescriptionError

    if arguments.report is None:
        found, expected = "a trace, in which needles have moved already", "a flight log, or --report FILE"
        cure = "Add --report FILE for what went wrong in it"
        raise DescriptionError(str(arguments.log), "", found, expected, cure)
    return replay_report.of_trace(arguments.log, panel, arguments.report)


def _fly(
    panel: Panel,
    speed: float,
    dry: bool,
    arguments: argparse.Namespace,
    view: View | None,
    tail: LogTail,
    bar: Bar | None,
) -> int:
    import structlog

    from bridge.flight.changing_log import ChangingLog
    from bridge.flight.log_defaults import with_defaults
    from bridge.telemetry.recorded import open_log

    def opened() -> RecordedFlight:
        return with_defaults(open_log(arguments.log, panel.catalogue, arguments.layout), panel)

    log = opened() if arguments.layout is None else ChangingLog(arguments.layout, opened)
    if bar is not None:
        bar.start_s, bar.end_s = _span_s(log, arguments)
    for assumption in log.assumptions:
        structlog.get_logger(__name__).info("assumption", detail=assumption)
    if dry:
        return asyncio.run(ending.run(_fly_dry(panel, log, speed, arguments, view, bar)))
    return asyncio.run(_fly_live(panel, log, speed, arguments, view, tail, bar))


def _bar(arguments: argparse.Namespace) -> Bar | None:
    """A progress bar where nothing else has the terminal, and the flight has an end."""
    from bridge.commands.progress import Bar, at_terminal

    if arguments.view or arguments.json or arguments.page or arguments.loop or not at_terminal():
        return None
    return Bar(arguments.log.name)


def _span_s(log: RecordedFlight, arguments: argparse.Namespace) -> tuple[float, float]:
    """The first and last second that are flown."""
    first_s = last_s = 0.0
    begun = False
    for time_s, _ in log:
        if arguments.start <= time_s <= arguments.end:
            first_s, last_s, begun = (first_s if begun else time_s), time_s, True
    return first_s, last_s


def _refuse_live(panel: Panel, arguments: argparse.Namespace) -> None:
    """Raises DescriptionError for what needs the pace of the clock, where the flight has its own time."""
    from bridge.errors import DescriptionError

    option = "--trace" if arguments.trace else "--speed max"
    real = [name for name, board in panel.description.boards.items() if not board.is_virtual]
    if real and not arguments.virtual:
        raise DescriptionError(
            option,
            "",
            f"real boards ({', '.join(real)})",
            "virtual ones, which can run in the flight's own time",
            "Add --virtual",
        )
    if arguments.page:
        found, expected = "the page as well", "a flight at the pace of the clock, for people to watch"
        raise DescriptionError(option, "", found, expected, f"Leave out --page, or {option}")


async def _fly_dry(
    panel: Panel,
    log: RecordedFlight,
    speed: float,
    arguments: argparse.Namespace,
    view: View | None,
    bar: Bar | None,
) -> int:
    """On virtual boards: every tick in the flight's own time, paced only by waiting."""
    from contextlib import ExitStack

    from bridge.flight.dry_run import DryRun
    from bridge.flight.log_defaults import assumed_in
    from bridge.flight.trace import Trace
    from bridge.flight.view import Shown
    from bridge.report.tracks import Recorder
    from bridge.telemetry.replay import arrivals

    rows = arrivals(log, arguments.start, arguments.end, arguments.loop)
    scenario = run_command.scenario_of(arguments, panel)
    dry_run = DryRun(panel, log.given, rows, assumed_in(log), scenario)
    watches = [
        asyncio.create_task(watch) for watch in (_reload(dry_run), _read_again(log, dry_run.read_again))
    ]
    begun_s = time.perf_counter()
    drawn_s = -math.inf
    first_s: float | None = None
    ticks = 0
    with ExitStack() as stack:
        trace = None
        if arguments.trace:
            inputs = (*panel.files, log.path)
            trace = stack.enter_context(Trace(arguments.trace, dry_run.running.snapshot(0.0), inputs))
        recorder = None
        if arguments.report:
            recorder = Recorder(panel, log.path.name)
            stack.callback(replay_report.write, recorder.flight, arguments.report)  # also of a part
        drawing = stack.enter_context(Drawing(view)) if view else None
        progress = stack.enter_context(Drawing(bar)) if bar else None
        for time_s in dry_run.ticks():
            if first_s is None:
                first_s, begun_s = time_s, time.perf_counter()
            ticks += 1
            if trace or recorder:
                snapshot = dry_run.running.snapshot(time_s)
                if trace:
                    trace.write(snapshot)
                if recorder:
                    recorder.take(snapshot)
            now_s = time.perf_counter()
            if drawing and now_s - drawn_s >= _DRAW_S:
                drawn_s = now_s
                drawing.show(Shown(dry_run.running.snapshot(time_s)))
            if progress and now_s - drawn_s >= _BAR_S:
                drawn_s = now_s
                progress.show(time_s)
            if math.isfinite(speed):
                await asyncio.sleep(begun_s + (time_s - first_s) / speed - now_s)
            elif ticks % _BREATHE_TICKS == 0:
                await asyncio.sleep(0)
        if drawing and first_s is not None:
            drawing.show(Shown(dry_run.running.snapshot(time_s)))
    for watch in watches:
        watch.cancel()
    if view:
        print()
    flown_s = 0.0 if first_s is None else time_s - first_s
    faulted = _summary(dry_run, flown_s, time.perf_counter() - begun_s)
    return 1 if faulted or (trace and trace.failed) else 0


async def _reload(dry_run: DryRun) -> None:
    """Take every good change of the description while flying."""
    import structlog

    from bridge.panel.watch import changes

    log = structlog.get_logger(__name__)
    async for panel in changes(lambda: dry_run.running.panel):
        try:
            dry_run.reload(panel)
        except Exception:  # the flight goes on, and so does the watch
            log.exception("description not taken")
        else:
            log.info("description taken", panel=str(panel.path))


async def _read_again(log: RecordedFlight, take: Callable[[frozenset[str], frozenset[str]], object]) -> None:
    """Take every good change of the log's layout while flying: what the log has then, and what it lacks."""
    from bridge.flight.changing_log import ChangingLog
    from bridge.flight.log_defaults import assumed_in

    if isinstance(log, ChangingLog):
        async for changed in log.changes():
            take(changed.given, assumed_in(changed))


def _summary(dry_run: DryRun, flown_s: float, took_s: float) -> bool:
    """Print how it went; returns whether a pointer is faulted."""
    print(f"flown: {flown_s:.1f} s in {took_s:.1f} s ({flown_s / max(took_s, 1e-9):.0f} times real time)")
    for session in dry_run.running.sessions.values():
        figures = session.statistics
        print(
            f"board {session.name}: {session.state.value}, {figures.sent} frames, {figures.board_missed} lost"
        )
    return _faulted(dry_run.running)


def _faulted(running: RunningPanel) -> bool:
    """Print the faults of pointers; returns whether there is one."""
    from bridge.boards.pointer_channel import Phase

    faulted = [
        f"board {session.name}, channel {channel.number}: {channel.detail}"
        for session in running.sessions.values()
        for channel in session.channels
        if channel.phase is Phase.FAULTED
    ]
    for line in faulted:
        print(line)
    return bool(faulted)


async def _fly_live(
    panel: Panel,
    log: RecordedFlight,
    speed: float,
    arguments: argparse.Namespace,
    view: View | None,
    tail: LogTail,
    bar: Bar | None,
) -> int:
    """On the live service with the log as its source: real boards, or virtual ones only."""
    from bridge.commands.run import fly, publish, served, stopped_by_signals
    from bridge.flight.log_defaults import assumed_in
    from bridge.flight.service import Service
    from bridge.flight.sources import FixedSources
    from bridge.flight.state_file import StateFile, positions_as_left, state_file
    from bridge.panel.load import load_panel

    source = _source(log, speed, arguments)
    scenario = run_command.scenario_of(arguments, panel)
    if arguments.virtual or all(board.is_virtual for board in panel.description.boards.values()):
        service = Service(
            panel.all_virtual(),
            sources=FixedSources(source),
            replayed=True,
            assumed=assumed_in(log),
            scenario=scenario,
            load=lambda path: load_panel(path).all_virtual(),
        )
    else:
        state = StateFile(state_file(panel.path))
        confirmed = positions_as_left(panel, state) if arguments.needles_as_left else {}
        service = Service(
            panel,
            sources=FixedSources(source),
            state=state,
            confirmed=confirmed,
            replayed=True,
            assumed=assumed_in(log),
            scenario=scenario,
        )
    publish(service, panel)
    service.add_part("log layout", partial(_read_again, log, lambda _, assumed: service.read_again(assumed)))
    recorder = None
    if arguments.report:
        from bridge.report.tracks import Recorder

        recorder = Recorder(panel, log.path.name)
        service.add_part("report", partial(replay_report.watch, service, recorder))
    with stopped_by_signals(service), served(service, arguments.page, tail):
        if bar is None:
            await fly(service, view)
        else:
            await _fly_with_bar(service, source, bar)
    if recorder:
        replay_report.write(recorder.flight, arguments.report)
    return 1 if _faulted(service.running) else 0


async def _fly_with_bar(service: Service, source: ReplaySource, bar: Bar) -> None:
    async def show(drawing: Drawing[float]) -> None:
        while True:
            drawing.show(source.playback.time_s)
            await asyncio.sleep(_BAR_S)

    with Drawing(bar) as drawing:
        shown = asyncio.create_task(show(drawing))
        try:
            await service.run()
        finally:
            shown.cancel()


def _source(log: RecordedFlight, speed: float, arguments: argparse.Namespace) -> ReplaySource:
    from bridge.telemetry.replay import ReplaySource

    return ReplaySource(log, speed, arguments.start, arguments.end, arguments.loop)
