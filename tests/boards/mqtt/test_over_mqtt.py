"""Boards behind a real broker: the conformance suite, and what breaks between host, broker, relay and board.

How long each takes is the matter of the table (`python -m tests.faults mqtt`); here only states count.
"""

from __future__ import annotations

import asyncio
import signal
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import asynccontextmanager
from dataclasses import replace

import aiomqtt
import pytest
from structlog.testing import capture_logs

from bridge.boards.codec import encode, encode_move
from bridge.boards.messages import ChannelState, FrameType, Home
from bridge.boards.mqtt.freshness import PAUSE_S
from bridge.boards.mqtt.presence import ABOUT, FROM, STATE, TO, encode_state
from bridge.boards.mqtt.relay import Relay
from bridge.boards.mqtt.window import MOST_UNCONFIRMED
from bridge.boards.state import State
from bridge.boards.virtual.board import VirtualBoard
from bridge.errors import BoardError
from tests.boards import conformance
from tests.boards.mqtt.rig import CHANNELS, Kept, Rig
from tests.boards.mqtt.subjects import MqttSubject
from tests.conftest import PATIENCE_S, until
from tests.mqtt.broker import RunningBroker, running
from tests.mqtt.doubling import doubling
from tests.mqtt.proxy import Proxy

pytestmark = pytest.mark.slow

FAR_OFF = 50_000.0


@pytest.fixture(scope="module")
def broker() -> Iterator[RunningBroker]:
    with running() as made:
        yield made


@asynccontextmanager
async def stranger(broker: RunningBroker) -> AsyncIterator[aiomqtt.Client]:
    async with aiomqtt.Client("127.0.0.1", broker.port) as client:
        yield client


@pytest.mark.parametrize("check", conformance.CHECKS, ids=lambda check: check.__name__)
async def test_it_conforms_over_a_broker(check: conformance.Check, broker: RunningBroker) -> None:
    await conformance.run(check, MqttSubject(broker.broker))


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGKILL])
async def test_a_broker_that_was_gone_is_found_again_and_nothing_homes(
    broker: RunningBroker, number: signal.Signals
) -> None:
    rig = Rig(broker.broker)
    async with rig.running():
        await rig.follows(100.0)
        homes = rig.near.homes
        broker.stop(number)
        await rig.lost()
        await until(
            lambda: rig.virtual.channel(0).status.state == ChannelState.HOLDING, "the board holding by itself"
        )
        broker.start()
        await rig.ready()
        await rig.follows(200.0)
        assert rig.near.homes == homes


async def test_a_host_that_is_gone_leaves_the_board_to_its_watchdog(broker: RunningBroker) -> None:
    """The relay sends it nothing of its own."""
    rig = Rig(broker.broker)
    async with rig.running():
        await rig.follows(100.0)
        await rig.link.close()
        rig.goal = FAR_OFF
        await until(
            lambda: rig.virtual.channel(0).status.state == ChannelState.HOLDING, "the board holding by itself"
        )
        assert rig.position == 100.0


async def test_what_a_broker_kept_back_while_it_was_stalled_is_not_obeyed(broker: RunningBroker) -> None:
    """The host goes elsewhere meanwhile: a MOVE from before would be a way back."""
    rig = Rig(broker.broker)
    async with rig.running():
        await rig.follows(0.0)
        await rig.moves(20)
        broker.stall(True)
        rig.goal = FAR_OFF
        await rig.lost()
        await asyncio.sleep(PAUSE_S)  # the last frame came before the board was lost
        rig.goal = 0.0
        broker.stall(False)
        await rig.ready()
        await rig.moves(20)
        assert rig.relay.stale > 0
        far_off = encode_move(0, [FAR_OFF], [0.0], 1)[3:]  # without version, type and sequence
        assert all(payload[3:] != far_off for payload in rig.near.moves)
        assert rig.position == 0.0


