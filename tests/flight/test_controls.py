"""Knobs and buttons: what a hand does steps readings, sends datagrams, switches gauges, begins recordings."""

from __future__ import annotations

import asyncio
import socket
import struct
from collections.abc import Iterator
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import pytest
from structlog.testing import capture_logs

from bridge.boards.notices import ButtonPressed, ButtonReleased, KnobTurned, StateChanged
from bridge.boards.state import State, Trigger
from bridge.boards.virtual.board import VirtualBoard
from bridge.boards.virtual.link import VirtualLink
from bridge.flight.controls import (
    HOLD_S,
    Action,
    CommandQueue,
    Controls,
    NotDone,
    Record,
    Send,
    Step,
)
from bridge.flight.hands import CommandSender
from bridge.flight.service import Service
from bridge.flight.sources import FixedSources
from bridge.panel.load import Panel, load_panel
from bridge.telemetry.flightlog import read_log
from tests.clock import on_jumping_clock
from tests.conftest import PATIENCE_S, until
from tests.flight.controlled import controlled, datagrams, simulator
from tests.flight.one_gauge import one_gauge
from tests.flight.test_knob import Steady
from tests.ports import free_port

VALUES = {"altimeter_setting": 29.90, "magnetic_variation": 4.0}
OWN = frozenset({"magnetic_variation"})


@pytest.fixture
def panel(config: Path) -> Panel:
    return controlled(config)


@pytest.fixture
def heard() -> Iterator[socket.socket]:
    with simulator() as opened:
        yield opened


def turned(controls: Controls, time_s: float, clicks: int, board: str = "left") -> list[Action]:
    """What is asked for, its values rounded to what can be told apart."""
    return [
        Send(action.command, {name: round(value, 6) for name, value in action.values.items()}, action.count)
        if isinstance(action, Send)
        else action
        for action in controls.take(time_s, board, KnobTurned(0, clicks), VALUES)
    ]


def test_a_knob_asks_the_simulator_for_what_telemetry_has_and_goes_on_before_it_follows(panel: Panel) -> None:
    controls = Controls(panel, OWN)
    for time_s, clicks, wanted in ((1.0, 1, 29.91), (1.5, 1, 29.92), (2.0, -1, 29.91)):
        (sent,) = turned(controls, time_s, clicks)
        assert sent == Send("altimeter", {"altimeter_setting": wanted}, clicks)
    (later,) = turned(controls, 20.0, 1)  # the simulator did not follow: from where it is
    assert later == Send("altimeter", {"altimeter_setting": 29.91}, 1)


def test_a_knob_that_is_turned_fast_steps_further(panel: Panel) -> None:
    controls = Controls(panel, OWN)
    steps = []
    for click in range(10):
        (sent,) = turned(controls, 1.0 + click * 0.05, 1)
        assert isinstance(sent, Send)
        steps.append(sent.values["altimeter_setting"])
    assert steps[0] - 29.90 == pytest.approx(0.01)
    assert steps[-1] - steps[-2] == pytest.approx(0.1)


def test_a_knob_turned_slowly_while_the_program_is_held_up_was_not_turned_fast(panel: Panel) -> None:
    """Six clicks in two seconds are read at the next tick or the one after; three a second follow."""
    controls = Controls(panel, OWN)
    times_s = [3.0] * 3 + [3.01] * 3 + [3.34, 3.67, 4.0]
    sent: list[Action] = []
    for tick_s in (1.0, *(3.0 + n * 0.01 for n in range(101))):
        for time_s in times_s:
            if time_s == pytest.approx(tick_s):
                sent += turned(controls, tick_s, 1)
        list(controls.tick(tick_s, VALUES))
    wanted = [29.90 + 0.01 * (click + 1) for click in range(len(times_s))]
    shown = [send.values["altimeter_setting"] for send in sent if isinstance(send, Send)]
    assert shown == pytest.approx(wanted)


def test_nothing_is_set_beyond_the_range_of_its_quantity(panel: Panel) -> None:
    (sent,) = turned(Controls(panel, OWN), 1.0, 900)
    assert isinstance(sent, Send)
    assert sent.values["altimeter_setting"] == panel.catalogue["altimeter_setting"].high


def test_a_fixed_reading_is_stepped_here(panel: Panel) -> None:
    assert turned(Controls(panel, OWN), 1.0, -2, "centre") == [
        Send("trim", {}, -2),
        Step("magnetic_variation", 3.0),
    ]


def test_what_is_not_known_can_not_be_stepped_and_that_is_reported(panel: Panel) -> None:
    (action,) = Controls(panel, OWN).take(1.0, "left", KnobTurned(0, 1), {})
    assert isinstance(action, NotDone)
    assert "altimeter_setting is not known yet" in action.why


