"""The far end of a benchmark, in a process of its own: boards on ptys, and a sender of datagrams.

`python -m tests.benchmarks.far_end PANEL RATE` prints "plugged" once every serial board of the panel is at
its port; a line with a port number starts the datagrams (0: none). Once its input is closed it prints, as one
line of JSON, when it sent each datagram and how long after that a MOVE had reached every board, in seconds.
"""

from __future__ import annotations

import json
import select
import socket
import sys
import time
from pathlib import Path

from bridge.boards.messages import FrameType
from bridge.boards.virtual.board import VirtualBoard
from bridge.flight.dry_run import virtual_board
from bridge.panel.load import load_panel
from tests.benchmarks.panels import Telemetry
from tests.boards.pty_board import PtyBoard


class Moved:
    """When the first MOVE after each datagram reached each board."""

    def __init__(self) -> None:
        self.late_s: list[tuple[float, float]] = []
        """Of each datagram that moved every board: when it was sent, and how long the last MOVE took."""
        self._boards = 0
        self._first_s: dict[int, float] = {}
        self._sent_s = 0.0

    def look_at(self, board: VirtualBoard) -> None:
        """From now on, at what this board receives."""
        number, receive = self._boards, board.receive
        self._boards += 1

        def timed(time_s: float, payload: bytes) -> list[bytes]:
            if payload[1] == FrameType.MOVE:
                self._first_s.setdefault(number, time.monotonic())
            return receive(time_s, payload)

        board.receive = timed  # type: ignore[method-assign]

    def sending(self, now_s: float) -> None:
        """The next datagram is about to be sent: the one before has had its time."""
        if self._boards and len(self._first_s) == self._boards:
            self.late_s.append((self._sent_s, max(self._first_s.values()) - self._sent_s))
        self._first_s.clear()
        self._sent_s = now_s


def main() -> None:
    panel = load_panel(Path(sys.argv[1]))
    interval_s = 1.0 / float(sys.argv[2])
    boards, moved = [], Moved()
    for name, described in panel.description.boards.items():
        if not described.is_virtual:
            folder = panel.path.parent / name
            folder.mkdir()
            board = PtyBoard(folder, virtual_board(panel, name).described, described.watchdog_ms)
            moved.look_at(board.board)
            board.plug()
            boards.append(board)
    telemetry = Telemetry()
    print("plugged", flush=True)
    to = ("127.0.0.1", int(sys.stdin.readline()))
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
        start_s = due_s = time.monotonic()
        while to[1] and not select.select([sys.stdin], [], [], max(0.0, due_s - time.monotonic()))[0]:
            now_s = time.monotonic()
            moved.sending(now_s)
            sender.sendto(telemetry.datagram(now_s, now_s - start_s), to)
            due_s += interval_s
    sys.stdin.read()
    for board in boards:
        board.unplug()
    print(json.dumps(moved.late_s), flush=True)


if __name__ == "__main__":
    main()
