"""Whether telemetry arrives, and what follows when it does not: silence, and rest after a stated time.

Pure: times are seconds of the caller's one clock.
"""

from __future__ import annotations

from enum import Enum
from math import inf

from bridge.flight.ages import longest_recent, patience_s
from bridge.flight.notices import TelemetryChanged
from bridge.timing import LONGEST_TICK_S


class Telemetry(Enum):
    """State of the telemetry: none yet, arriving, silent (pointers hold), at rest after the stated time.

    A replay that is paused is neither silent nor at rest, however long: its pointers hold.
    """

    AWAITED = "awaited"
    LIVE = "live"
    PAUSED = "paused"
    SILENT = "silent"
    RESTING = "resting"


class TelemetryWatch:
    """The state of the telemetry, by its arrivals and the pace of a replay; changes are returned as notices.

    With `before`, that of the panel that ran until now, its state goes on.
    """

    def __init__(self, before: TelemetryWatch | None = None) -> None:
        self.state: Telemetry = before.state if before else Telemetry.AWAITED
        self.latest_s: float | None = before.latest_s if before else None
        """When the last readings arrived."""
        self.live_s: float = before.live_s if before else 0.0
        """Since when telemetry has been arriving."""
        self._ended = False
        self._interval_s: float = before._interval_s if before else 0.0
        self._pace: float = before._pace if before else 1.0
        self._paused_s: float | None = before._paused_s if before else None  # since when, while it is
        self._on_path_s: float = before._on_path_s if before else -inf
        self._looked_s: float = before._looked_s if before else inf  # the first look sets it
        self._was_held_up: bool = before._was_held_up if before else False

    def arrived(self, time_s: float, jumped: bool) -> list[TelemetryChanged]:
        """Readings have arrived; `jumped` when they do not follow from what came before."""
        if not jumped and self.latest_s is not None:
            self._interval_s = longest_recent(time_s - self.latest_s, self._interval_s)
        self.latest_s = time_s
        if self._paused_s is not None:  # somebody looks for a place in a replay that is paused
            self._paused_s = time_s
        elif self.state not in (Telemetry.LIVE, Telemetry.SILENT):  # silent: `look` knows how old these are
            self.live_s = time_s
            return self._change(Telemetry.LIVE)
        return []

    def on_path(self, time_s: float) -> None:
        """What is shown lies between two rows of a recording: the next is known to come."""
        self._on_path_s = time_s

    def set_pace(self, time_s: float, pace: float) -> list[TelemetryChanged]:
        """Telemetry is a replay at this pace from now on: 0 while it is paused, 1 as it was flown."""
        self._pace = pace
        if pace == 0.0 and self._paused_s is None and self.state in (Telemetry.LIVE, Telemetry.SILENT):
            self._paused_s = time_s
            return self._change(Telemetry.PAUSED)
        if pace > 0.0 and self._paused_s is not None:
            assert self.latest_s is not None, "it has been live"
            self.latest_s += time_s - self._paused_s  # a pause does not make readings older
            self._paused_s = None
            self.live_s = time_s
            return self._change(Telemetry.LIVE)
        return []

    def end(self) -> None:
        """The flight ends: no more telemetry is awaited, and its silence is no news."""
        self._ended = True

    @property
    def is_watched(self) -> bool:
        """Whether telemetry has arrived and more should: its silence would be news."""
        return (
            not self._ended
            and self.latest_s is not None
            and self.state not in (Telemetry.AWAITED, Telemetry.RESTING, Telemetry.PAUSED)
        )

    @property
    def is_full_pace(self) -> bool:
        """Whether readings come as often as they were flown, or more often."""
        return self._pace >= 1.0

    def look(self, time_s: float, rest_after_s: float) -> list[TelemetryChanged]:
        """Look whether watched telemetry is silent, live again, or silent for so long that the pointers rest.

        To be called at every tick: a program that was held up reads first what arrived meanwhile. Readings
        that it takes long after they arrived do not make telemetry live.
        """
        assert self.latest_s is not None, "it is watched"
        was_held_up, self._was_held_up = self._was_held_up, time_s - self._looked_s > LONGEST_TICK_S
        self._looked_s = time_s
        if self._was_held_up and not was_held_up:
            return []
        latest_s = max(self.latest_s, self._on_path_s)  # between two rows the next is known to come
        age_s = (time_s - latest_s) * min(1.0, self._pace)  # a slow replay comes in slowly
        if age_s >= rest_after_s:
            return self._change(Telemetry.RESTING)
        is_silent = age_s >= patience_s(self._interval_s)
        if self.state is Telemetry.LIVE and is_silent:
            return self._change(Telemetry.SILENT)
        if self.state is Telemetry.SILENT and not is_silent:
            self.live_s = self.latest_s
            return self._change(Telemetry.LIVE)
        return []

    def age_s(self, time_s: float) -> float | None:
        """Age of the last readings; None before the first. It stays while a replay is paused."""
        now_s = time_s if self._paused_s is None else self._paused_s
        return None if self.latest_s is None else max(0.0, now_s - self.latest_s)

    def _change(self, state: Telemetry) -> list[TelemetryChanged]:
        before, self.state = self.state, state
        return [TelemetryChanged(state.value, before.value)]
