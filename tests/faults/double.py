"""The far end of a fault: boards on ptys and a sender of datagrams, in a process of their own.

`python -m tests.faults.double PANEL FOLDER PORT` plugs every board of the panel in, at FOLDER/BOARD/ttyBOARD,
sends telemetry to PORT, and answers lines on its input: `mark` forgets what was seen until now; `report`
prints, as one line of JSON, the times of MOVE frames by board since then (and of the last one before), how
many REST and HOME frames and watchdog trips there were, how many MOVE frames were old or such as no pointer
can follow, how far each pointer is from where its board counts it (steps), and the telemetry that a program
could hear; `count` prints how many MOVE frames each board has had; `babble BOARD` lets a board send 1 MB/s,
`hold BOARD` lets it take no byte, `unplug BOARD` pulls its cable; `quiet` ends all three.
"""

from __future__ import annotations

import json
import os
import select
import socket
import sys
import threading
import time
from math import inf
from pathlib import Path

from bridge.boards.codec import FrameError, decode
from bridge.boards.line import to_line
from bridge.boards.messages import FrameType, Move
from bridge.boards.mqtt.freshness import PAUSE_S
from bridge.flight.dry_run import virtual_board
from bridge.panel.load import load_panel
from tests.boards.pty_board import PtyBoard

TELEMETRY_S = 0.05
OWN_PAUSE_S = 0.1
"""A board's thread runs every 10 ms where it gets a core."""
_BABBLE = to_line(bytes([1, 0x7F, 0]) + bytes(200)) * 20


class Watched(PtyBoard):
    """A board that keeps the times of the frames that reach it. `held` while it is kept from all work."""

    held = False

    @property
    def off_steps(self) -> list[float]:
        """How far each pointer is from where the board counts it; it changes when a step is lost."""
        with self.lock:
            channels = [self.board.channel(number) for number in range(len(self.board.described))]
            return [channel.place - channel.status.position for channel in channels]

    def watch(self) -> None:
        """Begin; until then nothing is kept."""
        self.moves = 0
        self.moves_s: list[float] = []
        self.rests = 0
        self.homes = 0
        self.wrong_moves = 0
        self.trips_before = 0
        self._heard_s = self._ran_s = inf
        self._asked = False  # IDENTIFY has come since the last pause
        receive, advance = self.board.receive, self.board.advance

        def kept(time_s: float, payload: bytes) -> list[bytes]:
            self._listen(payload)
            if (move := decoded_move(payload)) is not None:
                self.moves += 1
                self.moves_s.append(time.monotonic())
                self.wrong_moves += not self._asked or self._is_too_far(move)
            elif payload[1] == FrameType.REST:
                self.rests += 1
            elif payload[1] == FrameType.HOME:
                self.homes += 1
            return receive(time_s, payload)

        def ran(time_s: float) -> list[bytes]:
            self._ran_s = time.monotonic()
            return advance(time_s)

        self.board.receive = kept  # type: ignore[method-assign]
        self.board.advance = ran  # type: ignore[method-assign]

    def _listen(self, payload: bytes) -> None:
        """After a pause a MOVE that comes before the host has asked who is there was kept back on its way.

        In a pause of this process the frames may have come all along.
        """
        now_s = time.monotonic()
        if now_s - self._heard_s > PAUSE_S and now_s - self._ran_s < OWN_PAUSE_S:
            self._asked = False
        self._asked = self._asked or payload[1] == FrameType.IDENTIFY
        self._heard_s = now_s

    def _is_too_far(self, move: Move) -> bool:
        """Whether it asks of a pointer to be where it can't come within a second."""
        return any(
            abs(target.position - self.board.channel(target.channel).status.position)
            > self.board.described[target.channel].limits.speed
            for target in move.targets
        )


def decoded_move(payload: bytes) -> Move | None:
    """The MOVE of a payload; None of any other, and of what is no frame."""
    if payload[1] != FrameType.MOVE:
        return None
    try:
        message = decode(payload)[1]
    except FrameError:
        return None
    return message if isinstance(message, Move) else None


def main() -> None:
    panel = load_panel(Path(sys.argv[1]))
    to = ("127.0.0.1", int(sys.argv[3]))
    heard = 0  # telemetry for which the port was open
    boards: dict[str, Watched] = {}
    for name, described in panel.description.boards.items():
        folder = Path(sys.argv[2]) / name
        folder.mkdir()
        board = Watched(folder, virtual_board(panel, name).described, described.watchdog_ms)
        board.watch()
        board.plug()
        boards[name] = board
    babbling = threading.Event()
    print("plugged", flush=True)
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
        sender.connect(to)
        due_s = time.monotonic()
        while True:
            if select.select([sys.stdin], [], [], max(0.0, due_s - time.monotonic()))[0]:
                lines = os.read(sys.stdin.fileno(), 4096).decode().splitlines()
                if not lines:
                    break
                for line in lines:
                    heard -= bool(sender.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR))
                    obey(line.split(), boards, babbling, heard)
            if time.monotonic() >= due_s:
                reading = 60 + 40 * abs((due_s % 8) / 4 - 1)
                try:
                    sender.send(f"alt=2140 set=29.92 cas={reading:.2f}".encode())
                    heard += 1
                except ConnectionRefusedError:  # the port was closed to the one before
                    heard -= 1
                due_s += TELEMETRY_S
    obey(["quiet"], boards, babbling, heard)
    for board in boards.values():
        board.unplug()


def obey(words: list[str], boards: dict[str, Watched], babbling: threading.Event, heard: int) -> None:
    """Do what one line asks for."""
    match words:
        case ["mark"]:
            for board in boards.values():
                board.moves_s = board.moves_s[-1:]
                board.homes = board.wrong_moves = 0
                board.trips_before = board.board.trips
        case ["count"]:
            print(json.dumps({name: board.moves for name, board in boards.items()}), flush=True)
        case ["report"]:
            seen = {
                name: {
                    "moves_s": board.moves_s,
                    "rests": board.rests,
                    "homes": board.homes,
                    "wrong_moves": board.wrong_moves,
                    "off_steps": board.off_steps,
                    "trips": board.board.trips - board.trips_before,
                }
                for name, board in boards.items()
            }
            print(json.dumps({**seen, "telemetry": heard}), flush=True)
        case ["babble", name]:
            babbling.set()
            threading.Thread(target=babble, args=(boards[name], babbling), daemon=True).start()
        case ["hold", name]:
            boards[name].lock.acquire()
            boards[name].held = True
        case ["unplug", name]:
            boards[name].unplug()
        case ["quiet"]:
            babbling.clear()
            for board in boards.values():
                if not board.plugged:
                    board.plug()
                if board.held:  # a lock that is only locked may be the board's own just now
                    board.held = False
                    board.lock.release()


def babble(board: Watched, babbling: threading.Event) -> None:
    """A megabyte a second, as far as the line takes it."""
    while babbling.is_set():
        if select.select([], [board.master], [], 0.01)[1]:
            os.write(board.master, _BABBLE)
        time.sleep(len(_BABBLE) / 1e6)


if __name__ == "__main__":
    main()
