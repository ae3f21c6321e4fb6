"""The bench in flight: gauges off telemetry that people move by hand, and the stop of all needles. Pure.

For whoever calls it (a page, a terminal), in the event loop between ticks; times are the service's clock (s):

- `Benches.take` holds a gauge: its pointers brake and stay, while their indications go on. Nothing else moves
  until asked: `GaugeBench.mark(0)` drives to the present mark. `take` again by the same holder, with another
  `pointer`, changes to that pointer.
- A holder is heard (`Benches.heard`) at least every `GIVE_BACK_S`, or the gauge stops and is given back. A
  `turn` is repeated within `TURN_S`, or the pointer brakes: it is still half a second after the last one.
- Captures outlive their holder: whoever takes the gauge next goes on with them, until they are saved or taken
  back.
- What can't be done raises BenchError, or another BridgeError, with a sentence for the person.
- While all needles are stopped whatever would move one is refused; `halt`, `turn(0)`, `release` and saving
  work.

Nothing here moves a pointer past its drive's speed and acceleration, or beyond what its board reaches:
`Motion` sees to that, whatever comes.
"""

from __future__ import annotations

from bridge.calibration.draft import CalibrationDraft
from bridge.errors import BenchError
from bridge.flight.gauge_bench import GaugeBench, Saving
from bridge.flight.notices import AllGoOn, AllStopped, GaugeGivenBack, GaugeTaken, PanelNotice
from bridge.flight.running_panel import RunningPanel
from bridge.flight.snapshot import BenchSnapshot
from bridge.gauges.curve import Curve
from bridge.gauges.pointer import Pointer

GIVE_BACK_S = 5.0
"""A holder silent for this long loses the gauge."""
_SAME_DEG = 0.01  # of the face; a file has three decimals
_PAUSE_S = 0.5  # a host that was paused for longer could hear no one