def test_a_button_is_pressed_and_held(panel: Panel) -> None:
    controls = Controls(panel, OWN)
    assert list(controls.take(1.0, "left", ButtonPressed(1, 1), VALUES)) == [Send("gear", {}, 1)]
    assert list(controls.tick(1.0 + HOLD_S - 0.01, VALUES)) == []
    held = list(controls.tick(1.0 + HOLD_S, VALUES))
    assert held == [Send("altimeter", {"altimeter_setting": 29.92}, 1)]
    assert list(controls.tick(9.0, VALUES)) == []
    list(controls.take(10.0, "left", ButtonPressed(1, 1), VALUES))
    list(controls.take(10.2, "left", ButtonReleased(1), VALUES))
    assert list(controls.tick(19.0, VALUES)) == []


def test_a_button_let_go_while_the_program_was_held_up_is_not_held(panel: Panel) -> None:
    """The first tick after two seconds comes before the frames that waited; one held on is held later."""
    for lets_go in (True, False):
        controls = Controls(panel, OWN)
        list(controls.tick(0.99, VALUES))
        list(controls.take(1.0, "left", ButtonPressed(1, 1), VALUES))
        for time_s in (1.0, 1.1, 3.1):
            assert list(controls.tick(time_s, VALUES)) == []
        if lets_go:
            list(controls.take(3.11, "left", ButtonReleased(1), VALUES))
        ticks = [list(controls.tick(3.1 + n * 0.01, VALUES)) for n in range(1, 100)]
        assert [action for tick in ticks for action in tick] == (
            [] if lets_go else [Send("altimeter", {"altimeter_setting": 29.92}, 1)]
        )


def test_a_button_of_an_older_board_is_never_held_and_that_is_reported(panel: Panel) -> None:
    controls = Controls(panel, OWN)
    not_done, pressed = controls.take(20.0, "left", ButtonPressed(1, 1), VALUES, tells_releases=False)
    assert pressed == Send("gear", {}, 1)
    assert isinstance(not_done, NotDone)
    assert not_done.control == "standard"
    assert "older than 2.3" in not_done.why and "flash it again" in not_done.why
    assert list(controls.tick(29.0, VALUES)) == []


def test_a_button_of_a_board_that_is_lost_is_not_held(panel: Panel) -> None:
    controls = Controls(panel, OWN)
    list(controls.take(1.0, "left", ButtonPressed(1, 1), VALUES))
    lost = StateChanged(State.ABSENT, State.READY, Trigger.SILENT, "no answer")
    assert list(controls.take(1.2, "left", lost, VALUES)) == []
    assert list(controls.tick(9.0, VALUES)) == []


def test_another_boards_knob_of_the_same_number_does_nothing(panel: Panel) -> None:
    assert list(Controls(panel, OWN).take(1.0, "right", KnobTurned(0, 5), VALUES)) == []


def test_commands_are_limited_in_rate_and_the_newest_value_is_sent_last(panel: Panel) -> None:
    queue = CommandQueue(panel.commands)
    sent: list[tuple[float, bytes]] = []
    for tick in range(200):
        if tick < 100:
            queue.add(Send("altimeter", {"altimeter_setting": 28.0 + tick / 100}, 1))
        sent += [(tick / 100, datagram) for _, datagram in queue.due(tick / 100)]
    assert 9 <= len(sent) <= 12
    assert all(b[0] - a[0] >= 0.1 - 1e-9 for a, b in pairwise(sent))
    assert sent[-1][1] == b"setting 28.99\n"


def test_a_press_is_sent_although_nobody_heard_the_one_before(config: Path) -> None:
    """The system answers a datagram that nobody takes at the next one, which it does not send then."""
    address = ("127.0.0.1", free_port(socket.SOCK_DGRAM))
    sender = CommandSender(controlled(config, address[1]).commands, replayed=False)
    with capture_logs() as lines:
        sender.add(Send("gear", {}, 1))
        sender.send_due(1.0)
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as heard:
            heard.bind(address)
            heard.settimeout(PATIENCE_S)
            sender.add(Send("gear", {}, 1))
            sender.send_due(2.0)
            assert heard.recv(100) == b"gear"
    sender.close()
    events = [line["event"] for line in lines]
    assert events == ["command", "command not heard"]
    assert lines[1]["why"] == "nothing listened there when it was last sent"


def test_a_command_that_waits_is_sent_in_its_turn_after_a_reload_unless_it_was_changed(
    config: Path, heard: socket.socket
) -> None:
    panel = controlled(config, heard.getsockname()[1])
    read_again = load_panel(panel.path).commands
    changed = {**read_again, "altimeter": replace(read_again["altimeter"], interval_s=0.05)}
    for after, told in ((read_again, [29.5, 29.6]), (changed, [29.5])):
        sender = CommandSender(panel.commands, replayed=False)
        for value in (29.5, 29.6):
            sender.add(Send("altimeter", {"altimeter_setting": value}, 1))
            sender.send_due(1.0)
        sender.use(after)
        sender.send_due(1.05)  # ten a second at most
        assert [float(datagram.split()[-1]) for datagram in datagrams(heard)] == told[:1]
        sender.send_due(1.11)
        assert [float(datagram.split()[-1]) for datagram in datagrams(heard)] == told[1:]
        sender.close()


