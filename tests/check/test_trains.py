from __future__ import annotations

import itertools
from fractions import Fraction

from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.check.trains import find_trains

_SIZES = st.sets(st.integers(6, 60), min_size=2, max_size=7)


def _reachable(sizes: set[int], stages: int) -> set[Fraction]:
    """Every ratio of exactly so many meshes, by trying all of them."""
    meshes = [Fraction(a, b) for a, b in itertools.permutations(sizes, 2)]
    found = {Fraction(1)}
    for _ in range(stages):
        found = {ratio * mesh for ratio in found for mesh in meshes}
    return found


@settings(max_examples=60, deadline=None)
@given(_SIZES, st.data())
def test_a_ratio_that_two_pairs_make_is_found_exactly(sizes: set[int], data: st.DataObject) -> None:
    ratio = data.draw(st.sampled_from(sorted(_reachable(sizes, 2))))
    trains = find_trains(ratio, sizes)
    assert trains
    for train in trains:
        product = Fraction(1)
        for wheel, pinion in train.stages:
            assert {wheel, pinion} <= sizes
            product *= Fraction(wheel, pinion)
        assert product == ratio


@settings(max_examples=40, deadline=None)
@given(st.sets(st.integers(6, 30), min_size=2, max_size=4), st.fractions(1, 20, max_denominator=5))
def test_nothing_is_found_only_where_nothing_can_be(sizes: set[int], ratio: Fraction) -> None:
    possible = any(ratio in _reachable(sizes, stages) for stages in (1, 2, 3))
    assert bool(find_trains(ratio, sizes)) == possible


def test_ten_to_one_on_one_axis_comes_first() -> None:
    trains = find_trains(Fraction(10), [10, 12, 15, 20, 24, 30, 36, 48, 60])
    assert str(trains[0]) == "60/12 x 48/24 (one axis)"
    assert 60 + 12 == 48 + 24  # the same distance between axes, by one module
    assert trains[0].same_way


def test_a_single_pair_turns_the_other_way_and_comes_after() -> None:
    trains = find_trains(Fraction(3), [10, 15, 20, 30])
    assert [len(train.stages) for train in trains] == sorted((len(t.stages) for t in trains), reverse=True)
    assert not find_trains(Fraction(3), [10, 30])[0].same_way


def test_three_pairs_are_tried_where_two_do_not_do() -> None:
    # 27 from 10 and 30 alone: three times three times three.
    assert [train.stages for train in find_trains(Fraction(27), [10, 30])] == [((30, 10), (30, 10), (30, 10))]


def test_a_prime_that_no_wheel_has_makes_a_ratio_impossible() -> None:
    assert find_trains(Fraction(7), [8, 10, 12, 16, 20, 24, 30, 36, 48, 60]) == []
