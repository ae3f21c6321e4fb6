"""Readiness and the watchdog, by the notification protocol of systemd: sd_notify(3).

The protocol is one datagram of NAME=VALUE lines to the socket that the environment names; the manual page
asks those who need no more than that to send it themselves.
"""

from __future__ import annotations

import asyncio
import os
import socket
import sys
from collections.abc import Mapping

import structlog

from bridge.boards.state import State
from bridge.flight.service import Service

STALLED_S = 1.0
"""Frames to the boards that are so late are a failure of the whole program: systemd may restart it."""
_STATUS_S = 5.0
_log = structlog.get_logger(__name__)


class Notifier:
    """Tells the service manager how `service` is. `run` is a part of the service.

    `environment` has NOTIFY_SOCKET, and WATCHDOG_USEC and WATCHDOG_PID where there is a watchdog. It is fed
    twice in its time, only while frames go to the boards.
    """

    def __init__(self, service: Service, environment: Mapping[str, str] = os.environ) -> None:
        self._service = service
        self._address = environment["NOTIFY_SOCKET"]
        self.every_s = min(_STATUS_S, _watchdog_s(environment) / 2)
        """Time between two reports, in s."""

    async def run(self) -> None:
        """Report until cancelled, and then that the service stops."""
        try:
            await self._service.started.wait()
            self._send(f"READY=1\n{self._status()}")
            while True:
                now_s = self._service.clock()
                if now_s - self._service.ticked_s < STALLED_S:
                    self._send(f"WATCHDOG=1\n{self._status()}")
                await asyncio.sleep(self.every_s)
        finally:
            self._send("STOPPING=1")

    def _status(self) -> str:
        panel = self._service.snapshot(self._service.clock()).panel
        ready = sum(board.state == State.READY.value for board in panel.boards)
        return f"STATUS=telemetry {panel.telemetry}, {ready} of {len(panel.boards)} boards ready"

    def _send(self, text: str) -> None:
        if sys.platform != "linux":  # where there is no systemd
            return
        address = "\0" + self._address[1:] if self._address.startswith("@") else self._address
        try:
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_NONBLOCK) as line:
                line.sendto(text.encode(), address)
        except OSError as error:  # the flight does not depend on who watches it
            _log.warning("service manager not notified", why=error.strerror or str(error))


def _watchdog_s(environment: Mapping[str, str]) -> float:
    """How long the watchdog waits, in s: for ever where there is none for this process."""
    try:
        if int(environment.get("WATCHDOG_PID", os.getpid())) != os.getpid():
            return float("inf")
        return int(environment["WATCHDOG_USEC"]) * 1e-6
    except (KeyError, ValueError):
        return float("inf")
