"""The far end of a benchmark, in a process of its own: boards on ptys, and a sender of datagrams.

`python -m tests.bench.far_end PANEL RATE` says "plugged" once every serial board of the panel stands at its
port; a line with a port number starts the datagrams; closing its input ends it.
"""

from __future__ import annotations

import select
import socket
import sys
import time
from pathlib import Path

from bridge.flight.dry_run import virtual_board
from bridge.panel.load import load_panel
from tests.bench.panels import Telemetry
from tests.boards.pty_board import PtyBoard


def main() -> None:
    panel = load_panel(Path(sys.argv[1]))
    interval_s = 1.0 / float(sys.argv[2])
    boards = []
    for name, described in panel.description.boards.items():
        if not described.is_virtual:
            folder = panel.path.parent / name
            folder.mkdir()
            board = PtyBoard(folder, virtual_board(panel, name).described, described.watchdog_ms)
            board.plug()
            boards.append(board)
    telemetry = Telemetry()
    print("plugged", flush=True)
    to = ("127.0.0.1", int(sys.stdin.readline()))
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
        start_s = due_s = time.monotonic()
        while not select.select([sys.stdin], [], [], max(0.0, due_s - time.monotonic()))[0]:
            now_s = time.monotonic()
            sender.sendto(telemetry.datagram(now_s, now_s - start_s), to)
            due_s += interval_s
    for board in boards:
        board.unplug()


if __name__ == "__main__":
    main()
