"""`relay`: join the boards at this computer to a broker, for a host elsewhere."""

from __future__ import annotations

import argparse
import asyncio
import time
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from bridge.commands.ending import ending

if TYPE_CHECKING:
    from bridge.boards.mqtt.relay import Relay
    from bridge.panel.load import Panel

_END_S = 1.5


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The arguments of `relay`."""
    parser.add_argument("panel", type=Path, help="the panel description, the same as the host's")
    parser.add_argument(
        "--board",
        action="append",
        metavar="NAME",
        help='a board at this computer (may be given again); every one of link = "mqtt" without it',
    )
    parser.add_argument(
        "--virtual", action="store_true", help="virtual boards in place of real ones, to try without hardware"
    )
    parser.add_argument("--json", action="store_true", help="log in JSON lines")


def run(arguments: argparse.Namespace) -> int:
    """Relay until asked to end."""
    from bridge import logs
    from bridge.panel.load import load_panel

    panel = load_panel(arguments.panel)
    names = _boards(panel, arguments.board, arguments.virtual)
    logs.set_up(arguments.json)
    return asyncio.run(ending.run(_relay(panel, names, arguments.virtual)))


def _boards(panel: Panel, chosen: list[str] | None, virtual: bool) -> list[str]:
    """The boards to relay; raises DescriptionErrors for every one that can't be."""
    from bridge.description import near
    from bridge.errors import DescriptionError, DescriptionErrors

    path, boards = str(panel.path), panel.description.boards
    over_broker = [name for name, board in boards.items() if board.kind.over_broker]
    errors = []
    for name in over_broker if chosen is None else chosen:
        if name not in over_broker:
            found, expected = f"--board {name}", 'a board of link = "mqtt"'
            errors.append(DescriptionError(path, "boards", found, expected, near(name, over_broker)))
        elif boards[name].port is None and not virtual:
            key = f"boards.{name}.port"
            errors.append(
                DescriptionError(path, key, "nothing", "its port at this computer", "Add port, or --virtual")
            )
    if not over_broker:
        found, expected = "no board over MQTT", 'at least one board of link = "mqtt"'
        errors.append(DescriptionError(path, "boards", found, expected, "Change the link of the boards here"))
    if errors:
        raise DescriptionErrors(errors)
    return over_broker if chosen is None else chosen


def relays(panel: Panel, names: list[str], virtual: bool) -> Mapping[str, Relay]:
    """A relay for each of these boards."""
    from bridge.boards.mqtt.relay import Relay
    from bridge.flight.links import Links, serial_link

    described = panel.description.broker
    assert described is not None, "the description was checked"
    broker = described.broker(panel.path.parent)
    links = Links(time.monotonic)
    return {
        name: Relay(
            broker,
            f"{described.prefix}/{panel.description.boards[name].topic or name}",
            name,
            links.virtual(panel, name) if virtual else serial_link(panel, name),
        )
        for name in names
    }


async def _relay(panel: Panel, names: list[str], virtual: bool) -> int:
    from bridge.flight.supervisor import Supervisor

    async with Supervisor(end_s=_END_S) as parts:
        for name, relay in relays(panel, names, virtual).items():
            parts.start(f"relay {name}", relay.run)
        await asyncio.Event().wait()
    return 0
