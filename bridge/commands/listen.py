"""`listen`: show what arrives from a simulator, or is in a flight log, decoded, and what is wrong with it.

Or find the layout of what arrives.
"""

from __future__ import annotations

import argparse
import asyncio
import io
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING

from bridge.commands.ending import ending
from bridge.commands.shipped import PANEL

if TYPE_CHECKING:
    from bridge.panel.source_description import PortDescription
    from bridge.quantities.catalogue import Catalogue
    from bridge.telemetry.source import LiveSource


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The arguments of `listen`."""
    parser.add_argument(
        "panel",
        type=Path,
        nargs="?",
        default=PANEL,
        metavar="PANEL|LOG",
        help=f"the panel description ({PANEL}), or a flight log, of any kind that replay reads",
    )
    parser.add_argument("--on", metavar="HOST:PORT", help="listen here instead of at the described address")
    parser.add_argument(
        "--layout",
        type=Path,
        action="append",
        default=[],
        metavar="FILE",
        help="with --on: a datagram layout to try (may be given again); without one, the raw bytes are "
        "shown; with a flight log: its log layout",
    )
    parser.add_argument(
        "--allow", action="append", metavar="ADDRESS", help="with --on: a sender to hear (this machine)"
    )
    parser.add_argument(
        "--find",
        action="store_true",
        help="with --on: find the layout of datagrams that nobody has described, from what you type that the "
        "simulator's instruments show, and write it",
    )


def run(arguments: argparse.Namespace) -> int:
    """Listen until stopped by the keyboard."""
    from bridge import logs

    if arguments.find:
        return _find(arguments)
    if arguments.on is None and arguments.panel.suffix.lower() != ".toml":
        return _log(arguments)
    from rich.console import Console

    from bridge.telemetry.monitor import listen

    sources, catalogue = _sources(arguments)
    logs.set_up(sink=lambda line: None)  # the view itself shows what goes wrong
    return asyncio.run(ending.run(listen(sources, Console(), catalogue)))


def _log(arguments: argparse.Namespace) -> int:
    """Show what is in a flight log; its bad lines are logged."""
    from rich.console import Console

    from bridge import logs
    from bridge.errors import DescriptionError
    from bridge.report.from_trace import refuse_trace
    from bridge.telemetry.log_contents import contents, shown
    from bridge.telemetry.recorded import open_log

    if len(arguments.layout) > 1:
        found, expected = f"{len(arguments.layout)} layouts", "one for a flight log"
        raise DescriptionError("listen", "--layout", found, expected, "Leave the others out")
    refuse_trace(arguments.panel)
    logs.set_up()
    log = open_log(arguments.panel, layout=arguments.layout[0] if arguments.layout else None)
    Console().print(shown(log, contents(log)))
    return 0


def _find(arguments: argparse.Namespace) -> int:
    from bridge import logs
    from bridge.commands.find import find
    from bridge.errors import DescriptionError

    if arguments.on is None or arguments.layout:
        found = "--layout" if arguments.layout else "no --on"
        expected = "an address to listen on, and no layout"
        raise DescriptionError(
            "listen", "--find", found, expected, "Write listen --on 127.0.0.1:58226 --find"
        )
    port = _port(arguments)
    logs.set_up(sink=lambda line: None)
    if isinstance(sys.stdin, io.TextIOWrapper):
        sys.stdin.reconfigure(errors="replace")  # what is typed wrongly is answered, whatever bytes it is
    return asyncio.run(ending.run(find(port.host, port.port, port.allow, sys.stdin, sys.stdout)))


def _option(key: str) -> str:
    """The option for this key of a `PortDescription`."""
    return "--on" if key == "listen" else "--allow"


def _sources(arguments: argparse.Namespace) -> tuple[list[LiveSource], Catalogue]:
    from bridge.errors import DescriptionError
    from bridge.flight.sources import DescribedSources
    from bridge.panel.load import load_panel
    from bridge.quantities.catalogue import CATALOGUE
    from bridge.telemetry.layout import load_layout
    from bridge.telemetry.udp import UdpSource

    if arguments.on is None:
        panel = load_panel(arguments.panel)
        described = DescribedSources().make(panel, time.monotonic)
        if not described:
            raise DescriptionError(
                str(panel.path), "sources", "none", "at least one", "Add [[sources]], or give --on"
            )
        return described, panel.catalogue
    port = _port(arguments)
    layouts = [load_layout(path, CATALOGUE) for path in arguments.layout]
    return [UdpSource(port.host, port.port, layouts, port.allow)], CATALOGUE


def _port(arguments: argparse.Namespace) -> PortDescription:
    """Where the options ask to listen, and to whom; raises `DescriptionErrors`."""
    from bridge.description import validate
    from bridge.errors import DescriptionError, DescriptionErrors
    from bridge.panel.source_description import PortDescription

    written = {"listen": arguments.on}
    if arguments.allow:
        written["allow"] = arguments.allow
    try:
        return validate(PortDescription, written, "command line")
    except DescriptionErrors as mistakes:
        raise DescriptionErrors(
            [DescriptionError(_option(e.key), "", e.found, e.expected, e.cure) for e in mistakes.errors]
        ) from None
