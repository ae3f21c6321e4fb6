"""The far end of a benchmark over MQTT: relays with virtual boards, and a sender of datagrams.

`python -m tests.bench.far_mqtt PANEL RATE` relays every board of the panel and prints "plugged"; a line with
a port number starts the datagrams (0: none). Once its input is closed it prints, as one line of JSON, how
long after each datagram its MOVE had reached every board, in seconds.
"""

from __future__ import annotations

import asyncio
import json
import socket
import sys
import time
from pathlib import Path

from bridge import logs
from bridge.boards.messages import FrameType
from bridge.boards.mqtt.relay import Relay
from bridge.boards.virtual.board import VirtualBoard
from bridge.boards.virtual.link import VirtualLink
from bridge.flight.dry_run import virtual_board
from bridge.panel.load import load_panel
from tests.bench.panels import Telemetry


class Timed(VirtualLink):
    """Notes when the first MOVE after each datagram comes."""

    def __init__(self, board: VirtualBoard) -> None:
        super().__init__(board)
        self.moved_s = 0.0

    def send(self, payload: bytes, replaceable: bool = False) -> None:
        if payload[1] == FrameType.MOVE and not self.moved_s:
            self.moved_s = time.monotonic()
        super().send(payload, replaceable)


async def main() -> None:
    panel = load_panel(Path(sys.argv[1]))
    described = panel.description.broker
    assert described is not None
    broker, interval_s = described.broker(panel.path.parent), 1.0 / float(sys.argv[2])
    links = {name: Timed(virtual_board(panel, name)) for name in panel.description.boards}
    relays = [
        asyncio.create_task(Relay(broker, f"{described.prefix}/{name}", name, link).run())
        for name, link in links.items()
    ]
    print("plugged", flush=True)
    loop = asyncio.get_running_loop()
    port = int(await loop.run_in_executor(None, sys.stdin.readline))
    over = loop.run_in_executor(None, sys.stdin.read)
    telemetry, latencies_s = Telemetry(), []
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
        start_s = due_s = time.monotonic()
        while port and not over.done():
            for link in links.values():
                link.moved_s = 0.0
            sent_s = time.monotonic()
            sender.sendto(telemetry.datagram(sent_s, sent_s - start_s), ("127.0.0.1", port))
            due_s += interval_s
            await asyncio.sleep(max(0.0, due_s - time.monotonic()))
            if all(link.moved_s for link in links.values()):
                latencies_s.append(max(link.moved_s for link in links.values()) - sent_s)
    await over
    for relay in relays:
        relay.cancel()
    await asyncio.wait(relays)
    print(json.dumps(latencies_s), flush=True)


if __name__ == "__main__":
    logs.set_up(sink=lambda line: None)
    asyncio.run(main())
