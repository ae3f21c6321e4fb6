"""`run`: fly the panel on live telemetry until stopped."""

from __future__ import annotations

import argparse
import asyncio
import os
from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from bridge.commands.drawing import Drawing
from bridge.commands.ending import ending
from bridge.commands.shipped import PANEL

if TYPE_CHECKING:
    from bridge.flight.service import Service
    from bridge.flight.view import Shown, View
    from bridge.instruments.failures.scenario import Scenario
    from bridge.logs import LogTail
    from bridge.panel.load import Panel
    from bridge.proof.desk import Desk

PAGE = "127.0.0.1:58280"
"""Where the page is unless another address is named."""
METRICS = "127.0.0.1:58281"
"""Where the counters are unless another address is named."""
_DRAW_S = 0.25


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The arguments of `run`."""
    parser.add_argument("panel", type=Path, nargs="?", default=PANEL, help=f"the panel description ({PANEL})")
    parser.add_argument("--record", type=Path, metavar="FILE", help="record the flight into this log (CSV)")
    add_trace_argument(parser)
    parser.add_argument(
        "--virtual", action="store_true", help="use virtual boards only, whatever the description names"
    )
    add_needles_argument(parser)
    add_scenario_argument(parser)
    parser.add_argument("--view", action="store_true", help="show every gauge live in the terminal")
    add_page_argument(parser)
    parser.add_argument(
        "--metrics",
        nargs="?",
        const=METRICS,
        metavar="HOST:PORT",
        help="serve counters to a monitor, as OpenMetrics text at /metrics (%(const)s)",
    )
    parser.add_argument("--json", action="store_true", help="log in JSON lines")


def add_trace_argument(parser: argparse.ArgumentParser) -> None:
    """Whether to write a trace, and where."""
    parser.add_argument(
        "--trace",
        type=Path,
        metavar="FILE",
        help="write readings, and each pointer's indication and positions, at every tick (CSV)",
    )


def add_page_argument(parser: argparse.ArgumentParser) -> None:
    """Whether to serve the page, and where."""
    parser.add_argument(
        "--page",
        nargs="?",
        const=PAGE,
        metavar="HOST:PORT",
        help="serve the live page and the bench to browsers (%(const)s)",
    )


def add_scenario_argument(parser: argparse.ArgumentParser) -> None:
    """Which instruments fail, and when."""
    parser.add_argument(
        "--scenario",
        type=Path,
        metavar="FILE",
        help="failures of instruments, for training: a scenario (TOML)",
    )


def scenario_of(arguments: argparse.Namespace, panel: Panel) -> Scenario | None:
    """The scenario that the arguments name; raises DescriptionErrors for one that is wrong."""
    if arguments.scenario is None:
        return None
    from bridge.panel.scenario import load_scenario

    return load_scenario(arguments.scenario, panel)


def add_needles_argument(parser: argparse.ArgumentParser) -> None:
    """Whether the user vouches for the needles of channels that can't find their position."""
    parser.add_argument(
        "--needles-as-left",
        action="store_true",
        help="the needles are where the last run left them (the first time: at their home position): "
        "for channels without index mark or stop",
    )


def run(arguments: argparse.Namespace) -> int:
    """Fly until asked to end, then leave the needles at rest."""
    from bridge import logs
    from bridge.flight.view import View
    from bridge.panel.load import load_panel

    panel = load_panel(arguments.panel)
    view = View(panel.description.name, clock=False) if arguments.view else None
    tail = logs.LogTail()
    logs.set_up(arguments.json, view.log if view and view.shows_log else None, tail)
    return asyncio.run(_fly(panel, arguments, view, tail))


async def _fly(panel: Panel, arguments: argparse.Namespace, view: View | None, tail: LogTail) -> int:
    from bridge.flight.service import Service
    from bridge.flight.state_file import StateFile, positions_as_left, state_file
    from bridge.panel.load import load_panel

    scenario = scenario_of(arguments, panel)
    if arguments.virtual:  # the positions of real needles, which are elsewhere, stay in their file
        service = Service(
            panel.all_virtual(), scenario=scenario, load=lambda path: load_panel(path).all_virtual()
        )
    else:
        state = StateFile(state_file(panel.path))
        confirmed = positions_as_left(panel, state) if arguments.needles_as_left else {}
        service = Service(panel, state=state, confirmed=confirmed, scenario=scenario)
    publish(service, panel)
    with (
        stopped_by_signals(service),
        served(service, arguments.page, tail),
        _measured(service, arguments.metrics),
    ):
        if "NOTIFY_SOCKET" in os.environ:
            from bridge.operation.systemd import Notifier

            service.add_part("service manager", Notifier(service).run)
        if arguments.trace is not None:
            return await _traced(service, arguments, view)
        return await _recorded(service, arguments, view)


