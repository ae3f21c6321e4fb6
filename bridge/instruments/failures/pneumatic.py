"""The pitot and the static line: closed volumes of air, joined to what they are open to.

Method: a line's pressure p follows dp/dt = sum of (source - p) * rate over its openings. Closed everywhere it
keeps its pressure; with one opening it goes there with the time constant 1 / rate; with several it goes to
their mean weighted by rate. So a static line that is blocked keeps its pressure, one that leaks as well goes
to the cabin's, and a pitot tube with an open drain and a closed mouth goes to static pressure; no case of
failure is written down anywhere.

Pressures in hPa, times in s. Source of the effects: FAA-H-8083-25, flight instruments, blocked pitot system
and blocked static system (read in excerpt). The rates of openings are invented (choice).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Set
from dataclasses import dataclass

from bridge.instruments.failures.kinds import Failure

_OPEN_PER_S = 10.0
"""Of a mouth or port that is free: the line follows in a tenth of a second (choice)."""
_DRAIN_PER_S = 5.0
"""Of the drain hole, which is small (choice)."""

STATIC_SIDE = frozenset({"static_blocked", "static_leak", "alternate_static"})
PITOT_SIDE = frozenset({"pitot_blocked", "pitot_leak"})


class Line:
    """The air in one line; `pressure_hpa` is what its instruments feel."""

    __slots__ = ("pressure_hpa",)

    def __init__(self, pressure_hpa: float) -> None:
        self.pressure_hpa = pressure_hpa

    def follow(self, elapsed_s: float, openings: Iterable[tuple[float, float]]) -> float:
        """The pressure after so long, each opening a pressure and its rate (1/s)."""
        total = weighted = 0.0
        for source_hpa, rate in openings:
            total += rate
            weighted += source_hpa * rate
        if total > 0.0:
            target = weighted / total
            self.pressure_hpa = target + (self.pressure_hpa - target) * math.exp(-elapsed_s * total)
        return self.pressure_hpa


@dataclass(frozen=True, slots=True)
class Air:
    """Pressure at the static port, and total pressure at the mouth of the pitot tube; None: not known."""

    static_hpa: float
    total_hpa: float | None


def _closed(failure: Failure | None, time_s: float, since_s: float) -> float:
    """The closed share of an opening, 0 to 1."""
    if failure is None:
        return 0.0
    over_s = failure.parameters["over_s"]
    return 1.0 if over_s <= 0.0 else min(1.0, max(0.0, time_s - since_s) / over_s)


class PitotStatic:
    """Both lines. A line without a failure has the pressure of its opening, exactly and at once."""

    def __init__(self) -> None:
        self._static: Line | None = None
        self._pitot: Line | None = None

    def forget(self, in_force: Set[str]) -> None:
        """A line without a failure among those in force has no pressure of its own."""
        if not in_force & STATIC_SIDE:
            self._static = None
        if not in_force & PITOT_SIDE:
            self._pitot = None

    def feel(
        self,
        time_s: float,
        elapsed_s: float,
        before: Air,
        air: Air,
        in_force: Mapping[str, Failure],
        since_s: Mapping[str, float],
    ) -> Air:
        """The pressures in the lines, with the air as it is now; `before` it was so at the last reading.

        A line that fails now held the air of the last reading.
        """
        static_hpa = air.static_hpa
        if in_force.keys() & STATIC_SIDE:
            self._static = self._static or Line(before.static_hpa)
            static_hpa = self._static.follow(
                elapsed_s, _static_openings(time_s, air.static_hpa, in_force, since_s)
            )
        total_hpa = air.total_hpa
        if total_hpa is not None and in_force.keys() & PITOT_SIDE:
            known = total_hpa if before.total_hpa is None else before.total_hpa
            self._pitot = self._pitot or Line(known)
            openings = _pitot_openings(time_s, air.static_hpa, total_hpa, in_force, since_s)
            total_hpa = self._pitot.follow(elapsed_s, openings)
        return Air(static_hpa, total_hpa)


def _static_openings(
    time_s: float, static_hpa: float, in_force: Mapping[str, Failure], since_s: Mapping[str, float]
) -> Iterable[tuple[float, float]]:
    alternate = in_force.get("alternate_static")
    if alternate is not None:  # the valve turns from the port to the cabin
        yield static_hpa - alternate.parameters["cabin_below_hpa"], _OPEN_PER_S
    else:
        closed = _closed(in_force.get("static_blocked"), time_s, since_s.get("static_blocked", 0.0))
        yield static_hpa, _OPEN_PER_S * (1.0 - closed)
    yield from _leak("static_leak", static_hpa, in_force)


def _pitot_openings(
    time_s: float,
    static_hpa: float,
    total_hpa: float,
    in_force: Mapping[str, Failure],
    since_s: Mapping[str, float],
) -> Iterable[tuple[float, float]]:
    closed = _closed(in_force.get("pitot_blocked"), time_s, since_s.get("pitot_blocked", 0.0))
    yield total_hpa, _OPEN_PER_S * (1.0 - closed)
    if "pitot_drain_blocked" not in in_force:
        # With a free mouth the drain's effect is in the airspeed calibration: none here.
        yield static_hpa, _DRAIN_PER_S * closed
    yield from _leak("pitot_leak", static_hpa, in_force)


def _leak(name: str, static_hpa: float, in_force: Mapping[str, Failure]) -> Iterable[tuple[float, float]]:
    leak = in_force.get(name)
    if leak is not None:
        yield static_hpa - leak.parameters["cabin_below_hpa"], 1.0 / leak.parameters["leak_s"]