def test_counts_that_wait_are_added_and_presses_are_sent_one_by_one(panel: Panel) -> None:
    queue = CommandQueue(panel.commands)
    for _ in range(3):
        queue.add(Send("trim", {}, -2))
        queue.add(Send("gear", {}, 1))
    found = [datagram for tick in range(30) for _, datagram in queue.due(tick / 100)]
    assert found.count(b"gear") == 3
    assert b"TR" + struct.pack("<b", -6) in found


# -- in the service --------------------------------------------------------------------------------


def board_of(service: Service, name: str) -> VirtualBoard:
    link = service.boards[name].link
    assert isinstance(link, VirtualLink)
    return link.board


@on_jumping_clock
async def test_in_flight_a_press_is_sent_a_fixed_reading_stepped_and_a_recording_begun_and_ended(
    config: Path, heard: socket.socket
) -> None:
    service = Service(controlled(config, heard.getsockname()[1]), sources=FixedSources(Steady()))
    run = asyncio.create_task(service.run())
    try:
        await until(lambda: all(s.state is State.READY for s in service.running.sessions.values()))
        board_of(service, "left").press(1)
        board_of(service, "left").release(1)
        board_of(service, "centre").turn_knob(0, 3)
        await until(lambda: service.running.chain.readings.values["magnetic_variation"] == 5.5)
        await asyncio.sleep(1.0)
        assert sorted(datagrams(heard)) == [b"TR\x03", b"gear"]
        panel = service.running.panel
        await service.reload(load_panel(panel.path))
        assert service.running.chain.readings.values["magnetic_variation"] == 5.5
        board_of(service, "centre").press(1)
        await until(lambda: service._by_hand.log is not None)
        log = service._by_hand.log
        assert log is not None
        await until(lambda: log.rows > 20)
        board_of(service, "centre").press(1)
        await until(lambda: service._by_hand.log is None and log.state == "closed")
    finally:
        service.stop()
        await asyncio.wait({run})
    await run
    (file,) = (config / "flights").glob("*.csv")
    rows = list(read_log(file))
    assert len(rows) > 20
    assert rows[0][1]["pressure_altitude"] == 3000.0


@on_jumping_clock
async def test_a_replay_sends_nothing_to_a_simulator(config: Path, heard: socket.socket) -> None:
    panel = controlled(config, heard.getsockname()[1])
    service = Service(panel, sources=FixedSources(Steady()), replayed=True)
    run = asyncio.create_task(service.run())
    try:
        await until(lambda: all(s.state is State.READY for s in service.running.sessions.values()))
        board_of(service, "centre").turn_knob(0, 3)
        await until(lambda: service.running.chain.readings.values["magnetic_variation"] == 5.5)
        await asyncio.sleep(1.0)
    finally:
        service.stop()
        await asyncio.wait({run})
    await run
    assert datagrams(heard) == []


def test_a_record_goes_beside_the_panels_file(panel: Panel, config: Path) -> None:
    (action,) = Controls(panel, OWN).take(1.0, "centre", ButtonPressed(1, 1), VALUES)
    assert action == Record(str(config / "flights"))


TACHOMETER = """
[boards.only.inputs]
0 = { kind = "button", pins = ["D8"] }
[controls.engine]
board = "only"
input = 0
on = "press"
switch = { gauge = "tachometer", quantities = ["engine_speed", "engine_speed_2"] }
"""


def test_a_gauge_whose_description_has_another_unit_since_is_not_switched_back(tmp_path: Path) -> None:
    path = tmp_path / "panel.toml"
    path.write_text(one_gauge("sweep"), encoding="utf-8")
    panel = load_panel(path)
    assert panel.switched({"tachometer": "oil_pressure"}) is panel
    assert panel.switched({"tachometer": "engine_speed_2"}) is not panel


@on_jumping_clock
async def test_a_button_switches_what_a_gauge_shows_and_a_reload_leaves_it(tmp_path: Path) -> None:
    path = tmp_path / "panel.toml"
    path.write_text(one_gauge("sweep") + TACHOMETER, encoding="utf-8")
    readings = {"engine_speed": 1000.0, "engine_speed_2": 2500.0}
    service = Service(load_panel(path), sources=FixedSources(Steady(readings)))
    run = asyncio.create_task(service.run())

    def shown() -> float | None:
        (needle,) = service.running.chain.pointers.values()
        return needle.indication

    try:
        await until(lambda: service.running.sessions["only"].state is State.READY and shown() == 1000.0)
        for wanted in (2500.0, 1000.0, 2500.0):
            board_of(service, "only").press(0)
            await until(lambda wanted=wanted: shown() == wanted)  # type: ignore[misc]
        await service.reload(load_panel(path))
        await until(lambda: (service.running.telemetry.latest_s or 0.0) > Service.clock() - 0.03)
        assert shown() == 2500.0
    finally:
        service.stop()
        await asyncio.wait({run})
    await run
