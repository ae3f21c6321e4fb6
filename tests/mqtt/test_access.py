"""The broker's configuration that is shipped: whom it lets do what, on a real broker."""

from __future__ import annotations

import asyncio
import subprocess
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from structlog.testing import capture_logs

from bridge.boards.codec import encode_move
from bridge.boards.mqtt import relay
from bridge.boards.mqtt.presence import FROM, STATE, TO, encode_state
from bridge.boards.virtual.board import VirtualBoard
from bridge.boards.virtual.link import VirtualLink
from bridge.mqtt.broker import Broker
from bridge.mqtt.connection import Connection
from bridge.mqtt.packets import Message
from tests.boards.mqtt.rig import CHANNELS, Rig
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
    host, far = as_user(broker, tmp_path, USERS[0]), as_user(broker, tmp_path, USERS[1])
    rig = Rig(host, relay_at=far, prefix="hobnail")
    async with rig.running():
        await rig.follows(100.0)


async def test_who_has_no_right_moves_nothing_and_ends_nothing(broker: RunningBroker, tmp_path: Path) -> None:
    host, far = as_user(broker, tmp_path, USERS[0]), as_user(broker, tmp_path, USERS[1])
    rig = Rig(host, relay_at=far, prefix="hobnail")
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


async def test_a_relay_that_may_not_read_its_state_names_the_right_that_it_lacks(
    broker: RunningBroker, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(relay, "HEARD_S", 0.1)
    may_not = as_user(broker, tmp_path, "instructor")
    with capture_logs() as lines:
        tried = asyncio.create_task(
            relay.Relay(may_not, "hobnail/left", "left", VirtualLink(VirtualBoard(CHANNELS))).run()
        )
        named = lambda: any("read hobnail/left/state" in str(line.get("why")) for line in lines)  # noqa: E731
        await until(named, "the right that it lacks")
        tried.cancel()
        await asyncio.wait({tried})
