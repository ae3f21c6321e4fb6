"""The bench: every mark approached from its side, a crooked linkage made right, in few presses of keys."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import pytest

from bridge.calibration.bench import CalibrationBench, face_marks
from bridge.calibration.draft import CalibrationDraft
from bridge.gauges.curve import Curve
from bridge.gauges.pointer import Pointer
from bridge.panel.load import load_panel
from tests.calibration.crooked import CrookedLinkage
from tests.calibration.test_draft import calibrated
from tests.conftest import ROOT
from tests.gauges.test_pointer import bounded, endless

MARKS = tuple(float(mark) for mark in range(0, 181, 20))


class Robot:
    """Jogs and captures as a person does who sees the needle; counts the keys pressed."""

    def __init__(self, bench: CalibrationBench, linkage: CrookedLinkage) -> None:
        self.bench, self.linkage, self.keys = bench, linkage, 0
        self.position = bench.goal_steps
        bench.choose(0)
        self.go()

    def go(self) -> None:
        """What the motor does: each part of the way to its end."""
        while (goal := self.bench.next_position()) is not None:
            self.position = goal
            self.bench.saw(goal)
            self.linkage.drive_to(self.bench.pointer.drive_deg(goal))

    def calibrate(self) -> None:
        step_deg = self.bench.pointer.drive.angle_deg(1)
        while not self.bench.done:
            off_deg = self.bench.pointer.face(self.bench.reading) - self.linkage.needle_deg
            self.keys += 1
            if abs(off_deg) > 0.6 * step_deg:
                steps = 10 if abs(off_deg) > 7 * step_deg else 1
                self.bench.jog(steps if off_deg > 0 else -steps)
            else:
                self.bench.capture(self.position)
            self.go()


def test_a_crooked_linkage_with_backlash_is_right_within_a_step_in_a_few_keys_a_mark() -> None:
    """An arbor that is 3 degrees out of true and 3 degrees of backlash; 18 captures in all."""
    pointer = bounded()
    linkage = CrookedLinkage(3.0, 3.0, arm_deg=-50.0)
    robot = Robot(at_bench(wide(pointer)), linkage)
    robot.calibrate()
    assert robot.keys <= 5 * 18, "under five minutes, at two seconds a key and the way between"
    made = calibrated(pointer, robot.bench.draft)
    linkage.drive_to(-40.0)
    for falling, readings in ((False, range(5, 181, 5)), (True, range(175, 4, -5))):
        for reading in readings:
            linkage.drive_to(made.drive_deg(round(made.position(reading, falling))))
            assert abs(linkage.needle_deg - pointer.face(reading)) <= pointer.drive.angle_deg(1)


def test_a_needle_that_is_right_and_needs_no_jog_stays_right_and_has_no_backlash() -> None:
    """Each way is rounded to a step; that must not add up from mark to mark."""
    pointer = bounded()
    marks = [19.3 * number for number in range(9)]  # none of them at a whole step
    robot = Robot(at_bench(wide(pointer), marks), CrookedLinkage(0.0, 0.0))
    while not robot.bench.done:
        robot.bench.capture(robot.position)
        robot.go()
    draft = robot.bench.draft
    half_a_step_deg = 0.5 * pointer.drive.angle_deg(1) + 1e-9
    assert all(abs(draft.residual_deg(capture)) <= half_a_step_deg for capture in draft.captures)
    assert set(draft.backlash_deg().values()) == {0.0}


def wide(pointer: Pointer) -> Pointer:
    """The pointer on a motor that reaches beyond both ends of the scale."""
    return replace(pointer, reach_low_steps=-100.0, reach_high_steps=945.0)


def at_bench(
    pointer: Pointer, marks: Sequence[float] = MARKS, position_steps: float = 0.0
) -> CalibrationBench:
    return CalibrationBench(pointer, marks, position_steps, CalibrationDraft(pointer))


def test_every_place_is_come_to_from_the_side_of_its_pass() -> None:
    bench = at_bench(wide(bounded()))
    for falling in (False, True):
        assert bench.falling is falling
        for by in (1.0, -1.0, 10.0, -10.0):
            while (goal := bench.next_position()) is not None:
                bench.saw(goal)
            before = bench.goal_steps
            bench.jog(by)
            way = [before]
            while (goal := bench.next_position()) is not None:
                way.append(goal)
            assert way[-1] == before + by
            assert (way[-1] > way[-2]) is not falling
        bench.turn_round()


def test_undo_goes_back_to_the_mark_of_what_is_taken_back() -> None:
    bench = at_bench(wide(bounded()))
    bench.capture(1.0)
    bench.capture(60.0)
    assert bench.reading == 40.0
    bench.undo()
    assert (bench.reading, bench.falling) == (20.0, False)
    assert len(bench.draft.captures) == 1


def test_a_place_is_taken_up_only_when_it_was_come_to_from_the_side_of_the_pass() -> None:
    """Play of up to 8 degrees (21 steps) may be left after a shorter way; at a motor's stop none is."""
    bench = at_bench(wide(bounded()), position_steps=300.0)
    assert not bench.taken_up, "nobody knows how it came there"
    for steps, is_so in ((310.0, False), (322.0, True), (312.0, False), (320.0, False), (345.0, True)):
        bench.saw(steps)
        assert bench.taken_up is is_so, steps
    bench.turn_round()
    assert not bench.taken_up
    bench.saw(345.0 - 21.0)
    assert bench.taken_up
    bench.turn_round()
    bench.saw(-100.0)
    assert bench.taken_up, "at the stop there is no other side"
    bench.found(300.0)
    assert not bench.taken_up


