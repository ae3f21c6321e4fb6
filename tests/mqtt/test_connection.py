"""Connections to a real broker that has a login, an access list and TLS, and to what is no broker at all."""

from __future__ import annotations

import asyncio
import signal
import socket
import subprocess
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager
from dataclasses import replace
from pathlib import Path

import pytest

from bridge.mqtt.broker import Broker, BrokerError
from bridge.mqtt.client import Client
from bridge.mqtt.connection import Connection
from bridge.mqtt.packets import DISCONNECT, Message, publish
from bridge.mqtt.retained import NotSpokenError, Retained, RetainedConnection
from tests.conftest import PATIENCE_S, until
from tests.mqtt.broker import RunningBroker, running
from tests.mqtt.certificates import make_authority, make_certificate
from tests.ports import free_port

pytestmark = pytest.mark.slow

SECRET = "hob-nail-7"
ACCESS = """
user left
topic write test/left/from
topic read test/left/to
user host
topic write test/left/to
topic read test/left/from
"""


def ignore(message: Message) -> None:
    """Nobody reads."""


async def refused(broker: Broker, *topics: str) -> str:
    """Why the connection can't be had; nowhere in it a password."""
    with pytest.raises(BrokerError) as error:
        await Connection.opened(broker, topics, ignore)
    assert SECRET not in str(error.value)
    return str(error.value)


@pytest.fixture(scope="module")
def closed(tmp_path_factory: pytest.TempPathFactory) -> Iterator[RunningBroker]:
    """A broker that lets in a board and its host, who may do little."""
    folder = tmp_path_factory.mktemp("closed")
    (folder / "users").touch(0o600)
    for user in ("left", "host"):
        subprocess.run(["mosquitto_passwd", "-b", folder / "users", user, SECRET], check=True)
    (folder / "access").write_text(ACCESS)
    (folder / "users").chmod(0o644)
    configuration = f"allow_anonymous false\npassword_file {folder}/users\nacl_file {folder}/access\n"
    with running(f"user root\n{configuration}") as made:
        yield made


def login(folder: Path, password: str, user: str = "left") -> Path:
    file = folder / f"{user}.login"
    file.write_text(f"{user}\n{password}\n")
    file.chmod(0o600)
    return file


async def test_a_wrong_password_is_named_as_such(closed: RunningBroker, tmp_path: Path) -> None:
    broker = replace(closed.broker, login=login(tmp_path, "wrong"))
    assert "correct the login" in await refused(broker)
    assert "correct the login" in await refused(closed.broker)
    with pytest.raises(BrokerError, match="does not let us in"):
        await RetainedConnection(broker, Retained("pb1"), True).__aenter__()


async def test_a_login_from_the_file_is_let_in_and_a_corrected_one_without_a_restart(
    closed: RunningBroker, tmp_path: Path
) -> None:
    broker = replace(closed.broker, login=login(tmp_path, "wrong"))
    errors: list[BrokerError] = []
    client = Client(broker, retained=Retained("pb1"), on_down=errors.append)
    task = asyncio.create_task(client.run())
    await until(lambda: errors, "refused")
    login(tmp_path, SECRET)
    await until(lambda: client.is_up, "let in")
    task.cancel()
    await asyncio.wait({task})


async def test_a_topic_that_the_access_list_refuses_is_named(closed: RunningBroker, tmp_path: Path) -> None:
    broker = replace(closed.broker, login=login(tmp_path, SECRET))
    connection = await Connection.opened(broker, ["test/left/to"], ignore)
    await connection.close()
    # mosquitto 2.0 lets anybody subscribe and sends nothing: who reads there learns nothing.
    heard: list[Message] = []
    heard_by_host: list[Message] = []
    at_host = replace(broker, login=login(tmp_path, SECRET, "host"))
    host = await Connection.opened(at_host, ["test/#"], heard_by_host.append)
    other = await Connection.opened(broker, ["test/#"], heard.append)
    other.send("test/right/to", b"not allowed")
    other.send("test/left/from", b"allowed, and not for us to read")
    await until(lambda: heard_by_host, "at the host: the broker has handed on both by then")
    host.send("test/left/to", b"for us to read")
    await until(lambda: heard, "what we may read")
    await other.close()
    await host.close()
    assert [message.payload for message in heard] == [b"for us to read"]
    assert [message.payload for message in heard_by_host] == [b"allowed, and not for us to read"]


