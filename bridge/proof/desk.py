"""Where a person reads a needle during a test, at a terminal or in a browser: what is asked, what was read.

What the needle should show is not among it: it would be read. What can't be done raises BenchError with a
sentence for the person.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

from bridge.errors import BenchError
from bridge.proof.work import Work

_FAR = 0.2
"""Of the scale: a reading so far off is taken only when it comes twice."""

Asks = Literal["wait", "set", "read", "done"]


@dataclass(frozen=True, slots=True)
class DeskSnapshot:
    """What is asked now: to `wait`, to `set` the altimeter to `setting_inhg`, to `read` the needle (when
    `tapped`, after tapping beside the gauge), or nothing more. `taken` of `planned` readings are done;
    `trouble` is why the last of them is not in the file, `hindered` why the needle is not driven."""

    pointer: str
    unit: str
    taken: int
    planned: int
    asks: Asks
    purpose: str
    falling: bool
    cycle: int
    tapped: bool
    setting_inhg: float | None
    file: str
    trouble: str
    hindered: str


class Desk:
    """The readings of one test as they are given.

    `changed` is called when there is something to keep, `trouble` tells why it could not be kept.
    """

    def __init__(self, work: Work, changed: Callable[[], None], trouble: Callable[[], str]) -> None:
        self._work = work
        self._changed = changed
        self._trouble = trouble
        self._doubted: float | None = None

    def read(self, value: float) -> None:
        """The needle shows this, in its unit. Raises BenchError when none is due; once if it is far off."""
        run, face = self._work.run, self._work.pointer.face
        step = run.step
        if step is None or not run.due:
            raise BenchError("the needle is not at rest yet: wait")
        off = value - step.wanted
        if face.period is not None:
            off -= round(off / face.period) * face.period
        if not abs(off) <= _FAR * (face.high - face.low) and self._doubted != value:
            self._doubted = value
            raise BenchError(f"{value:g} is far from what is to be expected: give it again if it is so")
        self._take(value)

    def unreadable(self) -> None:
        """The needle can't be read here. Raises BenchError while no reading is due."""
        if not self._work.run.due:
            raise BenchError("the needle is not at rest yet: wait")
        self._take(None)

    def again(self) -> None:
        """Read the place before once more. Raises BenchError when nothing is read yet."""
        if not self._work.run.taken:
            raise BenchError("nothing is read yet")
        self._work.run.take_back()
        self._changed()

    def is_set(self) -> None:
        """The altimeter's own scale shows the setting that was asked for. Raises BenchError if none was."""
        if self._work.run.asked_setting is None:
            raise BenchError("no setting is asked for now")
        self._work.run.confirm_setting()

    def _take(self, value: float | None) -> None:
        self._doubted = None
        self._work.run.take(value)
        self._changed()

    def snapshot(self) -> DeskSnapshot:
        """As it is now."""
        work, run = self._work, self._work.run
        step, setting = run.step, run.asked_setting
        asks: Asks = (
            "done" if step is None else "set" if setting is not None else "read" if run.due else "wait"
        )
        return DeskSnapshot(
            work.pointer.key,
            work.pointer.unit,
            len(run.taken),
            len(work.plan.steps),
            asks,
            step.purpose if step else "",
            step.falling if step else False,
            step.cycle if step else 0,
            step.tapped if step else False,
            setting,
            str(work.json),
            self._trouble(),
            run.hindered,
        )
