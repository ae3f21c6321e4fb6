"""A gauge read by its index sensor: a passing mark shows where the needle is, whatever the count."""

from __future__ import annotations

import pytest

from bridge.flight.dry_run import DryRun
from bridge.panel.load import Panel
from bridge.proof import virtual
from bridge.proof.evaluation import Evaluation, evaluate
from bridge.proof.plan import make_plan, mark_reading
from bridge.proof.readers import by_index, index_reading, step_of
from bridge.proof.run import ProofRun
from bridge.proof.virtual import fly
from tests.proof.altimeter import altimeter

INDEXED = altimeter(homing='"index", index = { pin = "A0" }')


def read_by_index(panel: Panel, cycles: int = 1) -> tuple[Evaluation, list[float | None]]:
    (pointer,) = panel.pointers
    plan = make_plan(panel, pointer, cycles, 0.2, by_index=True)
    step = step_of(pointer)
    run = ProofRun(plan, [], step, step * pointer.drive.speed_steps_s)

    def look(place_steps: float, falling: bool) -> float | None:
        assert run.step is not None
        if run.passed_steps is None:
            return None
        return index_reading(pointer, run.step.wanted, run.passed_steps, run.step.falling)

    for _ in fly(panel, pointer, run, look):
        pass
    return evaluate(plan, pointer, run.taken, by_index(pointer, True).uncertainty), run.taken


@pytest.mark.slow
def test_every_turn_of_an_honest_gauge_is_seen_from_both_sides() -> None:
    evaluation, taken = read_by_index(INDEXED)
    assert None not in taken
    assert len(taken) == 2 + 2 * 11
    assert evaluation.verdict == "pass"
    assert all(abs(error) <= 0.5 for row in evaluation.rows for error in (*row.target.up, *row.target.down))
    assert [row.target.reading for row in evaluation.rows] == [1000.0 * n for n in range(11)]
    assert {result.test for result in evaluation.results} == {
        "App. E Table I, scale error",
        "scale error, own",
        "App. E Table II, hysteresis",
        "hysteresis (reversal B), own",
        "App. E Table II, after effect",
        "after effect, own",
    }


@pytest.mark.slow
def test_steps_that_were_lost_are_an_error_at_the_next_mark(monkeypatch: pytest.MonkeyPatch) -> None:
    """60 of 4,075.8 steps a turn are 14.7 ft: beyond the builder's 10 ft, within the 35 ft at 4,000 ft."""

    class Losing(DryRun):
        lost = False

        def _tick(self, time_s: float) -> None:
            super()._tick(time_s)
            driven = next(iter(self.running.chain.pointers.values()))
            if not self.lost and (driven.indication or 0.0) > 3500.0:
                self.lost = True
                self.boards["only"].board.channel(0).lose(60)

    monkeypatch.setattr(virtual, "DryRun", Losing)
    evaluation, _ = read_by_index(INDEXED)
    failed = [result for result in evaluation.results if result.verdict == "fail"]
    assert {result.test for result in failed} >= {"scale error, own"}
    worst = next(result.worst for result in failed if result.test == "scale error, own")
    assert worst is not None and worst.at == "4,000 ft rising"
    assert worst.error == pytest.approx(-14.7, abs=0.5)


def test_the_mark_is_read_where_the_board_looks_for_it() -> None:
    assert mark_reading(INDEXED.pointers[0]) == 0.0


def test_a_count_that_has_run_ahead_shows_less() -> None:
    """The mark passes at count 40 although it belongs at 0: the needle is 40 steps behind."""
    (pointer,) = INDEXED.pointers
    assert index_reading(pointer, 0.0, 40.0, False) == pytest.approx(-40 * 1000 / 4075.77, abs=0.01)
    assert index_reading(pointer, 3000.0, 40.0, False) == pytest.approx(3000 - 9.81, abs=0.01)
