"""One gauge at the bench: its pointer is jogged, turned, driven, swept, homed, and captured. Pure.

`Benches` (bench.py) hands it out and advances it; positions are motor steps, times seconds of the service's
clock. Where the pointer goes is `CalibrationBench`'s, but for turns and sweeps; how it gets there is its
`Motion`'s, within speed, acceleration and the reach of its board.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from bridge.boards.messages import Output
from bridge.boards.pointer_channel import Phase, PointerChannel
from bridge.boards.session import BoardSession
from bridge.calibration.bench import CalibrationBench, face_marks
from bridge.calibration.draft import CalibrationDraft, Capture, Points
from bridge.errors import BenchError
from bridge.flight.driven_pointer import DrivenPointer
from bridge.flight.running_panel import RunningPanel
from bridge.flight.snapshot import BenchSnapshot, CaptureSnapshot, CurveSnapshot
from bridge.gauges.pointer import Pointer
from bridge.panel.load import Panel

TURN_S = 0.25
"""A turn that is not repeated within this time ends. With its braking it is at rest in half a second at most,
also at 20 ticks a second, the fewest that a panel may have."""
BRAKE_S = 0.1
"""A turning pointer takes at most about this long to brake: its speed is chosen so."""
SWEEP_S = 15.0
"""A sweep takes this long from end to end, or longer."""
_FAST_SHARE = 0.25  # of the drive's speed, for a fast turn; a slow one is an eighth of that
_SLOW_SHARE = 0.125

_MOST_BY = 1e6  # of any unit: no jog is meant to go so far, and beyond it nothing is worked out
_MOVES = "the needle still moves: wait until it is at rest"

Unit = Literal["step", "deg", "reading"]


@dataclass(frozen=True, slots=True)
class Saving:
    """What goes into the calibration file of one pointer, and the captures that it is made of."""

    panel: Panel
    pointer: Pointer
    points: Points
    captures: tuple[Capture, ...]


class GaugeBench:
    """One gauge at the bench, and the pointer of it that is moved. Made by `Benches.take`.

    What moves the pointer, captures or takes a capture back raises BenchError where it can't be done now.
    """

    def __init__(
        self, running: RunningPanel, gauge: str, holder: str, pointer: Pointer, draft: CalibrationDraft
    ) -> None:
        self.gauge = gauge
        self.holder = holder
        self.note = ""
        self.heard_s = 0.0
        self.leaving = ""
        """Why it is given back as soon as it is at rest; empty while it is held."""
        self._running = running
        self._turning: tuple[int, bool, float] | None = None  # way, fast, when it ends
        self._sweep: list[float] = []  # what is left of it
        self._takes = 0
        self._select(pointer, draft)

    def _select(self, pointer: Pointer, draft: CalibrationDraft) -> None:
        self._pointer = pointer
        self._takes = self._channel.takes
        marks = face_marks(self._running.panel, pointer)
        driven = self._driven
        here = driven.position if driven.target is None else driven.target  # where it brakes to
        self._bench = CalibrationBench(pointer, marks, here, draft)

    # -- what it works on -------------------------------------------------------------------------

    @property
    def pointer(self) -> Pointer:
        """The pointer that is moved."""
        return self._pointer

    @property
    def draft(self) -> CalibrationDraft:
        """Its captures."""
        return self._bench.draft

    @draft.setter
    def draft(self, draft: CalibrationDraft) -> None:
        self._bench.draft = draft

    @property
    def _driven(self) -> DrivenPointer:
        return self._running.chain.pointers[self._pointer.board, self._pointer.channel]

    @property
    def _session(self) -> BoardSession:
        return self._running.sessions[self._pointer.board]

    @property
    def _channel(self) -> PointerChannel:
        return self._session.channels[self._pointer.channel]

    @property
    def known(self) -> bool:
        """Whether the pointer's position is known, so that it can be moved."""
        address = self._pointer.board, self._pointer.channel
        return self._channel.phase is Phase.READY and self._running.knows(address)

    @property
    def moving(self) -> bool:
        """Whether the pointer moves, or is about to."""
        under_way = bool(self._sweep or self._turning or self._bench.moving)
        return self.known and (under_way or not self._arrived)

    @property
    def _arrived(self) -> bool:
        """Whether it is where it was sent, by what its board reports: that may hear nothing for a moment, and
        where it turns round decides which side its play is on."""
        driven, channel = self._driven, self._channel
        at_rest = driven.motion.at_rest and driven.target in (None, driven.position)
        return at_rest and channel.reported.velocity == 0 and abs(channel.position - driven.position) <= 1.0

    # -- moving -----------------------------------------------------------------------------------

    def jog(self, by: float, unit: Unit) -> None:
        """Move by so many steps, degrees of the drive (both clockwise positive), or units of the reading."""
        bench = self._ready_to_move()
        pointer = self._pointer
        steps = by
        if abs(by) <= _MOST_BY and unit != "step":
            steps = pointer.drive.steps(by) if unit == "deg" else self._steps_of(bench, by)
        if not abs(steps) <= float(pointer.drive.steps_per_turn):  # also what is no number
            raise BenchError(
                f"{pointer.key}: found a jog of {by:g} {unit}; expected one turn at most. Jog by less"
            )
        bench.jog(steps)

    def turn(self, way: int, fast: bool, time_s: float) -> None:
        """Turn clockwise (1) or counter-clockwise (-1) for `TURN_S` from now; 0 stops."""
        if way == 0:
            self.halt()
            return
        if self._turning is None:
            self._ready_to_move()
        else:
            self._may_move()
        self._turning = (1 if way > 0 else -1), fast, time_s + TURN_S

    def go(self, reading: float) -> None:
        """Drive to a reading, by the captures so far, from the side of this pass."""
        self._ready_to_move().go(reading)

    def mark(self, by: int) -> None:
        """Drive to the mark so many places up the scale; 0 is the present one."""
        self._ready_to_move().choose(by)

    def other_side(self) -> None:
        """Come to the same reading from the other side."""
        self._ready_to_move().turn_round()

    def sweep(self) -> None:
        """Move slowly over the whole scale, or once round, and back to where it is."""
        bench = self._ready_to_move()
        self.halt()
        self._sweep = [*self._ends(), bench.goal_steps]

    def halt(self) -> None:
        """Brake, and stay."""
        moving = self.moving
        self._turning = None
        self._sweep = []
        self._driven.halt()
        if moving:
            self._bench.stay(self._whole(self._driven.target))

    def home(self) -> None:
        """Find the home position again; a pointer without mark or stop is asked for, see `here`."""
        self._may_move()
        if self._channel.expected.limits.output == Output.SERVO:
            raise BenchError(f"{self._pointer.key}: a servo knows its position, there is nothing to look for")
        self.halt()
        self._session.home(self._pointer.channel)

    def here(self, reading: float | None = None) -> None:
        """The pointer is at this reading, or at its home position: take that as known.

        For one that waits for it, or has neither mark nor stop to find its position by. Raises BenchError for
        any other, and while it moves.
        """
        self._may_move()
        pointer = self._pointer
        if self.moving:
            raise BenchError(_MOVES)
        if self.known and not self._channel.may_adopt:
            raise BenchError(
                f"{pointer.key} finds its position by itself: home it. Where it is off its marks even then, "
                "capture them"
            )
        steps = pointer.drive.zero_steps
        if reading is not None:
            steps = pointer.position(self.draft.on_scale(reading), self._bench.falling)
        self._session.adopt(pointer.channel, round(steps))

    # -- calibrating ------------------------------------------------------------------------------

    def capture(self, reading: float | None = None) -> None:
        """The needle covers the mark that it was sent to, or that of this reading; goes on to the next."""
        self._may_move()
        self._must_be_known()
        bench = self._bench
        if self.moving:
            raise BenchError(_MOVES)
        if not bench.taken_up:
            bench.approach()
            side = "above" if bench.falling else "below"
            raise BenchError(f"the needle has not come from {side} yet: it comes now. Look, then capture")
        bench.capture(self._driven.position, reading)
        self.note = "every mark is captured both ways: save" if bench.done else ""

    def undo(self) -> None:
        """Take the last capture back and go to its mark again."""
        bench = self._ready_to_move()
        if not bench.draft.can_undo:
            raise BenchError("there is no capture to take back")
        bench.undo()

    def saving(self) -> Saving:
        """What to write. Raises BenchError when nothing is captured, or the curve has mistakes."""
        draft = self.draft
        if not draft.captures:
            raise BenchError(f"{self._pointer.key}: nothing is captured yet, so there is nothing to save")
        if mistakes := draft.mistakes():
            raise BenchError(f"{self._pointer.key} not saved: {'; '.join(mistakes)}")
        return Saving(self._running.panel, self._pointer, draft.points(), draft.captures)

    # -- advancing --------------------------------------------------------------------------------

    def tick(self, time_s: float) -> None:
        """Go on to the next part of the way, and end a turn that is not repeated."""
        driven, bench = self._driven, self._bench
        if not self.known:
            return
        self._take_up()
        bench.saw(driven.position)
        if self._turning is not None:
            way, fast, until_s = self._turning
            if time_s + self._tick_s > until_s:  # the next tick would be too late
                self.halt()
            else:
                speed = self.turn_speed(fast)
                driven.go_to(driven.position + way * speed, speed)
        elif self._arrived or bench.redirected:
            if self._sweep:
                goal = self._sweep.pop(0)
                driven.go_to(goal, self._sweep_speed())
                if not self._sweep:
                    bench.stay(goal)
            elif (next_goal := bench.next_position()) is not None:
                driven.go_to(next_goal)

    def _take_up(self) -> None:
        """A pointer that was found again is where its board reports it."""
        if self._channel.takes != self._takes:
            self._takes = self._channel.takes
            self._turning, self._sweep = None, []
            self._bench.found(self._driven.position)

    @property
    def _tick_s(self) -> float:
        return 1.0 / self._running.panel.description.tick_hz

    def flies(self, running: RunningPanel, pointer: Pointer, draft: CalibrationDraft | None) -> None:
        """A new description takes over. `draft` is None where captures of before mean nothing any more."""
        before, self._running = self._pointer, running
        if draft is None:
            self.note = "the description of this pointer has changed: its captures are void"
            self._select(pointer, CalibrationDraft(pointer))
            return
        self._pointer = pointer
        self._bench.carry_to(pointer, face_marks(running.panel, pointer), draft)
        if (before.rising, before.falling) != (pointer.rising, pointer.falling) and self.known:
            self._turning, self._sweep = None, []
            if running.stopped is None and not self.leaving:
                self._bench.go_again()

    def snapshot(self) -> BenchSnapshot:
        """As it is now."""
        bench, pointer, draft = self._bench, self._pointer, self.draft
        known = self.known
        steps = self._driven.position if known else None
        points = draft.points()
        return BenchSnapshot(
            self.gauge,
            self.holder,
            pointer.key,
            pointer.unit,
            self._channel.phase.value,
            self._channel.detail,
            known,
            self.moving,
            steps,
            None if steps is None else pointer.drive_deg(steps),
            None if steps is None else pointer.reading(steps, bench.falling),
            None if steps is None else pointer.face_deg(steps, bench.falling),
            bench.reading,
            bench.marks,
            bench.falling,
            bench.done,
            tuple(
                CaptureSnapshot(c.reading, c.falling, c.drive_deg, draft.residual_deg(c))
                for c in draft.captures
            ),
            tuple(draft.backlash_deg().items()),
            CurveSnapshot(tuple((reading, drive) for reading, _, drive in points.points), points.falling),
            tuple(draft.mistakes()),
            tuple(draft.suggestions()),
            bool(draft.captures),
            self.note,
        )

    def turn_speed(self, fast: bool) -> float:
        """How fast a turn goes (steps/s): it can be braked within `BRAKE_S`."""
        drive = self._pointer.drive
        speed = min(_FAST_SHARE * drive.speed_steps_s, 0.7 * drive.acceleration_steps_s2 * BRAKE_S)
        return speed if fast else _SLOW_SHARE * speed

    def _sweep_speed(self) -> float:
        low, high = self._ends()
        return min(abs(high - low) / SWEEP_S, 0.5 * self._pointer.drive.speed_steps_s)

    def _ends(self) -> tuple[float, float]:
        """The ends of the scale in steps; of an endless pointer here and a turn further."""
        pointer, here = self._pointer, self._bench.goal_steps
        if pointer.low_steps is None or pointer.high_steps is None:
            return here, here + float(pointer.drive.steps_per_turn)
        return self._whole(pointer.low_steps), self._whole(pointer.high_steps)

    def _steps_of(self, bench: CalibrationBench, by: float) -> float:
        """The steps that a change of the reading by this much takes from where the pointer belongs."""
        pointer = self._pointer
        curve = pointer.falling if bench.falling else pointer.rising
        here = curve.inverse(pointer.drive_deg(bench.goal_steps))
        steps = pointer.drive.steps(curve(here + by) - curve(here))
        if steps == 0.0 and by != 0.0:
            raise BenchError(f"{pointer.key}: the scale ends here. Jog by steps or degrees to go beyond it")
        return steps

    def _whole(self, steps: float | None) -> float:
        return self._bench.within_reach(self._driven.position if steps is None else steps)

    def _may_move(self) -> None:
        if self._running.stopped is not None:
            raise BenchError(f"all needles are stopped by {self._running.stopped}: let them go on first")
        if self.leaving:
            raise BenchError(f"{self.gauge} is being given back: {self.leaving}. Take it again in a moment")

    def _must_be_known(self) -> None:
        if not self.known:
            channel = self._channel
            what = f"{channel.phase.value}{f', {channel.detail}' if channel.detail else ''}"
            raise BenchError(
                f"{self._pointer.key} can't be moved, its position is not known ({what}). Wait, home it, or "
                "confirm where it is"
            )
        self._take_up()

    def _ready_to_move(self) -> CalibrationBench:
        """The bench, with nothing else under way. Raises BenchError while the pointer can't be moved."""
        self._may_move()
        self._must_be_known()
        if self._turning or self._sweep:
            self.halt()
        self.note = ""
        return self._bench
