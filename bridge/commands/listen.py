"""`listen`: show what arrives from a simulator, decoded, and what is wrong with it."""

from __future__ import annotations

import argparse
import asyncio
import time
from pathlib import Path
from typing import TYPE_CHECKING

from bridge.commands.ending import ending
from bridge.commands.shipped import PANEL

if TYPE_CHECKING:
    from bridge.quantities.catalogue import Catalogue
    from bridge.telemetry.udp import UdpSource


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The arguments of `listen`."""
    parser.add_argument("panel", type=Path, nargs="?", default=PANEL, help=f"the panel description ({PANEL})")
    parser.add_argument("--on", metavar="HOST:PORT", help="listen here instead of at the described address")
    parser.add_argument(
        "--layout",
        type=Path,
        action="append",
        default=[],
        metavar="FILE",
        help="with --on: a datagram layout to try (may be given again); without one, the raw bytes are shown",
    )
    parser.add_argument(
        "--allow", action="append", metavar="ADDRESS", help="with --on: a sender to hear (this machine)"
    )


def run(arguments: argparse.Namespace) -> int:
    """Listen until stopped by the keyboard."""
    from rich.console import Console

    from bridge import logs
    from bridge.telemetry.monitor import listen

    sources, catalogue = _sources(arguments)
    logs.set_up(sink=lambda line: None)  # the view itself shows what goes wrong
    return asyncio.run(ending.run(listen(sources, Console(), catalogue)))


def _option(key: str) -> str:
    """The option that stands for this key of a `PortDescription`."""
    return "--on" if key == "listen" else "--allow"


def _sources(arguments: argparse.Namespace) -> tuple[list[UdpSource], Catalogue]:
    from bridge.description import validate
    from bridge.errors import DescriptionError, DescriptionErrors
    from bridge.flight.sources import DescribedSources
    from bridge.panel.description import PortDescription
    from bridge.panel.load import load_panel
    from bridge.quantities.catalogue import CATALOGUE
    from bridge.telemetry.layout import load_layout
    from bridge.telemetry.udp import UdpSource

    if arguments.on is None:
        panel = load_panel(arguments.panel)
        described = DescribedSources().make(panel, time.monotonic)
        ports = [source for source in described if isinstance(source, UdpSource)]
        if not ports:
            raise DescriptionError(
                str(panel.path), "sources", "no UDP port", "at least one", "Add [[sources]], or give --on"
            )
        return ports, panel.catalogue
    written = {"listen": arguments.on}
    if arguments.allow:
        written["allow"] = arguments.allow
    try:
        port = validate(PortDescription, written, "command line")
    except DescriptionErrors as mistakes:
        raise DescriptionErrors(
            [DescriptionError(_option(e.key), "", e.found, e.expected, e.cure) for e in mistakes.errors]
        ) from None
    layouts = [load_layout(path, CATALOGUE) for path in arguments.layout]
    return [UdpSource(port.host, port.port, layouts, port.allow)], CATALOGUE
