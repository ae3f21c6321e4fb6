"""The bench: takes a pointer from mark to mark, from below and then from above. Pure.

The needle has to come to each mark from the side whose curve is measured, or backlash would get into it.
So the bench drives to a mark by way of a place short of it, and a jog against the direction of approach
goes back beyond that place first. Whatever else has moved the pointer (a knob, a sweep, a stop), the bench
knows whether play that it may have is taken up: the arm of a drive with play `APPROACH_DEG` wide, of which
the worst is assumed, follows the pointer. What is captured corrects the way to the marks that follow, so
that after the first few marks a jog or two is left for each.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence
from math import ceil, floor

from bridge.calibration.draft import CalibrationDraft
from bridge.gauges.pointer import Pointer
from bridge.panel.load import Panel

APPROACH_DEG = 8.0
"""How far short of a mark the approach begins: more than any backlash that one would keep."""
_ROUNDING_STEPS = 0.5
_SAME_STEPS = 0.75  # two roundings to whole steps may differ by less than one
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
                    if on_curve := _on_curve(pointer, marks):
                        return on_curve
    return _on_curve(pointer, [reading for reading, _ in pointer.face.points])


def _on_curve(pointer: Pointer, marks: Sequence[float]) -> tuple[float, ...]:
    """Those on the pointer's curve; of an endless one's seam only the first end."""
    face = pointer.face
    last_of_turn = face.high if face.period is not None else float("inf")
    return tuple(mark for mark in marks if face.low <= mark <= face.high and mark < last_of_turn)


class CalibrationBench:
    """One pointer at the bench. Positions are motor steps, readings in the pointer's unit.

    `marks` are the readings to calibrate at, rising. The pass from below comes first (`falling` is False).
    `reading` is what the needle is to show: the present mark, or a reading between marks. Nothing moves by
    itself at first: `choose(0)` goes to the present mark.
    """

    def __init__(
        self, pointer: Pointer, marks: Sequence[float], position_steps: float, draft: CalibrationDraft
    ) -> None:
        self.pointer = pointer
        self.draft = draft
        self.marks = tuple(marks)
        self.reading = self.marks[0]
        self.falling = False
        self.goal_steps = position_steps
        self._sent_to: tuple[float, float] | None = None  # by `go`: steps, drive angle before it was rounded
        self._route: list[float] = []
        self.redirected = False
        """Whether another way was asked for since the last place: the one under way is given up."""
        self._sense = 1.0 if pointer.rising.angles[-1] > pointer.rising.angles[0] else -1.0
        self._arm = self._steps = position_steps
        self._sent = False

    # -- the way ----------------------------------------------------------------------------------

    def next_position(self) -> float | None:
        """Where to go now, in steps; None when the pointer is where it is to be.

        Ask when it is at rest, and at once when it is `redirected`.
        """
        self.redirected = False
        return self._route.pop(0) if self._route else None

    @property
    def moving(self) -> bool:
        """Whether a part of the way is still to be gone."""
        return bool(self._route)

    def saw(self, position_steps: float) -> None:
        """The pointer is or turns round here; to be called at least with every place where it turns round."""
        self._steps = position_steps
        onward, way = position_steps * self._onward, abs(self._approach_steps)
        self._arm = min(max(self._arm * self._onward, onward - way), onward) * self._onward

    def found(self, position_steps: float) -> None:
        """The pointer's position is known again: it belongs here, and how it came here is not known."""
        self.stay(position_steps)
        self._arm = self._steps = position_steps
        self._sent = False

    def carry_to(self, pointer: Pointer, marks: Sequence[float], draft: CalibrationDraft) -> None:
        """The same work goes on with other curves in force."""
        self.pointer = pointer
        self.marks = tuple(marks)
        self.draft = draft
        self._sent_to = None

    def stay(self, position_steps: float) -> None:
        """The pointer has been stopped, or was turned by other means: from now on it belongs here."""
        self._sent = True
        self._route, self.redirected = [], False
        self.goal_steps = position_steps

    @property
    def taken_up(self) -> bool:
        """Whether the pointer has come to where it is from the side of this pass, beyond any play."""
        return self._taken_up_at(self._steps)

    def _taken_up_at(self, steps: float) -> bool:
        """The same for a place to which it goes from where it is."""
        room = abs(steps - self._short_of(steps))  # less than usual beside the motor's stop
        return (steps - self._arm) * self._onward >= room - _SAME_STEPS

    # -- what the person does ---------------------------------------------------------------------

    def jog(self, steps: float) -> None:
        """Move by this much, clockwise positive, arriving from the side of this pass."""
        self._sent = True
        self.goal_steps = self.within_reach(self.goal_steps + steps)
        if steps * self._onward > 0.0 and not self._route and self._taken_up_at(self.goal_steps):
            self._route, self.redirected = [self.goal_steps], True
        else:
            self.approach()

    def approach(self) -> None:
        """Come to where the pointer belongs, else to the mark, from the side of this pass."""
        if not self._sent:
            self._sent = True
            self.choose(0)
        self._route, self.redirected = [self._short_of(self.goal_steps), self.goal_steps], True

    def choose(self, by: int) -> None:
        """Go to the mark `by` places further up the scale, which ends at its ends.

        From a reading between marks, one place up is the next mark above it.
        """
        at = bisect_left(self.marks, self.reading)
        between = at == len(self.marks) or self.marks[at] != self.reading
        at = min(max(at + by - (between and by > 0), 0), len(self.marks) - 1)
        self.go(self.marks[at])

    def go(self, reading: float) -> None:
        """Go to this reading, by all that is captured so far. Raises OutOfRangeError off the scale."""
        self._sent = True
        self.reading = self.draft.on_scale(reading)
        pointer = self.pointer
        drive_deg = self.draft.drive_deg(self.reading, self.falling)
        goal = pointer.nearest(pointer.drive_position(drive_deg), self.goal_steps)
        self.goal_steps = self.within_reach(goal)
        is_within = abs(goal - self.goal_steps) <= _ROUNDING_STEPS
        self._sent_to = (self.goal_steps, drive_deg) if is_within else None
        self.approach()

    def go_again(self) -> None:
        """Another curve is in force: to where the reading now is, if it was sent to one."""
        if self._sent:
            self.go(self.reading)

    def turn_round(self) -> None:
        """Come to this reading from the other side."""
        self.falling = not self.falling
        self._arm = self._steps  # the worst for this side
        self.go(self.reading)

    def capture(self, position_steps: float, reading: float | None = None) -> None:
        """The needle covers the mark of this reading now, the one it was sent to unless another is named,
        with its motor here; goes on to the next mark of the pass."""
        reading = self.reading if reading is None else reading
        sent_deg = None
        if self._sent_to is not None and (reading, position_steps) == (self.reading, self._sent_to[0]):
            sent_deg = self._sent_to[1]
        self.reading = self.draft.capture(reading, self.falling, position_steps, sent_deg).reading
        last = self.marks[0 if self.falling else -1]
        if self.reading not in self.marks:
            return
        if self.reading != last:
            self.choose(-1 if self.falling else 1)
        elif not self.falling:
            self.turn_round()

    def undo(self) -> None:
        """Take the last capture back and go to its mark again."""
        before = set(self.draft.captures)
        self.draft.undo()
        for capture in before - set(self.draft.captures):
            if capture.falling != self.falling:
                self._arm = self._steps
            self.falling = capture.falling
            self.go(capture.reading)

    @property
    def done(self) -> bool:
        """Whether every mark is captured both ways."""
        captured = {(capture.reading, capture.falling) for capture in self.draft.captures}
        return all((mark, falling) in captured for mark in self.marks for falling in (False, True))

    @property
    def _onward(self) -> float:
        """The way of the reading in this pass: 1 clockwise, -1 counter-clockwise."""
        return -self._sense if self.falling else self._sense

    @property
    def _approach_steps(self) -> float:
        """From the place short of a mark to the mark."""
        return self.pointer.drive.steps(APPROACH_DEG) * self._onward

    def _short_of(self, goal_steps: float) -> float:
        return self.within_reach(goal_steps - self._approach_steps)

    def within_reach(self, steps: float) -> float:
        """Within what the motor reaches, in whole steps: where a board really stops."""
        low, high = self.pointer.reach_low_steps, self.pointer.reach_high_steps
        if low is not None and high is not None:
            steps = min(max(steps, low), high)
        return float(floor(steps + 0.5))
