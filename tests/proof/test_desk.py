"""The desk: a moving needle is not read, a slip of the pen is asked about, the knob is asked for once."""

from __future__ import annotations

from pathlib import Path

import pytest

from bridge.errors import BenchError
from bridge.proof.desk import Desk
from bridge.proof.readers import Reader
from bridge.proof.run import Needle
from bridge.proof.work import Work
from tests.proof.altimeter import KNOB, altimeter

READER = Reader("eye", "Ada, by eye", 1.0)


class Test:
    """A test whose needle follows at once."""

    __test__ = False

    def __init__(self, folder: Path, setting: str = 'source = "telemetry"') -> None:
        panel = altimeter(setting=setting)
        self.work = Work(panel, panel.pointers[0], READER, folder, 1, 1.0)
        self.desk = Desk(self.work, self.work.keep, lambda: "")
        self.time_s = 0.0

    def fly(self, seconds: float, arrived: bool = True) -> None:
        for _ in range(round(seconds / 0.05)):
            self.time_s += 0.05
            self.work.run.tick(self.time_s, Needle(self.work.run.place.fed, arrived))

    def halt(self, why: str) -> None:
        self.time_s += 0.05
        self.work.run.tick(self.time_s, Needle(None, False, hindered=why))

    def until_due(self) -> None:
        for _ in range(100_000):
            if self.work.run.due or self.desk.snapshot().asks == "set":
                return
            self.fly(0.05)
        raise AssertionError("never due")


def test_a_needle_that_moves_is_not_read(tmp_path: Path) -> None:
    test = Test(tmp_path)
    test.fly(100.0, arrived=False)
    assert test.desk.snapshot().asks == "wait"
    with pytest.raises(BenchError, match="not at rest yet"):
        test.desk.read(-1000.0)
    with pytest.raises(BenchError, match="not at rest yet"):
        test.desk.unreadable()
    test.until_due()
    assert test.desk.snapshot().asks == "read"
    test.desk.read(-1004.0)
    assert test.work.run.taken == [-1004.0]


def test_a_reading_far_off_is_taken_when_it_comes_twice_and_can_be_taken_back(tmp_path: Path) -> None:
    test = Test(tmp_path)
    test.until_due()
    with pytest.raises(BenchError, match="-600 is far from what is to be expected"):
        test.desk.read(-600.0)
    with pytest.raises(BenchError, match="-610 is far"):
        test.desk.read(-610.0)
    test.desk.read(-610.0)
    assert test.work.run.taken == [-610.0]
    test.desk.again()
    assert test.work.run.taken == []
    with pytest.raises(BenchError, match="nothing is read yet"):
        test.desk.again()


def test_what_can_not_be_read_leaves_a_gap(tmp_path: Path) -> None:
    test = Test(tmp_path)
    test.until_due()
    test.desk.unreadable()
    test.until_due()
    test.desk.read(-1000.0)
    assert test.work.run.taken == [None, -1000.0]


def test_the_knob_is_asked_for_once_and_for_each_setting_of_its_own_test(tmp_path: Path) -> None:
    test = Test(tmp_path, KNOB)
    asked = []
    while test.work.run.step is not None:
        test.until_due()
        now = test.desk.snapshot()
        if now.asks == "set":
            asked.append(now.setting_inhg)
            test.desk.is_set()
        else:
            step = test.work.run.step
            assert step is not None
            test.desk.read(step.wanted)
    assert asked == [29.92, 28.10, 28.50, 29.00, 29.50, 29.92, 30.50, 30.90, 30.99]
    assert test.work.evaluation.verdict == "pass"
    with pytest.raises(BenchError, match="no setting is asked for"):
        test.desk.is_set()


def test_a_reading_that_is_taken_back_after_a_tap_is_read_from_before_it(tmp_path: Path) -> None:
    test = Test(tmp_path)
    tapped = next(n for n, step in enumerate(test.work.plan.steps) if step.tapped)
    for step in test.work.plan.steps[: tapped + 1]:
        test.until_due()
        test.desk.read(step.wanted)
    test.desk.again()
    assert len(test.work.run.taken) == tapped - 1
    assert test.work.run.step == test.work.plan.steps[tapped - 1]


def test_a_needle_that_is_not_driven_is_not_shown_as_on_its_way(tmp_path: Path) -> None:
    test = Test(tmp_path)
    test.halt("no index mark found")
    assert (test.desk.snapshot().asks, test.desk.snapshot().hindered) == ("wait", "no index mark found")
    test.fly(0.1)
    assert test.desk.snapshot().hindered == ""