class Benches:
    """All gauges at the bench, and the stop of all needles. It outlives the running panels of a flight."""

    def __init__(self, running: RunningPanel) -> None:
        self._running = running
        self._benches: dict[str, GaugeBench] = {}
        self._drafts: dict[str, CalibrationDraft] = {}  # of pointers (by key) that are not at the bench
        self._ended: dict[str, tuple[str, str]] = {}  # by gauge: its last holder, why the bench ended
        self._notices: list[PanelNotice] = []
        self._ticked_s: float | None = None

    @property
    def stopped(self) -> str | None:
        """Who has stopped all needles, None while they may move."""
        return self._running.stopped

    def take(self, gauge: str, holder: str, time_s: float, pointer: str | None = None) -> GaugeBench:
        """Take a gauge off telemetry to move one of its pointers, the first unless another is named.

        Raises BenchError for a gauge that somebody else holds, or a name that is none.
        """
        chosen = self._pointer(gauge, pointer)
        bench = self._benches.get(gauge)
        if bench is not None and bench.leaving:
            raise BenchError(f"{gauge} is being given back: {bench.leaving}. Take it again in a moment")
        if bench is not None and bench.holder != holder:
            raise BenchError(f"{gauge} is held by {bench.holder}: ask them to give it back")
        if bench is None:
            self._running.hold(gauge)
            self._ended.pop(gauge, None)
            self._notices.append(GaugeTaken(gauge, holder))
        elif pointer is None or chosen.key == bench.pointer.key:
            bench.heard_s = time_s
            return bench
        else:
            self._put_away(bench)
        draft = self._drafts.pop(chosen.key, None) or CalibrationDraft(chosen)
        bench = self._benches[gauge] = GaugeBench(self._running, gauge, holder, chosen, draft)
        bench.heard_s = time_s
        if draft.captures:
            bench.note = f"captures from before that are not saved yet: {len(draft.captures)}"
        return bench

    def at(self, gauge: str, holder: str) -> GaugeBench:
        """The bench of this gauge. Raises BenchError for who does not hold it."""
        bench = self._benches.get(gauge)
        if bench is not None and bench.holder == holder:
            return bench
        if bench is not None:
            raise BenchError(f"{gauge} is held by {bench.holder}, not by you")
        last, why = self._ended.get(gauge, ("", ""))
        if last == holder:
            raise BenchError(f"{gauge} is no longer at the bench: {why}")
        raise BenchError(f"{gauge} is not at the bench: take it first")

    def release(self, gauge: str, holder: str) -> None:
        """Give a gauge back to telemetry: its needles glide to their indications."""
        self._give_back(self.at(gauge, holder), "")

    def heard(self, holder: str, time_s: float) -> None:
        """A sign of life of this holder."""
        for bench in self._benches.values():
            if bench.holder == holder:
                bench.heard_s = time_s

    def stop_all(self, by: str) -> None:
        """Every pointer of the panel brakes within its limits and holds until `go_on`; the first is named."""
        if self._running.stopped is None:
            self._notices.append(AllStopped(by))
        self._running.stop(self._running.stopped or by)
        self.halt()

    def halt(self) -> None:
        """All that is at the bench brakes: the flight ends."""
        for bench in self._benches.values():
            bench.halt()

    def go_on(self, by: str) -> None:
        """The pointers may move again: those that are not at the bench show their readings."""
        if self._running.stopped is not None:
            self._notices.append(AllGoOn(by))
            self._running.go_on()

    def tick(self, time_s: float) -> None:
        """Advance what is at the bench; to be called before the running panel's own tick."""
        paused_s = 0.0 if self._ticked_s is None else time_s - self._ticked_s
        self._ticked_s = time_s
        for bench in list(self._benches.values()):
            if paused_s > _PAUSE_S:
                bench.heard_s += paused_s
            if not bench.leaving and time_s - bench.heard_s >= GIVE_BACK_S:
                bench.halt()
                bench.leaving = f"nothing was heard of {bench.holder} for {GIVE_BACK_S:g} s"
            bench.tick(time_s)
            if bench.leaving and not bench.moving:
                self._give_back(bench, bench.leaving)

    def fly(self, running: RunningPanel) -> None:
        """A new running panel has taken over: benches go on with it, those of gauges that are gone end."""
        self._running = running
        pointers = {pointer.key: pointer for pointer in running.panel.pointers}
        for key, draft in list(self._drafts.items()):
            del self._drafts[key]
            if key in pointers and _measured_alike(draft.pointer, pointers[key]):
                self._drafts[key] = draft.carried_to(pointers[key])
        for gauge, bench in list(self._benches.items()):
            after = pointers.get(bench.pointer.key)
            if after is None:
                why = "the new description has no such pointer"
                if gauge in running.panel.description.gauges:
                    running.let_go(gauge)
                self._end(bench, why)
            else:
                alike = _measured_alike(bench.pointer, after)
                bench.flies(running, after, bench.draft.carried_to(after) if alike else None)

    def saved(self, gauge: str, saving: Saving, note: str) -> None:
        """What `saving` has is in the file: the draft begins anew."""
        bench = self._benches.get(gauge)
        if bench is not None and bench.pointer.key == saving.pointer.key:
            bench.draft = bench.draft.without(saving.captures)
            bench.note = note
        elif (draft := self._drafts.get(saving.pointer.key)) is not None:
            self._drafts[saving.pointer.key] = draft.without(saving.captures)

    def snapshot(self, time_s: float) -> tuple[BenchSnapshot, ...]:
        """Every gauge at the bench, as it is at this time."""
        return tuple(bench.snapshot() for bench in self._benches.values())

    def take_notices(self) -> list[PanelNotice]:
        """What happened since the last call, oldest first."""
        notices, self._notices = self._notices, []
        return notices

    def _pointer(self, gauge: str, name: str | None) -> Pointer:
        pointers = [pointer for pointer in self._running.panel.pointers if pointer.gauge == gauge]
        if not pointers:
            known = self._running.panel.description.gauges
            raise BenchError(f"found no gauge {gauge!r} to take; expected one of {', '.join(known)}")
        for pointer in pointers:
            if name in (None, pointer.name):
                return pointer
        known_names = ", ".join(pointer.name for pointer in pointers)
        raise BenchError(f"{gauge}: found no pointer {name!r}; expected one of {known_names}")

    def _give_back(self, bench: GaugeBench, why: str) -> None:
        self._end(bench, why)
        self._running.let_go(bench.gauge)

    def _end(self, bench: GaugeBench, why: str) -> None:
        del self._benches[bench.gauge]
        self._put_away(bench)
        self._ended[bench.gauge] = bench.holder, why or "you gave it back"
        self._notices.append(GaugeGivenBack(bench.gauge, bench.holder, why))

    def _put_away(self, bench: GaugeBench) -> None:
        if bench.draft.captures:
            self._drafts[bench.pointer.key] = bench.draft


def _measured_alike(before: Pointer, after: Pointer) -> bool:
    """Whether drive angles measured on one mean the same on the other: same motor, train, home and face."""
    motor = all(
        getattr(before, name) == getattr(after, name) for name in ("board", "channel", "unit", "home_deg")
    ) and (before.drive.steps_per_turn, before.drive.zero_steps) == (
        after.drive.steps_per_turn,
        after.drive.zero_steps,
    )
    return motor and _marked_alike(before.face, after.face)


def _marked_alike(before: Curve, after: Curve) -> bool:
    """Whether marks are at the same places, also with a point more: a capture between marks adds one."""
    readings = {reading for curve in (before, after) for reading, _ in curve.points}
    ends = [(curve.low, curve.high, curve.period) for curve in (before, after)]
    return ends[0] == ends[1] and all(abs(before(at) - after(at)) <= _SAME_DEG for at in readings)
