"""A real broker for tests: mosquitto on a free port of this machine, started, stopped, killed and stalled."""

from __future__ import annotations

import os
import shutil
import signal
import socket
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from bridge.mqtt.broker import Broker
from tests.conftest import PATIENCE_S, wait_until
from tests.ports import free_port

_FOLDERS = os.pathsep.join([os.environ.get("PATH", ""), "/usr/sbin", "/usr/local/sbin"])


class RunningBroker:
    """mosquitto with this configuration; `folder` is its own, `port` stays over restarts."""

    def __init__(self, folder: Path, configuration: str = "allow_anonymous true\n") -> None:
        self.folder = folder
        self.port = free_port(socket.SOCK_STREAM)
        self._file = folder / "mosquitto.conf"
        self._file.write_text(f"listener {self.port} 127.0.0.1\nset_tcp_nodelay true\n{configuration}")
        self._process: subprocess.Popen[bytes] | None = None

    @property
    def broker(self) -> Broker:
        return Broker("127.0.0.1", self.port)

    @property
    def pid(self) -> int:
        assert self._process is not None
        return self._process.pid

    def start(self) -> None:
        program = shutil.which("mosquitto", path=_FOLDERS)
        assert program, "mosquitto is not installed: sh tests/run installs it"
        with (self.folder / "mosquitto.log").open("ab") as log:
            self._process = subprocess.Popen([program, "-c", self._file], stdout=log, stderr=log)
        wait_until(self._listens, f"a broker at port {self.port}")

    def stop(self, number: signal.Signals = signal.SIGTERM) -> None:
        if self._process is not None:
            self.stall(False)
            self._process.send_signal(number)
            self._process.wait(PATIENCE_S)
            self._process = None

    def stall(self, stalled: bool) -> None:
        """Let it do nothing, or go on."""
        assert self._process is not None
        self._process.send_signal(signal.SIGSTOP if stalled else signal.SIGCONT)

    def _listens(self) -> bool:
        assert self._process is not None and self._process.poll() is None, self.log
        with socket.socket() as probe:
            return probe.connect_ex(("127.0.0.1", self.port)) == 0

    @property
    def log(self) -> str:
        return (self.folder / "mosquitto.log").read_text(errors="replace")


@contextmanager
def running(configuration: str = "allow_anonymous true\n") -> Iterator[RunningBroker]:
    """A broker that is gone at the end."""
    folder = Path(tempfile.mkdtemp(prefix="broker"))
    broker = RunningBroker(folder, configuration)
    try:
        broker.start()
        yield broker
    finally:
        broker.stop(signal.SIGKILL)
        shutil.rmtree(folder, ignore_errors=True)