async def test_a_board_that_confirms_nothing_finds_ten_moves_when_it_reads_again(
    broker: RunningBroker, monkeypatch: pytest.MonkeyPatch
) -> None:
    """No STATUS on its way to the host then confirms a MOVE from after the stall."""
    async with Proxy(broker.port) as network:
        rig = Rig(broker.broker, relay_at=replace(broker.broker, port=network.port))
        sent: list[bytes] = []
        publish = rig.hub.client.send

        def published(topic: str, payload: bytes) -> None:
            sent.append(payload)
            publish(topic, payload)

        monkeypatch.setattr(rig.hub.client, "send", published)
        async with rig.running():
            await rig.moves(20)
            network.stall(True)
            sent.clear()
            await rig.lost()
            moves = sum(payload[1] == FrameType.MOVE for payload in sent)
            assert moves <= MOST_UNCONFIRMED
            assert rig.link.superseded > 0
            network.stall(False)
            await rig.ready()


async def test_a_slow_network_makes_fewer_moves_and_loses_no_board(broker: RunningBroker) -> None:
    async with Proxy(broker.port) as network:
        rig = Rig(broker.broker, relay_at=replace(broker.broker, port=network.port))
        async with rig.running():
            network.delay_s = 0.06
            await rig.moves(50)
            await rig.follows(300.0)
            assert rig.session.state is State.READY
            assert rig.session.statistics.worst_round_trip_s > 0.12


async def test_where_one_of_five_frames_is_lost_the_board_still_gets_there_and_nothing_homes(
    broker: RunningBroker,
) -> None:
    async with Proxy(broker.port) as proxy:
        rig = Rig(broker.broker, relay_at=replace(broker.broker, port=proxy.port))
        async with rig.running():
            homes = rig.near.homes
            proxy.loses_every = 5
            await rig.follows(300.0)
            assert proxy.lost > 0
            assert rig.near.homes == homes


async def test_frames_that_come_again_late_and_in_any_order_home_nothing(broker: RunningBroker) -> None:
    rig = Rig(broker.broker)
    async with rig.running():
        homes = rig.near.homes
        ends = {f"{rig.topic}/{TO}", f"{rig.topic}/{FROM}"}
        async with doubling(broker.broker, sorted(ends)) as doubled:
            for goal in (300.0, -100.0, 200.0):
                await rig.follows(goal)
            await until(lambda: set(doubled) == ends, "frames that came again, both ways")
        await rig.follows(100.0)
        assert rig.near.homes == homes
        assert rig.session.statistics.undecodable == 0


async def test_a_relay_that_is_cut_off_is_back_and_nothing_homes(broker: RunningBroker) -> None:
    async with Proxy(broker.port) as network:
        rig = Rig(broker.broker, relay_at=replace(broker.broker, port=network.port))
        async with rig.running():
            await rig.follows(100.0)
            homes = rig.near.homes
            for goal in (200.0, 300.0, 400.0):
                network.cut()
                await rig.follows(goal)
            assert rig.near.homes == homes


async def test_a_link_that_is_made_later_knows_the_board(broker: RunningBroker) -> None:
    """As after a change of the description: what is retained came when the hub connected, and not again."""
    rig = Rig(broker.broker)
    async with rig.running():
        again = rig.hub.link("left", "left")
        await again.open()
        await again.close()


async def test_the_last_rest_still_reaches_a_board_when_the_host_ends(broker: RunningBroker) -> None:
    rig = Rig(broker.broker)
    async with rig.running():
        await rig.follows(100.0)
        rig.board.rest()
        await rig.link.close()
        await until(lambda: rig.virtual.channel(0).status.state == ChannelState.RESTING, "the board at rest")


async def test_a_relay_that_ends_reports_it(broker: RunningBroker) -> None:
    rig = Rig(broker.broker)
    async with rig.running():
        assert rig.relaying is not None
        rig.relaying.cancel()
        await until(lambda: "its relay was ended" in rig.session.detail, "the reason")
        assert rig.session.state is State.ABSENT


async def test_a_board_whose_link_fails_is_gone_with_the_relays_reason(broker: RunningBroker) -> None:
    rig = Rig(broker.broker)

    async def unplugged() -> None:
        raise BoardError("left", "/dev/ttyUSB0 was lost: look at its cable")

    async def lost() -> list[bytes]:
        raise BoardError("left", "/dev/ttyUSB0 was lost: look at its cable")

    async with rig.running():
        rig.near.open, rig.near.receive = unplugged, lost  # type: ignore[method-assign]
        await until(lambda: "/dev/ttyUSB0 was lost" in rig.session.detail, "the reason")
        assert rig.session.state is State.ABSENT


