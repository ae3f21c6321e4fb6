"""What hands at the panel have asked for and a service does: commands to simulators, recordings.

Datagrams leave through a socket of their own for each command, connected to the address that the description
names, so that nothing else can be reached through it. Sending never waits; what the system refuses is logged.
"""

from __future__ import annotations

import socket
import time
from collections.abc import Callable, Iterable, Mapping
from contextlib import suppress
from pathlib import Path

import structlog

from bridge.errors import BridgeError
from bridge.flight.controls import CommandQueue, Send
from bridge.logs import LogThrottle, printable
from bridge.panel.controls import Command
from bridge.quantities.catalogue import Catalogue
from bridge.telemetry.recorder import LogWriter
from bridge.threads import in_thread

_log = structlog.get_logger(__name__)


class CommandSender:
    """Sends the commands of the description in force; in a replay it only logs them."""

    def __init__(self, commands: Mapping[str, Command], replayed: bool) -> None:
        self._replayed = replayed
        self._throttle = LogThrottle()
        self._sockets: dict[str, socket.socket] = {}
        self._queue = CommandQueue(commands)

    def use(self, commands: Mapping[str, Command]) -> None:
        """From now on these are the commands; what waits is dropped where they differ."""
        self.close()
        self._queue.use(commands)

    def add(self, send: Send) -> None:
        """Let this be sent when it is its turn."""
        self._queue.add(send)

    def send_due(self, now_s: float) -> None:
        """Send what is due."""
        for command, datagram in self._queue.due(now_s):
            fields = {"command": command.name, "to": f"{command.host}:{command.port}"}
            if self._replayed:
                why = "a recorded flight has no simulator"
                self._throttle.info("command not sent", command.name, now_s, why=why, **fields)
                continue
            try:
                try:
                    self._socket(command).send(datagram)
                except ConnectionRefusedError:  # the answer to the datagram before: this one was not sent
                    why, key = "nothing listened there when it was last sent", (command.name, "unheard")
                    self._throttle.warning("command not heard", key, now_s, why=why, **fields)
                    self._socket(command).send(datagram)
            except OSError as error:
                why = error.strerror or str(error)
                self._throttle.warning("command not sent", command.name, now_s, why=why, **fields)
            else:
                shown = printable(datagram[:60].decode(errors="replace").strip())
                self._throttle.info("command", (command.name, "sent"), now_s, sent=shown, **fields)

    def _socket(self, command: Command) -> socket.socket:
        known = self._sockets.get(command.name)
        if known is None:
            family = socket.AF_INET6 if ":" in command.host else socket.AF_INET
            known = self._sockets[command.name] = socket.socket(family, socket.SOCK_DGRAM)
            known.setblocking(False)
            known.connect((command.host, command.port))
        return known

    def close(self) -> None:
        """Close the sockets; may be used again after."""
        for opened in self._sockets.values():
            opened.close()
        self._sockets = {}


class HandRecording:
    """The recording that a button begins and ends. `columns` tells what to record, when it begins."""

    def __init__(self, columns: Callable[[], Iterable[str]], catalogue: Callable[[], Catalogue]) -> None:
        self._columns = columns
        self._catalogue = catalogue
        self.log: LogWriter | None = None

    async def toggle(self, folder: Path) -> None:
        """Begin a recording in this folder, under the time of now, or end the one that was begun."""
        if self.log is not None:
            await self.close()
            return
        path = folder / time.strftime("%Y-%m-%dT%H-%M-%S.csv")
        columns, catalogue = sorted(self._columns()), self._catalogue()

        def begin() -> LogWriter:
            folder.mkdir(parents=True, exist_ok=True)
            return LogWriter(path, columns, catalogue)

        try:
            self.log = await in_thread("begin recording", begin)
        except (BridgeError, OSError) as error:
            _log.error("recording not begun", log=str(path), why=str(error))
        else:
            _log.info("recording", log=str(path))

    async def close(self) -> None:
        """End the recording, if there is one."""
        log, self.log = self.log, None
        if log is not None:
            with suppress(OSError):
                await in_thread("close recording", log.close)
