"""What hands at knobs and buttons ask for: readings that are stepped, commands, switched gauges, recordings.

    notices of the boards  ->  Controls.take, .tick  ->  actions
    Send                   ->  CommandQueue          ->  datagrams, no more in a second than described

Pure: times are seconds of the caller's clock. Only a hand starts anything here: a reading that changes by
itself, or because a simulator follows, sends nothing, so that two panels can't drive each other in circles.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from math import inf

from bridge.boards.messages import RELEASES_SINCE
from bridge.boards.notices import ButtonPressed, ButtonReleased, KnobTurned, Notice, StateChanged
from bridge.boards.state import State
from bridge.panel.control_description import COUNT
from bridge.panel.controls import Command, Control
from bridge.panel.load import Panel
from bridge.timing import LONGEST_TICK_S

HOLD_S = 0.8
"""A button that is down for so long is held."""
FOLLOWS_S = 2.0
"""So long after a command a knob goes on from what was commanded: the simulator's answer is on its way."""
_FAST_OVER_S = 0.3
"""How fast a knob is turned is counted over this long."""
_MOST_WAITING = 8
"""Commands without a number that wait for their turn; more presses than that are no intention."""


@dataclass(frozen=True, slots=True)
class Step:
    """A reading of the panel's own has this value (canonical unit) now."""

    quantity: str
    value: float


@dataclass(frozen=True, slots=True)
class Send:
    """This command is to be sent, with these values (canonical units)."""

    command: str
    values: Mapping[str, float]
    count: int


@dataclass(frozen=True, slots=True)
class SwitchTo:
    """The gauge shows this quantity now."""

    gauge: str
    quantity: str


@dataclass(frozen=True, slots=True)
class Record:
    """A recording begins in this folder, or the one that was begun so ends."""

    folder: str


@dataclass(frozen=True, slots=True)
class NotDone:
    """What a control asks for can't be done now."""

    control: str
    why: str


Action = Step | Send | SwitchTo | Record | NotDone


