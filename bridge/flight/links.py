"""The ways to a board, by the kind that its description names."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from bridge.boards.link import Link
from bridge.boards.serial import SerialLink
from bridge.boards.virtual.link import VirtualLink
from bridge.flight.dry_run import virtual_board
from bridge.panel.load import Panel


def _serial(panel: Panel, board: str, clock: Callable[[], float]) -> Link:
    described = panel.description.boards[board]
    assert described.port is not None, "the description was checked"
    return SerialLink(board, described.port, described.baud)


def _virtual(panel: Panel, board: str, clock: Callable[[], float]) -> Link:
    return VirtualLink(virtual_board(panel, board), clock)


MAKERS: Mapping[str, Callable[[Panel, str, Callable[[], float]], Link]] = {
    "serial": _serial,
    "virtual": _virtual,
}
"""A maker for every kind that `BoardDescription.link` allows."""


def make_link(panel: Panel, board: str, clock: Callable[[], float]) -> Link:
    """The link to this board, by its description; `clock` is the time of virtual boards, in seconds."""
    return MAKERS[panel.description.boards[board].link](panel, board, clock)