def test_a_jog_onward_needs_no_second_approach_and_one_that_follows_quickly_neither() -> None:
    bench = at_bench(wide(bounded()))
    bench.go(100.0)
    for _ in range(2):
        goal = bench.next_position()
        assert goal is not None
        bench.saw(goal - 30.0 * bench.moving)
    bench.jog(1)
    assert bench.next_position() == bench.goal_steps
    bench.jog(1)  # before it is there
    assert bench.next_position() == bench.goal_steps
    assert bench.next_position() is None
    bench.jog(-1)
    assert bench.next_position() == bench.goal_steps - 21


def test_between_marks_one_place_on_is_the_next_mark_that_way() -> None:
    bench = at_bench(wide(bounded()))
    from_73 = [(73.0, 1, 80.0), (73.0, -1, 60.0), (73.0, 0, 80.0), (73.0, 2, 100.0)]
    from_mark = [(80.0, 1, 100.0), (80.0, 0, 80.0), (80.0, -1, 60.0)]
    for reading, by, mark in (*from_73, *from_mark, (179.0, 5, 180.0), (3.0, -7, 0.0)):
        bench.go(reading)
        assert bench.reading == reading
        bench.choose(by)
        assert bench.reading == mark


def test_a_capture_of_a_named_reading_counts_there_and_one_between_marks_stays() -> None:
    bench = at_bench(wide(bounded()))
    bench.capture(250.0, 73.0)
    assert (bench.reading, bench.moving) == (73.0, False)
    bench.capture(300.0, 100.0)
    assert bench.reading == 120.0
    assert [capture.reading for capture in bench.draft.captures] == [73.0, 100.0]


def test_captures_stay_on_another_curve_and_what_was_saved_goes() -> None:
    """Residuals are against the curve in force; the drive angles were measured."""
    bench = at_bench(wide(bounded()))
    bench.capture(300.0, 100.0)
    (first,) = saved = bench.draft.captures
    other = replace(wide(bounded()), rising=Curve([(0, 5), (100, 205), (180, 315)]))
    bench.carry_to(other, MARKS, bench.draft.carried_to(other))
    assert bench.draft.captures == saved
    assert bench.draft.residual_deg(first) == pytest.approx(first.drive_deg - 205.0)
    bench.capture(400.0, 120.0)
    bench.draft = bench.draft.without(saved)
    assert [capture.reading for capture in bench.draft.captures] == [120.0]
    assert not bench.draft.can_undo


def test_a_curve_whose_ends_the_motor_does_not_reach_is_named_with_the_end() -> None:
    draft = CalibrationDraft(wide(bounded()))
    draft.capture(100.0, False, bounded().position(100.0) - 103.0)
    (mistake,) = draft.mistakes()
    assert mistake.startswith(
        "from below: 0 kt would be at -39.2 degrees of the drive, beyond what its motor"
    )
    draft.capture(0.0, False, -90.0)
    assert draft.mistakes() == []


def test_a_motor_is_never_sent_beyond_its_own_stops() -> None:
    bench = at_bench(wide(bounded()))
    bench.jog(-5000)
    assert bench.goal_steps == -100.0
    assert bench.next_position() == -100.0


def test_an_endless_pointer_stays_in_the_turn_where_it_is() -> None:
    pointer = endless(1000)
    bench = at_bench(pointer, (0.0, 500.0), 3 * float(pointer.drive.steps_per_turn) + 10)
    bench.choose(0)
    assert abs(bench.goal_steps - 3 * float(pointer.drive.steps_per_turn)) <= 1


@pytest.mark.parametrize(
    ("gauge", "pointer", "marks"),
    [
        ("airspeed", "needle", range(40, 181, 20)),
        ("altimeter", "hundreds", range(0, 1000, 100)),
        ("heading", "card", range(0, 360, 30)),
        ("vertical_speed", "needle", range(-2000, 2001, 500)),
    ],
)
def test_the_marks_are_the_numerals_of_the_face(gauge: str, pointer: str, marks: range) -> None:
    panel = load_panel(ROOT / "config" / "panel.toml")
    made = next(p for p in panel.pointers if (p.gauge, p.name) == (gauge, pointer))
    assert face_marks(panel, made) == tuple(marks)
