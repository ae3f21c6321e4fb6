"""A real flight over MQTT to inject faults into: the program, a broker, a relay a board, each a process.

The left board is on a serial line of the host, the centre and the right one are behind relays, which reach
their boards on ptys as well; telemetry comes by UDP, and a topic for readings is open beside it.
"""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path

from tests.conftest import PATIENCE_S, ROOT, wait_until
from tests.faults.flight import Flight, flying
from tests.mqtt.broker import RunningBroker, running
from tests.mqtt.certificates import make_authority, make_certificate

PREFIX, READINGS = "faults", "class/readings"
RELAYED = ("centre", "right")
PASSWORD = "of the faults"
STEPPER = """[drives.servo]
motor = "geared-unipolar-5v"
microsteps = 2
speed_steps_s = 900
acceleration_steps_s2 = 4000
"""
_RELAY = "import sys\nfrom bridge.cli import main\nsys.exit(main())\n"


def described(text: str, broker_port: int, secrets: str = "") -> str:
    """The panel of the faults with steppers that home at an index mark, and two of its boards over MQTT;
    `secrets` are what else the broker's description has."""
    head, _, rest = text.partition("[drives.servo]\n")
    _, _, rest = rest.partition("[boards.")
    text = f"{head}{STEPPER}[boards.{rest}"
    text = text.replace(
        '{ output = "servo" }', '{ output = "step_dir", homing = "index", index = { pin = "A%d" } }'
    )
    text = re.sub(r"^([01]) = (.*)A%d", r"\1 = \2A\1", text, flags=re.MULTILINE)
    for name in RELAYED:
        text = text.replace(f'[boards.{name}]\nlink = "serial"', f'[boards.{name}]\nlink = "mqtt"')
    broker = f'[broker]\nport = {broker_port}\nprefix = "{PREFIX}"\n{secrets}'
    source = f'[[sources]]\nkind = "mqtt"\ntopic = "{READINGS}"\n'
    return text.replace("[drives.servo]", f"{source}{broker}[drives.servo]", 1)


@dataclass
class Network:
    """The broker and the relays of one flight."""

    broker: RunningBroker
    panel: Path
    authority: Path | None = None
    relays: dict[str, subprocess.Popen[bytes]] = field(default_factory=dict)

    def start(self, name: str, *options: str, injected: str = "", panel: Path | None = None) -> None:
        with (self.panel.parent / f"relay-{name}.txt").open("ab") as log:
            self.relays[name] = subprocess.Popen(
                [
                    sys.executable,
                    "-c",
                    injected + _RELAY,
                    "relay",
                    panel or self.panel,
                    "--board",
                    name,
                    *options,
                ],
                cwd=ROOT,
                env={**os.environ, "PYTHONPATH": str(ROOT)},
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=log,
            )

    def stop(self, name: str, number: signal.Signals = signal.SIGKILL) -> None:
        self.relays[name].send_signal(number)
        self.relays[name].wait(PATIENCE_S)

    def wait_for(self, name: str, words: str) -> None:
        """Until a relay has these words in its log."""
        wait_until(lambda: words in self.relay_log(name), words)

    def relay_log(self, name: str) -> str:
        return (self.panel.parent / f"relay-{name}.txt").read_text(errors="replace")


@contextmanager
def flying_over_mqtt() -> Iterator[Flight]:
    """A flight whose centre and right boards are behind a broker; its `beside` is the `Network`."""
    with running() as broker, _flying(broker) as flight:
        yield flight


@contextmanager
def flying_over_tls() -> Iterator[Flight]:
    """The same, with a certificate to check, and a user and a password for all."""
    with ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="secrets")))
        authority = make_authority(folder)
        certificate = make_certificate(folder, authority, "broker", days=2)
        users = folder / "users"
        subprocess.run(["mosquitto_passwd", "-b", "-c", users, "panel", PASSWORD], check=True)
        broker = stack.enter_context(
            running(
                f"user root\nallow_anonymous false\npassword_file {users}\n"
                f"certfile {certificate}\nkeyfile {certificate}.key\n"
            )
        )
        login = write_login(folder / "panel.login", PASSWORD)
        secrets = f'tls = true\nca = "{authority}"\nlogin = "{login}"\n'
        yield stack.enter_context(_flying(broker, secrets, authority))


def write_login(file: Path, password: str) -> Path:
    """As it is kept: the program refuses one that others may read."""
    file.touch(0o600)
    file.write_text(f"panel\n{password}\n")
    return file


@contextmanager
def _flying(broker: RunningBroker, secrets: str = "", authority: Path | None = None) -> Iterator[Flight]:
    @contextmanager
    def relayed(panel: Path) -> Iterator[Network]:
        network = Network(broker, panel, authority)
        try:
            for name in RELAYED:
                network.start(name)
            yield network
        finally:
            for relay in network.relays.values():
                relay.kill()
                relay.wait()

    change = partial(described, broker_port=broker.port, secrets=secrets)
    with flying(change=change, beside=relayed) as flight:
        yield flight


def network_of(flight: Flight) -> Network:
    assert isinstance(flight.beside, Network)
    return flight.beside