async def _traced(service: Service, arguments: argparse.Namespace, view: View | None) -> int:
    """Fly, and write a trace; returns 1 where the disk ended it."""
    from bridge.flight.live_trace import LiveTrace
    from bridge.flight.trace import Trace

    first = service.running.snapshot(service.clock())
    with Trace(arguments.trace, first, service.running.panel.files) as trace:
        live = LiveTrace(service, trace)
        service.add_part("trace", live.run)
        code = await _recorded(service, arguments, view)
        live.finish()
    return 1 if trace.failed else code


async def _recorded(service: Service, arguments: argparse.Namespace, view: View | None) -> int:
    """Fly, and record the flight where that is asked."""
    from bridge.telemetry.recorder import LogWriter

    if arguments.record is None:
        return await fly(service, view)
    columns = sorted(service.running.chain.given | service.running.recorded({}).keys())
    async with LogWriter(arguments.record, columns, service.running.panel.catalogue) as recording:
        service.record(recording)
        return await fly(service, view)


@contextmanager
def served(service: Service, address: str | None, tail: LogTail, desk: Desk | None = None) -> Iterator[None]:
    """While it lasts, the service's page is bound at this address (host:port), if there is one.

    Prints where it is once it can be seen. Raises DescriptionError for an address that can't be bound.
    """
    if address is None:
        yield
        return
    from bridge.page.access import parse_address
    from bridge.page.http import bind
    from bridge.page.invitation import invitation
    from bridge.page.server import Page

    page = Page(service, bind(parse_address(address, "--page"), exactly=False, option="--page"), tail, desk)
    service.add_part("page", page.run)
    if (replay := service.replay) is not None:
        replay.stays = lambda: len(page.hub) > 0
    asked = asyncio.create_task(_announce(service, invitation(page.address, page.access.token)))
    try:
        yield
    finally:
        asked.cancel()
        page.close()


@contextmanager
def _measured(service: Service, address: str | None) -> Iterator[None]:
    """While it lasts, the service's counters are served at this address (host:port), if there is one.

    Raises DescriptionError for an address that can't be bound.
    """
    if address is None:
        yield
        return
    from bridge.operation.metrics import Metrics
    from bridge.page.access import parse_address
    from bridge.page.http import bind

    listener = bind(parse_address(address, "--metrics"), exactly=True, option="--metrics")
    metrics = Metrics(lambda: service.snapshot(service.clock()), listener)
    service.add_part("metrics", metrics.run)
    try:
        yield
    finally:
        metrics.close()


def publish(service: Service, panel: Panel) -> None:
    """Let the service publish what arrives, if the description names a topic for it."""
    described = panel.description.broker
    if described is None or described.publish is None:
        return
    from bridge.flight.publisher import Publisher

    broker = described.broker(panel.path.parent)
    service.publish(Publisher(broker, described.publish, panel.catalogue, service.clock))


async def _announce(service: Service, text: str) -> None:
    """Print where the page is once all is open: what can't start is not announced."""
    await service.started.wait()
    print(text, flush=True)


def stopped_by_signals(service: Service) -> AbstractContextManager[None]:
    """While it lasts, a signal stops the service: cleanly, whether it flies already or not."""
    loop = asyncio.get_running_loop()
    return ending.stopping(lambda: loop.call_soon_threadsafe(service.stop))


async def fly(service: Service, view: View | None) -> int:
    """Run the service, and show it, until it ends."""
    if view is None:
        await service.run()
        return 0
    from bridge.commands.replay_keys import controlled

    with Drawing(view) as drawing, controlled(service, view) as keys:
        shown = asyncio.create_task(_show(service, drawing, keys))
        try:
            await service.run()
        finally:
            shown.cancel()
    return 0


async def _show(service: Service, drawing: Drawing[Shown], keys: str) -> None:
    from bridge.flight.view import Shown

    while True:
        playback = service.replay.playback if service.replay is not None else None
        drawing.show(Shown(service.running.snapshot(service.clock()), playback, keys))
        await asyncio.sleep(_DRAW_S)
