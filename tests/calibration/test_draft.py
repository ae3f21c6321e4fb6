"""Captured points: what they make of a straight curve, a shifted needle, a crooked linkage with backlash."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.calibration.draft import CalibrationDraft
from bridge.errors import OutOfRangeError
from bridge.gauges.curve import Curve
from bridge.gauges.pointer import Pointer
from tests.calibration.crooked import CrookedLinkage
from tests.gauges.test_pointer import bounded, endless

MARKS_KT = tuple(range(0, 181, 20))


def captured(pointer: Pointer, linkage: CrookedLinkage, both_ways: bool = True) -> CalibrationDraft:
    """A draft whose captures cover every mark, as an exact eye would take them."""
    draft = CalibrationDraft(pointer)
    for falling in (False, True)[: 1 + both_ways]:
        for mark in MARKS_KT:
            drive_deg = linkage.drive_for(pointer.face(mark), falling)
            steps = pointer.drive.steps(drive_deg - pointer.home_deg) + pointer.drive.zero_steps
            draft.capture(mark, falling, steps)
    return draft


def calibrated(pointer: Pointer, draft: CalibrationDraft) -> Pointer:
    points = draft.points()
    rising = Curve([(reading, drive) for reading, _, drive in points.points], pointer.face.period)
    falling = Curve(points.falling, pointer.face.period) if points.falling else rising
    return replace(pointer, rising=rising, falling=falling, low_steps=None, high_steps=None)


def test_without_a_capture_the_points_are_those_in_force() -> None:
    pointer = bounded()
    points = CalibrationDraft(pointer).points()
    assert [(reading, drive) for reading, _, drive in points.points] == pointer.rising.points
    assert points.falling == ()


def test_one_capture_shifts_the_whole_curve() -> None:
    pointer = bounded()
    draft = CalibrationDraft(pointer)
    draft.capture(100, False, pointer.drive.steps(203.5))
    assert [drive for _, _, drive in draft.points().points] == pytest.approx([3.5, 203.5, 313.5], abs=0.001)
    assert draft.residual_deg(draft.captures[0]) == pytest.approx(3.5, abs=1e-6)


@given(st.floats(-4, 4), st.floats(0, 5))
def test_a_crooked_linkage_with_backlash_ends_within_one_step_both_ways(
    eccentric_deg: float, backlash_deg: float
) -> None:
    step_deg = 360 / 945
    pointer = bounded()
    made = calibrated(pointer, captured(pointer, CrookedLinkage(eccentric_deg, backlash_deg)))
    linkage = CrookedLinkage(eccentric_deg, backlash_deg, arm_deg=-100.0)
    for falling, marks in ((False, range(5, 181, 5)), (True, range(175, 4, -5))):
        for reading in marks:
            linkage.drive_to(made.drive_deg(round(made.position(reading, falling))))
            assert abs(linkage.needle_deg - pointer.face(reading)) <= step_deg


def test_where_marks_are_too_far_apart_a_capture_between_them_is_suggested_and_makes_it_right() -> None:
    """An arbor 4 degrees out of true, marks some 100 degrees apart: the chord of a sine is off by up to
    4 (1 - cos 50°) = 1.4 degrees half-way (geometry), four steps; at half the distance by a fourth of it."""
    pointer, linkage = bounded(), CrookedLinkage(4.0, 2.0, arm_deg=-100.0)
    step_deg = pointer.drive.angle_deg(1)
    draft = CalibrationDraft(pointer)

    def capture(reading: float, falling: bool) -> None:
        drive_deg = linkage.drive_for(pointer.face(reading), falling)
        draft.capture(reading, falling, pointer.drive.steps(drive_deg - pointer.home_deg))

    def worst_steps(readings: range) -> float:
        made = calibrated(pointer, draft)
        off = [
            abs(
                linkage.drive_for(pointer.face(reading), falling)
                - made.drive_deg(made.position(reading, falling))
            )
            for falling in (False, True)
            for reading in readings
        ]
        return max(off) / step_deg

    def sides_and_middles() -> set[tuple[str, str]]:
        words = [text.split() for text in draft.suggestions()]
        return {(line[1].rstrip(":"), line[line.index("Drive") + 2]) for line in words}

    for falling in (False, True):
        for mark in (0.0, 60.0, 120.0, 180.0):
            capture(mark, falling)
    between = range(5, 180, 10)
    assert worst_steps(range(0, 181, 60)) < 0.1, "right on its marks"
    assert worst_steps(between) > 1.5, "and not between them"
    assert sides_and_middles() == {(s, m) for s in ("below", "above") for m in ("30", "90", "150")}
    while suggested := sides_and_middles():
        assert len(draft.captures) < 40
        for side, middle in suggested:
            capture(float(middle), side == "above")
    assert worst_steps(between) <= 1.0


def test_backlash_is_measured_where_a_mark_was_captured_both_ways() -> None:
    pointer = bounded()
    draft = captured(pointer, CrookedLinkage(1.0, 3.0))
    assert draft.backlash_deg() == {mark: pytest.approx(3.0, abs=1e-5) for mark in MARKS_KT}
    assert captured(pointer, CrookedLinkage(1.0, 3.0), both_ways=False).backlash_deg() == {}


def test_captures_from_below_alone_keep_the_backlash_that_was_known() -> None:
    falling = Curve([(0, -2), (100, 198), (180, 308)])
    draft = CalibrationDraft(bounded(falling))
    draft.capture(100, False, bounded().drive.steps(201.0))
    points = draft.points()
    assert [angle for _, angle in points.falling] == pytest.approx([-1, 199, 309], abs=0.001)


def test_an_endless_pointers_curve_still_closes_after_a_turn() -> None:
    pointer = endless(1000)
    draft = CalibrationDraft(pointer)
    for reading, off_deg, turns in ((0, 0.5, 3), (250, -0.7, -2), (1500, 0.4, 0)):
        steps = pointer.drive.steps(pointer.rising(reading % 1000) + off_deg + 360 * turns)
        draft.capture(reading, False, steps)
    assert draft.mistakes() == []
    drives = {reading: drive for reading, _, drive in draft.points().points}
    assert drives == pytest.approx({0: 0.5, 250: 89.3, 500: 180.4, 1000: 360.5}, abs=0.001)


def test_undo_takes_the_last_capture_back_and_nothing_more() -> None:
    draft = CalibrationDraft(bounded())
    draft.undo()
    draft.capture(20, False, 100)
    first = draft.captures
    draft.capture(20, False, 140)
    assert len(draft.captures) == 1
    draft.undo()
    assert draft.captures == first
    draft.undo()
    assert not draft.captures
    assert not draft.can_undo


def test_a_curve_that_turns_back_is_named_with_its_mark() -> None:
    draft = CalibrationDraft(bounded())
    draft.capture(20, False, bounded().drive.steps(150))
    draft.capture(40, False, bounded().drive.steps(60))
    (mistake,) = draft.mistakes()
    assert mistake.startswith("from below: angle") and "40" in mistake and "undo" in mistake


def test_a_reading_off_the_scale_is_refused_in_words() -> None:
    draft = CalibrationDraft(bounded())
    with pytest.raises(OutOfRangeError, match=r"found a reading of 200 kt; expected 0 to 180 kt"):
        draft.capture(200, False, 0)
    assert not draft.captures
