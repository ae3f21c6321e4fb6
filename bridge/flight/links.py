"""The ways to a board, by the kind that its description names."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING

from bridge.boards.link import Link
from bridge.boards.serial import SerialLink
from bridge.boards.virtual.link import VirtualLink
from bridge.panel.load import Panel

if TYPE_CHECKING:
    from bridge.boards.mqtt.hub import Hub
    from bridge.mqtt.broker import Broker


class Links:
    """Makes links; those over one broker share its hub. `clock` is the time of virtual boards, in seconds."""

    def __init__(self, clock: Callable[[], float]) -> None:
        self._clock = clock
        self._hubs: dict[tuple[Broker, str], Hub] = {}
        self._makers: Mapping[str, Callable[[Panel, str], Link]] = {
            "serial": self._serial,
            "virtual": self.virtual,
            "mqtt": self._mqtt,
        }

    def make(self, panel: Panel, board: str) -> Link:
        """The link to this board, by its description."""
        return self._makers[panel.description.boards[board].link](panel, board)

    def _serial(self, panel: Panel, board: str) -> Link:
        return serial_link(panel, board)

    def virtual(self, panel: Panel, board: str) -> Link:
        """A link to a virtual board that has what this board is described with, whatever its kind."""
        # With the whole flight, which a relay must not wait for before its board is back.
        from bridge.flight.dry_run import virtual_board

        return VirtualLink(virtual_board(panel, board), self._clock)

    def _mqtt(self, panel: Panel, board: str) -> Link:
        from bridge.boards.mqtt.hub import Hub  # with aiomqtt, which other panels do not need

        described = panel.description.broker
        assert described is not None, "the description was checked"
        key = described.broker(panel.path.parent), described.prefix
        if key not in self._hubs:
            self._hubs[key] = Hub(*key)
        return self._hubs[key].link(panel.description.boards[board].topic or board, board)


def serial_link(panel: Panel, board: str) -> SerialLink:
    """The link to the port at which this board is, here or at its relay."""
    described = panel.description.boards[board]
    assert described.port is not None, "the description was checked"
    return SerialLink(board, described.port, described.baud)
