"""Brightness to the eye as a share of the light."""

from __future__ import annotations

from itertools import pairwise

import pytest

from bridge.boards.lightness import level, luminance


@pytest.mark.parametrize(
    ("lightness", "share"),
    [
        # CIE 15, L* of Y/Yn, values of its formula as colour tables have them, from memory
        (0.0, 0.0),
        (0.08, 0.008856),
        (0.10, 0.011260),
        (0.20, 0.029891),
        (0.50, 0.184187),
        (0.75, 0.482781),
        (1.0, 1.0),
    ],
)
def test_lightness_is_that_of_the_cie(lightness: float, share: float) -> None:
    assert luminance(lightness) == pytest.approx(share, abs=1e-6)


def test_the_line_near_black_joins_the_curve_and_every_step_is_one() -> None:
    assert luminance(0.0800001) == pytest.approx(luminance(0.08), rel=1e-4)
    levels = [level(step / 1000) for step in range(1001)]
    assert levels[0] == 0 and levels[-1] == 65_535
    assert all(before < after for before, after in pairwise(levels))


def test_what_is_beyond_dark_and_full_is_the_nearer_of_the_two() -> None:
    assert (level(-0.1), level(1.5)) == (0, 65_535)
