"""Reversal, repeatability and accuracy, against figures computed from a published set of raw positions."""

from __future__ import annotations

import pytest

from bridge.proof.metrology import Target, accuracy
from tests.published import rows


def published() -> list[Target]:
    """The axis of tests/data/up-and-down-positions.csv, which names its source."""
    read = {
        (target, up): [x - target for x in positions]
        for target, up, *positions in rows("up-and-down-positions.csv")
    }
    return [Target(target, tuple(read[target, 1]), tuple(read[target, 0])) for target, up in read if up]


def test_every_figure_follows_the_definitions_of_iso_230_2() -> None:
    """Values: ISO 230-2 definitions applied to the report's raw positions, in mm, to 0.00001."""
    found = accuracy(published())
    reversals = [target.reversal for target in published()]
    assert reversals == pytest.approx([-0.00195, 0.00456, 0.00294, -0.00114, -0.00094], abs=6e-6)
    assert found.reversal == pytest.approx(0.00456, abs=6e-6)
    assert found.mean_reversal == pytest.approx(0.00070, abs=6e-6)
    assert found.repeatability_up == pytest.approx(0.00750, abs=6e-6)
    assert found.repeatability_down == pytest.approx(0.00388, abs=6e-6)
    assert found.repeatability == pytest.approx(0.00835, abs=6e-6)
    assert found.systematic_up == pytest.approx(0.01505, abs=6e-6)
    assert found.systematic_down == pytest.approx(0.01485, abs=6e-6)
    assert found.systematic == pytest.approx(0.01599, abs=6e-6)
    assert found.mean_range == pytest.approx(0.01495, abs=6e-6)
    assert found.accuracy_up == pytest.approx(0.01807, abs=6e-6)
    assert found.accuracy_down == pytest.approx(0.01654, abs=6e-6)
    assert found.accuracy == pytest.approx(0.01857, abs=6e-6)


def test_a_repeatability_or_deviation_of_one_direction_alone_is_not_taken_for_that_of_both() -> None:
    """The report prints R 0.0075 and E 0.01485: the larger of two one-way figures, and a one-way range."""
    found = accuracy(published())
    assert found.repeatability is not None and found.repeatability > 0.0080
    assert found.systematic is not None and found.systematic > 0.0155


def test_what_too_few_approaches_can_not_tell_is_not_reported() -> None:
    once = accuracy([Target(10.0, (0.1,), (0.3,)), Target(20.0, (0.2,), ())])
    assert once.reversal == pytest.approx(0.2)
    assert once.systematic == pytest.approx(0.2)
    assert once.repeatability is None and once.accuracy is None
    one_way = accuracy([Target(10.0, (0.1, 0.2), ()), Target(20.0, (0.2, 0.3), ())])
    assert one_way.reversal is None and one_way.systematic is None
    assert one_way.systematic_up == pytest.approx(0.1)
