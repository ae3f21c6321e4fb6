"""Gear trains: exact ratios, and the search for wheels at hand that make one."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction

Stage = tuple[int, int]
"""Teeth of the wheel and of the pinion that drives it: the pinion turns wheel / pinion times."""

MOST_STAGES = 3


def train_value(gears: Iterable[Fraction]) -> Fraction:
    """Turns of the first shaft for one turn of the last: the product of driven over driving teeth.

    Source: train value, any machine design text (Shigley's, ch. 13; Machinery's Handbook).
    """
    return math.prod(gears, start=Fraction(1))


@dataclass(frozen=True, slots=True, order=True)
class Train:
    """Stages that make a ratio exactly. Ordered by what is easiest to build."""

    awkward: tuple[int, int, int]
    """How many of wrong sense and other axis it has, its stages, its teeth in all; compared in that order."""
    stages: tuple[Stage, ...]

    @property
    def ratio(self) -> Fraction:
        """Turns of the first shaft for one turn of the last."""
        return train_value(Fraction(wheel, pinion) for wheel, pinion in self.stages)

    @property
    def concentric(self) -> bool:
        """Whether it leads back to its own axis with one module (a reverted train): equal tooth sums."""
        return len(self.stages) == 2 and len({sum(stage) for stage in self.stages}) == 1

    @property
    def same_way(self) -> bool:
        """Whether the last shaft turns the same way as the first: an even number of outside meshes."""
        return len(self.stages) % 2 == 0

    def __str__(self) -> str:
        text = " x ".join(f"{wheel}/{pinion}" for wheel, pinion in self.stages)
        return f"{text} (one axis)" if self.concentric else text


def find_trains(ratio: Fraction, teeth: Iterable[int], most: int = 5) -> list[Train]:
    """The simplest trains of up to three stages with exactly this ratio, easiest first.

    `teeth` are sizes at hand; a train may use a size more than once, but no mesh is of equal wheels.
    Trains that turn the pointer the same way and lead back to their own axis come first, as the
    pointers of one gauge share one axis; then fewer wheels, then fewer teeth.
    """
    sizes = sorted(set(teeth))
    meshes: dict[Fraction, list[Stage]] = {}
    for wheel in sizes:
        for pinion in sizes:
            if wheel != pinion:
                meshes.setdefault(Fraction(wheel, pinion), []).append((wheel, pinion))
    found: set[tuple[Stage, ...]] = set()
    for stages in range(1, MOST_STAGES + 1):
        if stages < MOST_STAGES or not found:
            found.update(_of_stages(ratio, meshes, stages, max(meshes, default=ratio)))
    return sorted(_train(stages) for stages in found)[:most]


def _of_stages(
    ratio: Fraction, meshes: dict[Fraction, list[Stage]], stages: int, limit: Fraction
) -> Iterable[tuple[Stage, ...]]:
    """Trains of so many stages, none of a higher ratio than `limit`: so each comes up in one order only."""
    if stages == 1:
        if ratio <= limit:
            yield from ((stage,) for stage in meshes.get(ratio, []))
        return
    for first, choices in meshes.items():
        if first <= limit:
            for rest in _of_stages(ratio / first, meshes, stages - 1, first):
                for stage in choices:
                    yield tuple(sorted((stage, *rest), reverse=True))


def _train(stages: tuple[Stage, ...]) -> Train:
    bare = Train((0, 0, 0), stages)
    away = int(not bare.same_way) + int(not bare.concentric)
    return Train((away, len(stages), sum(map(sum, stages))), stages)
