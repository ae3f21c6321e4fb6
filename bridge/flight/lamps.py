"""The lamps of a panel at work: from readings, knobs and time to the brightness of each. Pure."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping

from bridge.panel.lamps import Lamp


class DrivenLamp:
    """One lamp. `wanted` is the brightness that it should have, `brightness` the one it has while it fades
    (lightness to the eye, 0 to 1); `there` whether the readings that it follows are known."""

    __slots__ = ("_set_to", "_time_s", "brightness", "lamp", "there", "wanted")

    def __init__(self, lamp: Lamp, before: DrivenLamp | None = None) -> None:
        self.lamp = lamp
        self.wanted: float = lamp.when_lost
        self.brightness: float = before.brightness if before else lamp.when_lost
        self.there = False
        self._time_s: float | None = before._time_s if before else None
        self._set_to: float = lamp.brightness
        if before is not None and lamp.knob is not None:
            was = before.lamp
            if (was.knob, was.brightness) == (lamp.knob, lamp.brightness):
                self._set_to = before._set_to

    def turn(self, board: str, source: int, change: int) -> None:
        """A knob was turned by so many detents."""
        knob = self.lamp.knob
        if knob is not None and (knob.board, knob.input) == (board, source):
            self._set_to = min(max(self._set_to + change * knob.per_count, 0.0), 1.0)

    def step(
        self, time_s: float, values: Mapping[str, float], gone: bool, holds: bool | None, powered: bool = True
    ) -> None:
        """Advance to this time; `gone` when a reading that it follows is lost, `holds` its condition."""
        self.there = not gone and holds is not None and self.lamp.quantities <= values.keys()
        self.wanted = self._lit(values, bool(holds)) if self.there else self.lamp.when_lost
        if not powered:
            self.wanted = 0.0
        fade_s, before_s = self.lamp.fade_s, self._time_s
        self._time_s = time_s
        if fade_s:
            way = 0.0 if before_s is None else max(0.0, time_s - before_s) / fade_s
            self.brightness += min(max(self.wanted - self.brightness, -way), way)
        else:
            self.brightness = self.wanted

    def _lit(self, values: Mapping[str, float], holds: bool) -> float:
        if not holds:
            return 0.0
        quantity = self.lamp.quantity
        if quantity is None:
            return self._set_to
        share = (values[quantity.name] - quantity.low) / (quantity.high - quantity.low)
        return min(max(share, 0.0), 1.0)


class Lamps:
    """All lamps of a panel; with `before`, those of the description before, they go on."""

    def __init__(self, lamps: Iterable[Lamp], before: Lamps | None = None) -> None:
        known = before._by_name if before else {}
        self._by_name: dict[str, DrivenLamp] = {
            lamp.name: DrivenLamp(lamp, known.get(lamp.name)) for lamp in lamps
        }
        self.driven: tuple[DrivenLamp, ...] = tuple(self._by_name.values())
        self.quantities: frozenset[str] = frozenset[str]().union(*(d.lamp.quantities for d in self.driven))
        """All that they follow."""
        boards = sorted({driven.lamp.board for driven in self.driven})
        self._boards = {
            board: sorted((d for d in self.driven if d.lamp.board == board), key=lambda d: d.lamp.number)
            for board in boards
        }

    def turn(self, board: str, source: int, change: int) -> None:
        """A knob was turned by so many detents, clockwise positive."""
        for driven in self.driven:
            driven.turn(board, source, change)

    def step(
        self,
        time_s: float,
        values: Mapping[str, float],
        gone: Callable[[frozenset[str]], bool],
        holds: Callable[[str], bool | None],
        powered: bool = True,
    ) -> None:
        """Advance to this time; without power every lamp is dark. `gone` tells whether one of these readings
        is lost, `holds` whether the condition of this key does, None while it is not known."""
        for driven in self.driven:
            lamp = driven.lamp
            is_on = True if lamp.condition is None else holds(lamp.key)
            driven.step(time_s, values, gone(lamp.quantities), is_on, powered)

    def levels(self) -> list[tuple[str, list[int]]]:
        """For each board with lamps its name and their levels in the frame format, by ascending number."""
        return [
            (board, [driven.lamp.level(driven.brightness) for driven in lamps])
            for board, lamps in self._boards.items()
        ]