class Controls:
    """The controls of one panel. `own` names the readings that the panel has itself."""

    def __init__(self, panel: Panel, own: frozenset[str], before: Controls | None = None) -> None:
        self._panel = panel
        self._own = own
        self._by_input: dict[tuple[str, int, str], list[Control]] = {}
        for control in panel.controls:
            described = control.described
            key = described.board, described.input, described.on
            self._by_input.setdefault(key, []).append(control)
        self._held_since_s: dict[tuple[str, int], float] = dict(before._held_since_s) if before else {}
        self._clicks: dict[tuple[str, int], deque[tuple[float, float]]] = {}
        self._ticked_s: float = before._ticked_s if before else inf  # the first tick sets it
        self._paused_s: float = before._paused_s if before else 0.0
        self._resumed_s: float = before._resumed_s if before else -inf
        self._commanded: dict[str, tuple[float, float]] = dict(before._commanded) if before else {}

    def take(
        self,
        time_s: float,
        board: str,
        notice: Notice,
        values: Mapping[str, float],
        tells_releases: bool = True,
    ) -> Iterator[Action]:
        """What a notice of this board asks for; `values` are all readings now.

        A board that does not tell when a button is let go has none that is held. Clicks that have waited for
        a caller who paused count as made evenly in that time.
        """
        match notice:
            case KnobTurned(source, change):
                recent = self._clicks.setdefault((board, source), deque(maxlen=64))
                recent.append((time_s, abs(change) * _FAST_OVER_S / max(_FAST_OVER_S, self._pause_s(time_s))))
                clicks_s = sum(n for s, n in recent if time_s - s < _FAST_OVER_S) / _FAST_OVER_S
                yield from self._all(time_s, board, source, "turn", change, values, clicks_s)
            case ButtonPressed(source, presses):
                if tells_releases:
                    self._held_since_s[board, source] = time_s
                else:
                    yield from self._never_let_go(board, source)
                yield from self._all(time_s, board, source, "press", presses, values)
            case ButtonReleased(source):
                self._held_since_s.pop((board, source), None)
                yield from self._all(time_s, board, source, "release", 1, values)
            case StateChanged(state) if state is not State.READY:  # it may be let go unheard
                self._held_since_s = {key: s for key, s in self._held_since_s.items() if key[0] != board}

    def _never_let_go(self, board: str, source: int) -> Iterator[NotDone]:
        for on in ("hold", "release"):
            for control in self._by_input.get((board, source, on), ()):
                why = (
                    f"the firmware of board {board} is older than {'.'.join(map(str, RELEASES_SINCE))}, and "
                    "does not tell when a button is let go: flash it again"
                )
                yield NotDone(control.name, why)

    def tick(self, time_s: float, values: Mapping[str, float]) -> Iterator[Action]:
        """What buttons that are held ask for; to be called at every tick.

        A pause of the caller is no time of holding: whether the button was let go in it is read after this.
        """
        paused_s, self._ticked_s = time_s - self._ticked_s, time_s
        if paused_s > LONGEST_TICK_S:
            self._paused_s, self._resumed_s = paused_s, time_s
            self._held_since_s = {
                key: min(since_s + paused_s, time_s) for key, since_s in self._held_since_s.items()
            }
        for (board, source), since_s in list(self._held_since_s.items()):
            if time_s - since_s >= HOLD_S:
                del self._held_since_s[board, source]
                yield from self._all(time_s, board, source, "hold", 1, values)

    def _pause_s(self, time_s: float) -> float:
        """How long nothing was taken before what is taken now: what has waited comes at the tick or soon."""
        since_s = time_s - self._ticked_s
        return max(since_s, self._paused_s) if time_s - self._resumed_s < LONGEST_TICK_S else since_s

    def _all(
        self,
        time_s: float,
        board: str,
        source: int,
        on: str,
        count: int,
        values: Mapping[str, float],
        clicks_s: float = 0.0,
    ) -> Iterator[Action]:
        for control in self._by_input.get((board, source, on), ()):
            yield from self._do(time_s, control, count, values, clicks_s)

    def _do(
        self, time_s: float, control: Control, count: int, values: Mapping[str, float], clicks_s: float
    ) -> Iterator[Action]:
        described = control.described
        known = dict(values)
        quantity = described.quantity
        if quantity is not None:
            value = self._stepped(time_s, control, count, values, clicks_s)
            if value is None:
                yield NotDone(control.name, f"{quantity} is not known yet: there is nothing to step from")
                return
            known[quantity] = value
            if quantity in self._own:
                yield Step(quantity, value)
            else:
                self._commanded[quantity] = time_s, value
        if described.send is not None:
            needed = self._panel.commands[described.send].encoder.quantities - {COUNT}
            lacking = sorted(needed - known.keys())
            if lacking:
                yield NotDone(control.name, f"{', '.join(lacking)} not known yet: the command needs it")
            else:
                yield Send(described.send, {name: known[name] for name in needed}, count)
        if described.switch is not None:
            gauge, quantities = described.switch.gauge, described.switch.quantities
            shown = self._panel.description.gauges[gauge].options.get("quantity")
            place = quantities.index(str(shown)) if shown in quantities else -1
            yield SwitchTo(gauge, quantities[(place + 1) % len(quantities)])
        if control.folder is not None:
            yield Record(str(control.folder))

    def _stepped(
        self, time_s: float, control: Control, count: int, values: Mapping[str, float], clicks_s: float
    ) -> float | None:
        described = control.described
        assert described.quantity is not None
        quantity = self._panel.catalogue[described.quantity]
        if described.set is not None:
            value = described.set
        else:
            assert described.by is not None
            commanded_s, commanded = self._commanded.get(quantity.name, (-inf, 0.0))
            known = commanded if time_s - commanded_s < FOLLOWS_S else values.get(quantity.name)
            if known is None:
                return None
            fast = described.fast
            times = fast.times if fast is not None and clicks_s >= fast.clicks_s else 1
            value = known + described.by * count * times
        return quantity.wrap(value) if quantity.circular else min(max(value, quantity.low), quantity.high)


class CommandQueue:
    """The datagrams of each command, no closer together than its interval.

    Of a command with numbers the newest values wait, with the sum of the counts; one without numbers is sent
    as often as it was asked for.
    """

    def __init__(self, commands: Mapping[str, Command]) -> None:
        self._commands = commands
        self._waiting: dict[str, deque[Send]] = {}
        self._sent_s: dict[str, float] = {}

    def use(self, commands: Mapping[str, Command]) -> None:
        """From now on these are the commands: those that are described otherwise begin afresh."""
        for name, command in self._commands.items():
            if commands.get(name) != command:
                self._waiting.pop(name, None)
                self._sent_s.pop(name, None)
        self._commands = commands

    def add(self, send: Send) -> None:
        """Let this wait for its turn."""
        waiting = self._waiting.setdefault(send.command, deque(maxlen=_MOST_WAITING))
        if waiting and self._commands[send.command].encoder.numbers:
            before = waiting.pop()
            send = Send(send.command, send.values, before.count + send.count)
        waiting.append(send)

    def due(self, time_s: float) -> Iterator[tuple[Command, bytes]]:
        """The datagrams whose time it is."""
        for name, waiting in self._waiting.items():
            command = self._commands[name]
            if waiting and time_s - self._sent_s.get(name, -inf) >= command.interval_s:
                send = waiting.popleft()
                self._sent_s[name] = time_s
                yield command, command.encoder.encode({**send.values, COUNT: float(send.count)})