async def test_frames_of_one_moment_are_one_write_also_the_last_ones_before_it_closes(
    closed: RunningBroker, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    broker = replace(closed.broker, login=login(tmp_path, SECRET))
    connection = await Connection.opened(broker, [], ignore)
    assert connection._transport is not None
    writes: list[bytes] = []
    monkeypatch.setattr(connection._transport, "write", writes.append)
    for payload in (b"one", b"two", b"three"):
        connection.send("test/left/from", payload)
    assert not writes
    await asyncio.sleep(0)
    frames = [publish("test/left/from", payload) for payload in (b"one", b"two", b"three", b"four")]
    assert writes == [b"".join(frames[:3])]
    connection.send("test/left/from", b"four")
    await connection.close()
    assert writes[1:] == [frames[3], DISCONNECT]


@pytest.fixture(scope="module")
def authority(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_authority(tmp_path_factory.mktemp("authority"))


@asynccontextmanager
async def encrypted(authority: Path, folder: Path, days: int) -> AsyncIterator[Broker]:
    """A broker with TLS."""
    certificate = make_certificate(folder, authority, "broker", days)
    configuration = f"user root\nallow_anonymous true\ncertfile {certificate}\nkeyfile {certificate}.key\n"
    with running(configuration) as made:
        yield replace(made.broker, tls=True, ca=authority)


async def test_frames_and_what_is_retained_go_encrypted(authority: Path, tmp_path: Path) -> None:
    heard: list[Message] = []
    async with encrypted(authority, tmp_path, days=2) as broker:
        client = Client(broker, frames=["a/to"], on_frame=heard.append, retained=Retained("pb1"))
        task = asyncio.create_task(client.run())
        await until(lambda: client.is_up, "connected")
        client.send("a/to", b"frame")
        await until(lambda: heard == [Message("a/to", b"frame", False)], "the frame")
        task.cancel()
        await asyncio.wait({task})
        async with plain_server() as port:
            assert "no TLS there" in await refused(Broker("127.0.0.1", port, tls=True, ca=authority))
        stranger = make_authority(tmp_path, "stranger")
        assert "certificate is refused" in await refused(replace(broker, ca=stranger))
        assert "correct port or tls" in await refused(replace(broker, tls=False))


async def test_tls_to_a_port_that_speaks_none_is_named_as_such(closed: RunningBroker) -> None:
    assert "correct port or tls" in await refused(replace(closed.broker, tls=True))


async def test_an_expired_certificate_is_named_as_such(authority: Path, tmp_path: Path) -> None:
    async with encrypted(authority, tmp_path, days=-1) as broker:
        assert "certificate has expired" in await refused(broker)


@asynccontextmanager
async def plain_server() -> AsyncIterator[int]:
    """The port of a server that speaks neither TLS nor MQTT."""

    async def greet(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.read(10)
        writer.write(b"220 hello\r\n")
        await writer.drain()
        writer.close()

    server = await asyncio.start_server(greet, "127.0.0.1", 0)
    async with server:
        yield int(server.sockets[0].getsockname()[1])


async def test_what_is_no_broker_is_named_as_such() -> None:
    async with plain_server() as port:
        assert "closed the connection" in await refused(Broker("127.0.0.1", port))
    assert "nothing listens there" in await refused(Broker("127.0.0.1", free_port(socket.SOCK_STREAM)))
    assert "no such host" in await refused(Broker("no-such-host.invalid", 1883))


async def test_a_broker_that_knows_no_mqtt_5_is_tried_with_3_1_1() -> None:
    """Its answer is CONNACK 0x01, unacceptable protocol version (MQTT 3.1.1, 3.2.2.3)."""
    versions: list[int] = []

    async def only_3(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        head = await reader.readexactly(9)
        versions.append(head[8])
        writer.write(b"\x20\x02\x00\x01" if head[8] == 5 else b"\x20\x02\x00\x00")
        await reader.read()
        writer.close()

    server = await asyncio.start_server(only_3, "127.0.0.1", 0)
    broker = Broker("127.0.0.1", int(server.sockets[0].getsockname()[1]))
    with pytest.raises(NotSpokenError):
        await RetainedConnection(broker, Retained("pb1"), True).__aenter__()
    client = Client(broker, retained=Retained("pb1"))
    task = asyncio.create_task(client.run())
    await until(lambda: client.is_up, "connected")
    task.cancel()
    await asyncio.wait({task})
    server.close()
    assert versions == [5, 4, 5, 4]


async def test_what_is_not_kept_yet_when_the_connection_is_lost_fails_at_once() -> None:
    """And not when aiomqtt's time for it is over: by then there may be a newer connection."""
    with running() as own:
        async with RetainedConnection(own.broker, Retained("pb1"), True) as connection:
            own.stall(True)
            keeping = asyncio.create_task(connection.publish("a/state", b"kept"))
            await asyncio.sleep(0)
            own.stop(signal.SIGKILL)
            with pytest.raises(BrokerError, match="lost before it kept a/state"):
                await keeping


async def test_one_that_is_cancelled_before_the_broker_answers_ends_when_it_does(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """It says goodbye to a broker that let it in, and its end is not awaited until aiomqtt's time is over."""
    monkeypatch.setattr("bridge.mqtt.retained.TIMEOUT_S", 10 * PATIENCE_S)
    asked, answer, left = asyncio.Event(), asyncio.Event(), asyncio.Event()

    async def slow(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.readexactly(9)
        asked.set()
        await answer.wait()
        writer.write(b"\x20\x03\x00\x00\x00")  # CONNACK, no properties (MQTT 5.0, 3.2)
        if (await reader.read()).endswith(DISCONNECT):
            left.set()
        writer.close()

    server = await asyncio.start_server(slow, "127.0.0.1", 0)
    broker = Broker("127.0.0.1", int(server.sockets[0].getsockname()[1]))
    entering = asyncio.create_task(RetainedConnection(broker, Retained("pb1"), True).__aenter__())
    await asked.wait()
    entering.cancel()
    answer.set()
    await until(entering.done, "the end of what was cancelled")
    assert entering.cancelled()
    await until(left.is_set, "its DISCONNECT")
    server.close()