async def test_a_move_that_somebody_left_at_the_broker_is_not_obeyed(broker: RunningBroker) -> None:
    rig = Rig(broker.broker)
    async with stranger(broker) as client:
        await client.publish(f"{rig.topic}/{TO}", encode_move(0, [FAR_OFF], [0.0], 1), qos=1, retain=True)
        await client.publish(f"{rig.topic}/{TO}", encode(Home((0,)), 0), qos=1, retain=True)
        async with rig.running():
            await rig.follows(50.0)
            assert rig.relay.ignored == 1  # the later took the earlier one's place
        await client.publish(f"{rig.topic}/{TO}", b"", retain=True)


async def test_a_late_will_does_not_end_a_board_that_is_back(broker: RunningBroker) -> None:
    rig = Rig(broker.broker)
    async with rig.running(), stranger(broker) as client:
        await client.publish(f"{rig.topic}/{STATE}", encode_state(12345, False), qos=1, retain=True)
        await until(lambda: rig.link.presence.late_wills == 1, "the late will")
        await rig.follows(50.0)
        assert rig.session.state is State.READY


async def test_two_relays_of_one_board_are_reported_and_the_good_board_keeps_its_count(
    broker: RunningBroker,
) -> None:
    """The other one's board homes; the first one's is back once the other has gone, and homes no more."""
    rig = Rig(broker.broker)
    other = Kept(VirtualBoard(CHANNELS))
    with capture_logs() as lines:
        async with rig.running():
            await rig.follows(100.0)
            homes = rig.near.homes
            second = Relay(broker.broker, rig.topic, "left", other)
            running_second = asyncio.create_task(second.run())
            told = lambda: any("runs twice" in str(line.get("why")) for line in lines)  # noqa: E731
            await until(told, "the one whose place was taken")
            await until(lambda: other.homes == 1 and other.moves, "the other board driven")
            running_second.cancel()
            await asyncio.wait({running_second})
            before = len(rig.near.moves)
            await until(lambda: len(rig.near.moves) > before, "the first one's board driven again")
            await rig.follows(120.0)
            assert rig.near.homes == homes
            assert rig.virtual.channel(0).place - rig.position == pytest.approx(0.0, abs=1.0)


async def test_two_hosts_of_one_panel_learn_of_each_other(broker: RunningBroker) -> None:
    rig = Rig(broker.broker)
    async with rig.running():
        second = Rig(broker.broker, prefix=rig.prefix)
        running_second = asyncio.create_task(second.board.run())
        await until(
            lambda: any("runs twice" in each.session.detail for each in (rig, second)), "one that is told"
        )
        running_second.cancel()
        await asyncio.wait({running_second})


@pytest.mark.parametrize("size", [0, 2, 251, 100_000])
async def test_a_message_that_is_no_frame_is_counted_and_not_passed_on(
    broker: RunningBroker, size: int
) -> None:
    rig = Rig(broker.broker)
    async with rig.running(), stranger(broker) as client:
        await client.publish(f"{rig.topic}/{TO}", bytes(size))
        await client.publish(f"{rig.topic}/from", bytes(size))
        oversized: Callable[[], int] = lambda: rig.relay.ignored + rig.relay.oversized  # noqa: E731
        await until(lambda: oversized() == 1, "the message refused")
        await rig.follows(50.0)
        assert rig.virtual.bad == 0


async def test_nothing_else_of_the_panel_is_retained(broker: RunningBroker) -> None:
    rig = Rig(broker.broker)
    async with rig.running():
        await rig.follows(50.0)
    async with stranger(broker) as client:
        await client.subscribe(f"{rig.prefix}/#")
        kept = set()
        async with asyncio.timeout(PATIENCE_S):
            async for message in client.messages:
                assert message.retain
                kept.add(message.topic.value)
                if kept == {f"{rig.topic}/{ABOUT}", f"{rig.topic}/{STATE}"}:
                    break
