"""Verdicts: the uncertainty of reading is in them."""

from __future__ import annotations

import pytest

from bridge.proof.evaluation import Check, Evaluation, evaluate
from bridge.proof.plan import make_plan
from tests.proof.altimeter import altimeter


@pytest.mark.parametrize(
    ("error", "uncertainty", "verdict"),
    [
        (15.0, 4.0, "pass"),
        (-15.0, 4.0, "pass"),
        (16.1, 4.0, "undecided"),
        (23.9, 4.0, "undecided"),
        (24.1, 4.0, "fail"),
        (-24.1, 4.0, "fail"),
        (0.0, 5.0, "pass"),
        (0.0, 5.1, "proves nothing"),
        (500.0, 5.1, "proves nothing"),
    ],
)
def test_a_limit_of_20_with_readings_of_this_uncertainty(
    error: float, uncertainty: float, verdict: str
) -> None:
    assert Check("there", error, 20.0, uncertainty).verdict == verdict


def judged(uncertainty: float, off: float = 0.0) -> Evaluation:
    """An altimeter that was read right, or off by this, at every place."""
    panel = altimeter()
    (pointer,) = panel.pointers
    plan = make_plan(panel, pointer, 1, 1.0)
    return evaluate(plan, pointer, [step.wanted + off for step in plan.steps], uncertainty)


def test_a_face_that_is_read_to_half_of_20_ft_proves_nothing_of_20_ft() -> None:
    verdicts = {result.test: result.verdict for result in judged(10.0).results}
    assert verdicts["App. E Table I, scale error"] == "proves nothing"
    assert verdicts["scale error, own"] == "proves nothing"
    assert verdicts["App. E Table II, hysteresis"] == "pass"  # 14 ft of 75
    assert verdicts["App. E Table II, after effect"] == "proves nothing"  # 14 ft of 30
    assert judged(10.0).verdict == "proves nothing"


def test_a_finer_reading_proves_more() -> None:
    verdicts = {result.test: result.verdict for result in judged(2.0).results}
    assert verdicts["App. E Table I, scale error"] == "pass"
    assert verdicts["hysteresis (reversal B), own"] == "proves nothing"  # two readings: 2.8 ft of 10
    assert judged(1.0).verdict == "pass"


def test_an_error_that_is_as_near_to_its_limit_as_the_reading_can_tell_is_undecided() -> None:
    verdicts = {result.test: result.verdict for result in judged(1.0, 9.5).results}
    assert verdicts["scale error, own"] == "undecided"
    assert verdicts["after effect, own"] == "pass"


def test_a_reading_in_another_turn_of_the_pointer_is_the_same_place() -> None:
    """Who types what the hundreds pointer shows, 20, means 3,020 where that is the nearest."""
    panel = altimeter()
    (pointer,) = panel.pointers
    plan = make_plan(panel, pointer, 1, 1.0)
    evaluation = evaluate(plan, pointer, [(step.wanted + 4.0) % 1000.0 for step in plan.steps], 1.0)
    risen = [row.target.up for row in evaluation.rows if row.target.up]
    assert len(risen) > 10 and all(up == pytest.approx((4.0,)) for up in risen)


def test_what_is_not_read_is_not_judged() -> None:
    panel = altimeter()
    (pointer,) = panel.pointers
    plan = make_plan(panel, pointer, 1, 1.0)
    nothing = evaluate(plan, pointer, [], 1.0)
    assert {result.verdict for result in nothing.results} == {"not done"}
    some = evaluate(plan, pointer, [step.wanted if n % 2 else None for n, step in enumerate(plan.steps)], 1.0)
    (scale,) = (result for result in some.results if result.test == "scale error, own")
    assert len(scale.checks) == 8
    assert "could not be read: 0 ft rising, pass 1" in some.unread
    assert "could not be read: the setting 28.10 inHg" in some.unread
    assert "could not be read: -1,000 ft rising, before" in some.unread


def test_a_test_that_is_not_at_its_end_has_not_passed_but_may_have_failed() -> None:
    panel = altimeter()
    (pointer,) = panel.pointers
    plan = make_plan(panel, pointer, 2, 1.0)
    for off, verdict in ((0.0, "not done"), (15.0, "fail")):
        taken = [step.wanted + off for step in plan.steps[:12]]
        evaluation = evaluate(plan, pointer, taken, 1.0)
        (scale,) = (result for result in evaluation.results if result.test == "scale error, own")
        assert scale.verdict == verdict
        assert (scale.remark == "passes so far, in 11 places") is (verdict == "not done")
        assert evaluation.verdict == verdict
    through = next(n for n, step in enumerate(plan.steps) if step.purpose == "after")
    evaluation = evaluate(plan, pointer, [step.wanted for step in plan.steps[:through]], 1.0)
    (scale,) = (result for result in evaluation.results if result.test == "scale error, own")
    assert scale.verdict == "pass"
