"""The far end of a benchmark over MQTT: relays with virtual boards, and a sender of datagrams.

`python -m tests.benchmarks.far_mqtt PANEL RATE` relays every board of the panel and prints "plugged"; a
line with a port number starts the datagrams (0: none). Once its input is closed it prints, as one line of
JSON, when it sent each datagram and how long after that a MOVE had reached every board, in seconds.
"""

from __future__ import annotations

import asyncio
import json
import socket
import sys
import time
from pathlib import Path

from bridge import logs
from bridge.boards.mqtt.relay import Relay
from bridge.boards.virtual.link import VirtualLink
from bridge.flight.dry_run import virtual_board
from bridge.panel.load import load_panel
from tests.benchmarks.far_end import Moved
from tests.benchmarks.panels import Telemetry


async def main() -> None:
    panel = load_panel(Path(sys.argv[1]))
    described = panel.description.broker
    assert described is not None
    broker, interval_s = described.broker(panel.path.parent), 1.0 / float(sys.argv[2])
    links = {name: VirtualLink(virtual_board(panel, name)) for name in panel.description.boards}
    moved = Moved()
    for link in links.values():
        moved.look_at(link.board)
    relays = [
        asyncio.create_task(Relay(broker, f"{described.prefix}/{name}", name, link).run())
        for name, link in links.items()
    ]
    print("plugged", flush=True)
    loop = asyncio.get_running_loop()
    port = int(await loop.run_in_executor(None, sys.stdin.readline))
    over = loop.run_in_executor(None, sys.stdin.read)
    telemetry = Telemetry()
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
        start_s = due_s = time.monotonic()
        while port and not over.done():
            sent_s = time.monotonic()
            moved.sending(sent_s)
            sender.sendto(telemetry.datagram(sent_s, sent_s - start_s), ("127.0.0.1", port))
            due_s += interval_s
            await asyncio.sleep(max(0.0, due_s - time.monotonic()))
    await over
    for relay in relays:
        relay.cancel()
    await asyncio.wait(relays)
    print(json.dumps(moved.late_s), flush=True)


if __name__ == "__main__":
    logs.set_up(sink=lambda line: None)
    asyncio.run(main())
