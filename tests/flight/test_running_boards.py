"""The running panel with boards that answer: where a pointer's path starts, and starts again."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from random import Random

import pytest

from bridge.boards import codec, messages
from bridge.boards.notices import PositionNeeded
from bridge.boards.pointer_channel import Phase
from bridge.boards.runner import InstantBoard
from bridge.boards.virtual.board import VirtualBoard
from bridge.flight.chain import homes
from bridge.flight.dry_run import virtual_board
from bridge.flight.notices import BoardReported, PanelNotice, PositionAdopted, PositionUnknown
from bridge.flight.running_panel import RunningPanel
from bridge.panel.load import load_panel
from tests.flight.one_gauge import one_gauge

TICK_S = 0.01


class Liar(VirtualBoard):
    """Reports, now and then, any state and position, and events that did not happen."""

    random: Random | None = None

    def _status(self) -> messages.Status:
        status = super()._status()
        if self.random is None or self.random.random() < 0.5:
            return status
        positions = (0, 405, 809, -1, 2000, -5000, 2**30, 2**31 - 1, -(2**31))
        kind = self.random.choice(list(messages.EventKind))
        self._event(kind, self.random.choice(positions), source=self.random.choice((0, 0, 1, 255)))
        row = messages.ChannelStatus(
            self.random.choice((0, 1, 2, 2, 3, 4, 5, 6, 255)), self.random.choice(positions), 0
        )
        return replace(status, channels=(row,))


class Flight:
    """One pointer on one virtual board, on a clock of the test's own."""

    def __init__(self, folder: Path, homing: str, confirmed_steps: float | None = None) -> None:
        path = folder / "panel.toml"
        path.write_text(one_gauge(homing))
        panel = load_panel(path)
        confirmed = {} if confirmed_steps is None else dict.fromkeys(homes(panel), confirmed_steps)
        self.running = RunningPanel(panel, frozenset({"engine_speed"}), confirmed)
        self.session = self.running.sessions["only"]
        honest = virtual_board(panel, "only")
        self.liar = Liar(honest.described, honest.board_id, honest.watchdog_ms)
        self.board = InstantBoard(self.session, self.liar)
        self.pointer = self.running.chain.pointers["only", 0]
        self.notices: list[PanelNotice] = []
        self.time_s = 0.0
        self.board.start(0.0)

    def phase(self) -> Phase:
        return self.session.channels[0].phase

    def run(self, seconds_s: float, rpm: float | None = None) -> None:
        for _ in range(round(seconds_s / TICK_S)):
            self.time_s += TICK_S
            if rpm is not None:
                self.running.feed(self.time_s, {"engine_speed": rpm})
            for _, positions, velocities in self.running.tick(self.time_s):
                self.board.move(self.time_s, positions, velocities)
            self.notices += self.running.take_notices()


def test_a_board_that_starts_again_between_two_ticks_has_its_position_taken_again(tmp_path: Path) -> None:
    flight = Flight(tmp_path, "sweep")
    flight.run(20.0, 1500.0)
    assert flight.pointer.position == pytest.approx(405, abs=1)
    session, board = flight.session, flight.board.board
    # Another host moved it, and all of that is heard between two ticks.
    introduction = messages.Introduction(board.board_id, 1, 0, 500, (board.described[0].limits,))
    session.receive(flight.time_s, codec.encode(introduction, 0))
    for payload in session.outgoing(flight.time_s):
        sequence, message = codec.decode(payload)
        assert message == messages.Query()
        row = messages.ChannelStatus(messages.ChannelState.READY, 120, 0)
        session.receive(flight.time_s, codec.encode(messages.Status(0, 0, 0, 0, 0, (row,)), sequence))
    assert session.channels[0].phase is Phase.READY
    ((_, (position,), _),) = flight.running.tick(flight.time_s)
    assert position == 120, "the path starts where the board reports the pointer"


def test_a_confirmed_position_is_adopted_once_and_never_again(tmp_path: Path) -> None:
    flight = Flight(tmp_path, "last", confirmed_steps=30.0)
    flight.run(5.0, 1500.0)
    assert PositionAdopted("only", 0, 30) in flight.notices
    assert flight.board.board.channel(0).status.position == pytest.approx(405, abs=1)
    flight.notices.clear()
    for payload in flight.board.board.reset(flight.time_s):
        flight.session.receive(flight.time_s, payload)
    flight.run(1.0, 1500.0)
    assert PositionUnknown("only", 0, "") in flight.notices
    assert flight.phase() is Phase.WAITING


def test_a_confirmed_position_that_was_not_needed_at_the_start_is_not_used_later(tmp_path: Path) -> None:
    """The board still knew its position; hours later it is reset, and the needle is somewhere else."""
    first = Flight(tmp_path, "last", confirmed_steps=0.0)
    first.run(5.0, 1500.0)
    later = Flight(tmp_path, "last", confirmed_steps=405.0)
    later.board.board = first.board.board
    later.time_s = first.time_s
    later.session.link_lost("the host starts again")
    later.session.link_opened(later.time_s)
    later.run(5.0, 600.0)
    assert later.phase() is Phase.READY
    assert not [notice for notice in later.notices if isinstance(notice, PositionAdopted)]
    for payload in later.board.board.reset(later.time_s):
        later.session.receive(later.time_s, payload)
    later.run(1.0, 600.0)
    assert later.phase() is Phase.WAITING
    assert not [notice for notice in later.notices if isinstance(notice, PositionAdopted)]


def test_a_confirmed_position_that_can_not_be_is_unknown_and_states_why(tmp_path: Path) -> None:
    flight = Flight(tmp_path, "last", confirmed_steps=1e12)
    flight.run(1.0, 1500.0)
    (unknown,) = [notice for notice in flight.notices if isinstance(notice, PositionUnknown)]
    assert "can't be at 1000000000000 steps: outside" in unknown.why
    assert BoardReported("only", PositionNeeded(0)) in flight.notices
    assert flight.phase() is Phase.WAITING


@pytest.mark.parametrize("homing", ["sweep", "last"])
@pytest.mark.parametrize("seed", range(10))
def test_whatever_a_board_reports_its_pointer_is_never_sent_outside_its_travel(
    tmp_path: Path, homing: str, seed: int
) -> None:
    flight = Flight(tmp_path, homing, confirmed_steps=0.0)
    flight.run(10.0, 1500.0)
    assert flight.phase() is Phase.READY
    pointer = flight.pointer.pointer
    assert pointer.low_steps is not None
    assert pointer.high_steps is not None
    braking = 900**2 / (2 * 6000) + 2  # how far past a stop a report is believed
    flight.liar.random = Random(seed)
    for _ in range(500):
        flight.run(0.02, 2000.0)
        if flight.session.move(flight.time_s, [0.0], [0.0]):  # it is driven
            assert pointer.low_steps - braking <= flight.pointer.position <= pointer.high_steps + braking
    flight.liar.random = None
    flight.run(1.0, 2000.0)
    if flight.phase() is Phase.FAULTED:
        flight.session.home(0)
    if flight.phase() is Phase.WAITING:
        flight.session.adopt(0, round(flight.liar.channel(0).place))
    flight.run(20.0, 2000.0)
    assert flight.phase() is Phase.READY
    assert flight.liar.channel(0).place == pytest.approx(540, abs=2)
