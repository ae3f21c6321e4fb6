"""What is captured at the bench, and what of it is refused."""

from __future__ import annotations

import pytest

from bridge.boards.messages import FrameType
from bridge.calibration.bench import APPROACH_DEG
from bridge.errors import BenchError
from tests.flight.bench.rig import ME, NEEDLE, TICK_S, Rig, taken


def test_a_capture_counts_only_where_the_needle_came_from_the_right_side_and_is_at_rest(rig: Rig) -> None:
    bench = taken(rig).benches.at("airspeed", ME)
    with pytest.raises(BenchError, match="has not come from below yet"):
        bench.capture()
    with pytest.raises(BenchError, match="still moves"):
        bench.capture()
    rig.settle(ME)
    needle = rig.driven(NEEDLE)
    assert needle.position == round(needle.pointer.position(40.0)), "sent nowhere, it goes to the first mark"
    bench.turn(-1, True, rig.time_s)
    rig.settle(ME)
    here = needle.position
    with pytest.raises(BenchError, match="has not come from below yet"):
        bench.capture(40.0)
    rig.settle(ME)
    assert needle.position == here, "turned by hand, it comes to the same place again"
    bench.capture(40.0)
    assert [(c.reading, c.falling) for c in bench.draft.captures] == [(40.0, False)]
    assert bench.snapshot().mark == 60.0


def test_a_needle_whose_board_hears_nothing_for_a_moment_comes_all_the_way_round_all_the_same(
    rig: Rig, monkeypatch: pytest.MonkeyPatch
) -> None:
    """On its way back to the place short of the mark the board misses 0.3 s of MOVE frames: it turns round
    there, not where the host had it turn."""
    bench = taken(rig).benches.at("airspeed", ME)
    bench.go(100.0)
    rig.settle(ME)
    board = rig.board(bench.pointer.board)
    places, ends_s, receive = [rig.place(NEEDLE)], rig.time_s + 0.3, board.receive

    def missing(time_s: float, payload: bytes) -> list[bytes]:
        return [] if payload[1] == FrameType.MOVE and time_s < ends_s else receive(time_s, payload)

    monkeypatch.setattr(board, "receive", missing)
    goal_steps = rig.place(NEEDLE)
    bench.go(100.0)  # the same again: back, and on to it
    while not places[1:] or bench.moving:
        rig.fly(TICK_S, ME)
        places.append(rig.place(NEEDLE))
    assert places[-1] == pytest.approx(goal_steps, abs=1.0)
    assert min(places) == pytest.approx(goal_steps - bench.pointer.drive.steps(APPROACH_DEG), abs=1.0)


def test_a_needle_never_runs_over_the_place_it_was_sent_to_whatever_frames_are_late(rig: Rig) -> None:
    """A host without a core for 60 ms, anywhere on the way. Come back from beyond the mark, the needle would
    be on the wrong side of its play: the eye sees it on the mark, and what is captured is off by the play."""
    bench = taken(rig).benches.at("airspeed", ME)
    bench.go(100.0)
    rig.settle(ME)
    goal_steps = rig.place(NEEDLE)
    for late_after in range(1, 60):
        bench.go(100.0)  # the same again: back, and on to it
        places: list[float] = []
        while not places or bench.moving:
            rig.fly(TICK_S, ME)
            places.append(rig.place(NEEDLE))
            if len(places) == late_after:
                rig.ticks += 6
        assert max(places) < goal_steps + 0.5, f"held up after {late_after} ticks"
        assert min(places) > goal_steps - bench.pointer.drive.steps(APPROACH_DEG) - 1.0
        assert places[-1] == pytest.approx(goal_steps, abs=1.0)


def test_a_knob_turned_far_enough_from_the_right_side_needs_no_second_approach(rig: Rig) -> None:
    bench = taken(rig).benches.at("airspeed", ME)
    bench.go(60.0)
    rig.settle(ME)
    bench.other_side()
    rig.settle(ME)
    for _ in range(3):
        bench.turn(-1, True, rig.time_s)
        rig.fly(0.2, ME)
    rig.settle(ME)
    bench.capture(40.0)
    assert [(c.reading, c.falling) for c in bench.draft.captures] == [(40.0, True)]


def test_an_undo_without_a_capture_and_a_save_of_nothing_are_refused_in_words(rig: Rig) -> None:
    bench = taken(rig).benches.at("airspeed", ME)
    with pytest.raises(BenchError, match="there is no capture to take back"):
        bench.undo()
    with pytest.raises(BenchError, match=r"airspeed.needle: nothing is captured yet"):
        bench.saving()


def test_a_curve_that_turns_back_or_leaves_the_motors_reach_is_not_saved(rig: Rig) -> None:
    bench = taken(rig).benches.at("airspeed", ME)
    bench.go(100.0)
    rig.settle(ME)
    bench.capture(160.0)
    rig.settle(ME)
    assert any("beyond what its motor reaches" in mistake for mistake in bench.snapshot().mistakes)
    with pytest.raises(BenchError, match=r"not saved: .*0 kt would be at -1.*Capture that mark, too"):
        bench.saving()
    bench.go(160.0)
    rig.settle(ME)
    bench.jog(60, "step")
    rig.settle(ME)
    bench.capture(80.0)
    with pytest.raises(BenchError, match=r"not saved: from below: angle.*Capture that mark again, or undo"):
        bench.saving()
