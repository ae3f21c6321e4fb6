"""The broker's configuration that is shipped: whom it lets do what, on a real broker."""

from __future__ import annotations

import asyncio
import subprocess
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from bridge.boards.codec import encode_move
from bridge.boards.mqtt.presence import FROM, STATE, TO, encode_state
from bridge.mqtt.broker import Broker
from bridge.mqtt.connection import Connection
from bridge.mqtt.packets import Message
from tests.boards.mqtt.rig import Rig
from tests.conftest import ROOT, until
from tests.mqtt.broker import RunningBroker, running

pytestmark = pytest.mark.slow

SHIPPED = ROOT / "config" / "broker"
USERS = ("hobnail-host", "hobnail-relay", "instructor")


@pytest.fixture(scope="module")
def broker(tmp_path_factory: pytest.TempPathFactory) -> Iterator[RunningBroker]:
    """As shipped, but for its port and the place of its files."""
    folder = tmp_path_factory.mktemp("shipped")
    for number, user in enumerate(USERS):
        create = ["-c"] if number == 0 else []
        subprocess.run(["mosquitto_passwd", "-b", *create, folder / "users", user, f"of {user}"], check=True)
    (folder / "access").write_text((SHIPPED / "access").read_text())
    text = (SHIPPED / "mosquitto.conf").read_text().replace("/etc/mosquitto", str(folder))
    with running(
        "user root\n" + text.replace("listener 1883\n", "").replace("set_tcp_nodelay true\n", "")
    ) as made:
        yield made


def as_user(broker: RunningBroker, folder: Path, user: str) -> Broker:
    file = folder / f"{user}.login"
    file.write_text(f"{user}\nof {user}\n")
    file.chmod(0o600)
    return replace(broker.broker, login=file)


async def test_host_and_relay_fly_with_their_rights(broker: RunningBroker, tmp_path: Path) -> None:
    host, relay = as_user(broker, tmp_path, USERS[0]), as_user(broker, tmp_path, USERS[1])
    rig = Rig(host, relay_at=relay, prefix="hobnail")
    async with rig.running():
        await rig.follows(100.0)


async def test_who_has_no_right_moves_nothing_and_ends_nothing(broker: RunningBroker, tmp_path: Path) -> None:
    host, relay = as_user(broker, tmp_path, USERS[0]), as_user(broker, tmp_path, USERS[1])
    rig = Rig(host, relay_at=relay, prefix="hobnail")
    async with rig.running():
        await rig.follows(100.0)
        late_wills = rig.link.presence.late_wills  # what the test before has left at the broker may be one
        heard: list[Message] = []
        stranger = await Connection.opened(as_user(broker, tmp_path, "instructor"), ["#"], heard.append)
        for _ in range(20):
            stranger.send(f"hobnail/left/{TO}", encode_move(0, [9000.0], [0.0], 1))
            stranger.send(f"hobnail/left/{FROM}", bytes(20))
            stranger.send(f"hobnail/left/{STATE}", encode_state(1, False))
        other = await Connection.opened(host, ["class/readings"], heard.append)
        stranger.send("class/readings", b"allowed")
        await until(lambda: heard == [Message("class/readings", b"allowed", False)], "what it may send")
        await rig.follows(200.0)
        assert rig.link.presence.late_wills == late_wills
        assert rig.session.statistics.undecodable == 0
        await asyncio.gather(stranger.close(), other.close())
