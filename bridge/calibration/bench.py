"""The bench: takes a pointer from mark to mark, from below and then from above. Pure.

The needle has to come to each mark from the side whose curve is measured, or backlash would get into it.
So the bench drives to a mark by way of a place short of it, and a jog against the direction of approach
goes back beyond that place first. What is captured corrects the way to the marks that follow, so that after
the first few marks a jog or two is left for each.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import ceil, floor

from bridge.calibration.draft import CalibrationDraft
from bridge.gauges.pointer import Pointer
from bridge.panel.load import Panel

APPROACH_DEG = 8.0
"""How far short of a mark the approach begins: more than any backlash that one would keep."""
_FEWEST_MARKS, _MOST_MARKS = 3, 24


def face_marks(panel: Panel, pointer: Pointer) -> tuple[float, ...]:
    """The readings to calibrate at, rising: the face's numerals, else major marks, else the points."""
    gauge = panel.description.gauges[pointer.gauge]
    card = gauge.face.cards.get(pointer.name)
    first = next(iter(gauge.pointers))
    for own, sheet in ((pointer.name, card), (first, gauge.face)):
        for scale in sheet.scales if sheet else ():
            if scale.unit is not None or (scale.pointer or own) != pointer.name:
                continue
            for step in (scale.numerals, scale.major):
                if step and _FEWEST_MARKS <= (scale.high - scale.low) / step + 1 <= _MOST_MARKS:
                    marks = [n * step for n in range(ceil(scale.low / step), floor(scale.high / step) + 1)]
                    return _on_curve(pointer, marks)
    return _on_curve(pointer, [reading for reading, _ in pointer.face.points])


def _on_curve(pointer: Pointer, marks: Sequence[float]) -> tuple[float, ...]:
    """Those on the pointer's curve; of an endless one's seam only the first end."""
    face = pointer.face
    last_of_turn = face.high if face.period is not None else float("inf")
    return tuple(mark for mark in marks if face.low <= mark <= face.high and mark < last_of_turn)


class CalibrationBench:
    """One pointer at the bench. Positions are motor steps, readings in the pointer's unit.

    `marks` are the readings to calibrate at, rising. The pass from below comes first (`falling` is False).
    """

    def __init__(self, pointer: Pointer, marks: Sequence[float], position_steps: float) -> None:
        self.pointer = pointer
        self.draft = CalibrationDraft(pointer)
        self.marks = tuple(marks)
        self.falling = False
        self.done = False
        """True once every mark was captured both ways."""
        self.goal_steps = position_steps
        self._at = 0
        self._route: list[float] = []
        self._sense = 1.0 if pointer.rising.angles[-1] > pointer.rising.angles[0] else -1.0
        self._aim(position_steps)

    @property
    def reading(self) -> float:
        """The mark that the needle is to cover."""
        return self.marks[self._at]

    def next_position(self) -> float | None:
        """Where to go now, in steps; None when the pointer is where it is to be. Ask when it is at rest."""
        return self._route.pop(0) if self._route else None

    @property
    def moving(self) -> bool:
        """Whether a part of the way is still to be gone."""
        return bool(self._route)

    def jog(self, steps: float) -> None:
        """Move by this much, clockwise positive, arriving from the side of this pass."""
        self.goal_steps = self._held(self.goal_steps + steps)
        onward = steps * self._approach_steps > 0.0
        self._route = [self.goal_steps] if onward else [self._short_of(self.goal_steps), self.goal_steps]

    def choose(self, by: int) -> None:
        """Go to the mark `by` places further up the scale, which ends at its ends."""
        self._at = min(max(self._at + by, 0), len(self.marks) - 1)
        self._aim(self.goal_steps)

    def turn_round(self) -> None:
        """Come to this mark from the other side."""
        self.falling = not self.falling
        self._aim(self.goal_steps)

    def capture(self, position_steps: float) -> None:
        """The needle covers the mark now, with its motor here; goes on to the next mark of the pass."""
        self.draft.capture(self.reading, self.falling, position_steps)
        last = 0 if self.falling else len(self.marks) - 1
        if self._at != last:
            self.choose(-1 if self.falling else 1)
        elif not self.falling:
            self.turn_round()
        else:
            self.done = True

    def undo(self) -> None:
        """Take the last capture back and go to its mark again."""
        before = set(self.draft.captures)
        self.draft.undo()
        for capture in before - set(self.draft.captures):
            self._at, self.falling, self.done = self.marks.index(capture.reading), capture.falling, False
        self._aim(self.goal_steps)

    @property
    def _approach_steps(self) -> float:
        """From the place short of a mark to the mark: the way of the reading in this pass."""
        way = self.pointer.drive.steps(APPROACH_DEG) * self._sense
        return -way if self.falling else way

    def _aim(self, from_steps: float) -> None:
        pointer = self.pointer
        goal = pointer.drive_position(self.draft.drive_deg(self.reading, self.falling))
        self.goal_steps = self._held(pointer.nearest(goal, from_steps))
        self._route = [self._short_of(self.goal_steps), self.goal_steps]

    def _short_of(self, goal_steps: float) -> float:
        return self._held(goal_steps - self._approach_steps)

    def _held(self, steps: float) -> float:
        """Within what the motor reaches, in whole steps: where a board really stops."""
        low, high = self.pointer.reach_low_steps, self.pointer.reach_high_steps
        if low is not None and high is not None:
            steps = min(max(steps, low), high)
        return float(floor(steps + 0.5))
