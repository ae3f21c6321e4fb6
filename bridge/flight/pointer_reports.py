"""What is reported of pointers in flight: lost readings, ends of scales, readings that are slow. Pure."""

from __future__ import annotations

from math import inf

from bridge.flight.ages import age_of
from bridge.flight.chain import Chain, PointerAddress
from bridge.flight.notices import Assumed, OffScale, PanelNotice, PointersBack, PointersLost, TelemetrySlow

_Loss = tuple[tuple[str, ...], str]
"""The quantities that a pointer has lost, and what it does then."""

_SLOW_LOOK_S = 2.0


class PointerReports:
    """Notices of the pointers of `chain`, each of what is new; times are seconds of the caller's clock.

    `behaviour` is what pointers at rest do. With `before`, those of the panel that ran until now, what has
    been reported is not reported again.
    """

    def __init__(self, chain: Chain, behaviour: str, before: PointerReports | None = None) -> None:
        self._chain = chain
        self._behaviour = behaviour
        self._held = chain.losses.pointers
        self._losses: dict[PointerAddress, _Loss] = before._losses if before else {}
        self._assumptions = chain.readings.plan.assumptions
        self._off_scale: set[str] = before._off_scale if before else set()  # pointers that have been reported
        self._slow: frozenset[str] = frozenset()
        self._slow_reported: frozenset[str] = before._slow_reported if before else frozenset()
        self._slow_looked_s = -inf

    def off_scale(self) -> list[PanelNotice]:
        """Each pointer that is off its scale for the first time."""
        notices: list[PanelNotice] = []
        for driven in self._chain.pointers.values():
            if (
                driven.off_scale
                and driven.pointer.key not in self._off_scale
                and driven.indication is not None
            ):
                pointer = driven.pointer
                self._off_scale.add(pointer.key)
                low, high = pointer.face.low, pointer.face.high
                notices.append(OffScale(pointer.key, driven.indication, low, high, pointer.unit))
        return notices

    def losses(self, time_s: float) -> list[PanelNotice]:
        """Pointers that have lost quantities, or have them back, and what is assumed from now on."""
        if self._chain.losses.pointers is self._held:
            return []
        self._held = self._chain.losses.pointers
        before, self._losses = self._losses, self._losses_now()
        gone: dict[_Loss, list[str]] = {}
        back: dict[_Loss, list[str]] = {}
        for address, driven in self._chain.pointers.items():
            was, now = before.get(address), self._losses.get(address)
            if now and now != was:
                gone.setdefault(now, []).append(driven.pointer.key)
            elif was and not now:
                back.setdefault(was, []).append(driven.pointer.key)
        notices: list[PanelNotice] = []
        for (lost, then), keys in gone.items():
            age_s = age_of(time_s, self._chain.losses.arrived_s, lost) or 0.0
            notices.append(PointersLost(tuple(keys), lost, age_s, then))
        notices += [PointersBack(tuple(keys), was) for (was, _), keys in back.items()]
        assumed, self._assumptions = self._assumptions, self._chain.readings.plan.assumptions
        return [*notices, *(Assumed(a) for a in self._assumptions if a not in assumed)]

    def _losses_now(self) -> dict[PointerAddress, _Loss]:
        chain = self._chain
        return {
            **{address: (lost, self._behaviour) for address, lost in chain.losses.pointers.items()},
            **{
                address: (lost, f"derived from {', '.join(sorted(chain.rests_on(address)))}")
                for address, lost in chain.switched.items()
            },
        }

    def slow(self, time_s: float, is_live: bool) -> list[PanelNotice]:
        """Pointers whose readings have been slow at two looks, once for each set of them.

        No look counts while telemetry is not live.
        """
        if time_s - self._slow_looked_s < _SLOW_LOOK_S:
            return []
        self._slow_looked_s = time_s
        if not is_live:
            return []
        slow_s = {
            driven.pointer.key: driven.motion.slow_s
            for driven in self._chain.pointers.values()
            if driven.motion.slow_s
        }
        before, self._slow = self._slow, frozenset(slow_s)
        if self._slow != before or self._slow <= self._slow_reported:
            return []
        self._slow_reported = self._slow
        return [TelemetrySlow(tuple(sorted(slow_s)), max(slow_s.values()))]
