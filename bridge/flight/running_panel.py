"""The running panel: the chain of one panel and the sessions with its boards, advanced together.

Pure, like both: no I/O, no clock, no logging. The service feeds it readings and the time, and sends
what it returns; what is worth a log line is reported as notices.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from bridge.boards.messages import RELEASES_SINCE
from bridge.boards.mqtt.window import query_s
from bridge.boards.notices import (
    ButtonPressed,
    ButtonReleased,
    KnobTurned,
    Notice,
    PositionNeeded,
    StateChanged,
)
from bridge.boards.pointer_channel import Phase
from bridge.boards.session import QUERY_S, BoardSession
from bridge.errors import BoardError
from bridge.flight.chain import Chain, PointerAddress
from bridge.flight.controls import Action, Controls, NotDone, Step
from bridge.flight.driven_pointer import DrivenPointer
from bridge.flight.notices import (
    AltimeterSet,
    Assumed,
    BoardReported,
    ControlNotDone,
    GaugeLacksTelemetry,
    LampLacksTelemetry,
    PanelNotice,
    PositionAdopted,
    PositionUnknown,
    ReadingSet,
)
from bridge.flight.observer import Observer
from bridge.flight.pointer_reports import PointerReports
from bridge.flight.readings import NOTHING
from bridge.flight.snapshot import PanelSnapshot
from bridge.flight.telemetry_watch import Telemetry, TelemetryWatch
from bridge.instruments.failures.scenario import Scenario
from bridge.panel.expected import expected_channels, expected_lamps
from bridge.panel.load import Panel

_SETTLED_S = 0.5
"""A knob's setting is reported when it has not been turned for so long."""


class RunningPanel:
    """One panel at work.

    `given` names the quantities that will arrive; `confirmed` holds positions (steps) that the user
    confirms, by board and channel, for channels that keep no position of their own. With `before`, a panel
    that ran until now, pointers keep their positions, and sessions with boards that stay as described go on.
    `setting_inhg` is what a knob's altimeter setting was last; `replayed` marks the flight of a log, which
    lacks the given quantities in `assumed`; `scenario` has the failures of the flight.
    """

    def __init__(
        self,
        panel: Panel,
        given: frozenset[str],
        confirmed: Mapping[PointerAddress, float] | None = None,
        before: RunningPanel | None = None,
        *,
        setting_inhg: float | None = None,
        replayed: bool = False,
        assumed: frozenset[str] | None = None,
        scenario: Scenario | None = None,
    ) -> None:
        self.panel = panel
        self.chain: Chain = Chain(
            panel,
            given,
            before.chain if before else None,
            setting_inhg=setting_inhg,
            replayed=replayed,
            assumed=assumed,
            scenario=scenario,
        )
        self.telemetry: TelemetryWatch = TelemetryWatch(before.telemetry if before else None)
        self._turned_s: float | None = before._turned_s if before else None
        self._confirmed: dict[PointerAddress, float] = {
            **(before._confirmed if before else {}),
            **(confirmed or {}),
        }
        self.controls: Controls = Controls(panel, self.chain.own, before.controls if before else None)
        self._actions: list[Action] = before.take_actions() if before else []
        self.sessions: dict[str, BoardSession] = {}
        self._boards: list[tuple[BoardSession, tuple[DrivenPointer, ...], tuple[PointerAddress, ...]]] = []
        self._taken: dict[PointerAddress, int] = {}  # how often its position had been taken from the board
        self._notices: list[PanelNotice] = before.take_notices() if before else []
        for name, described in panel.description.boards.items():
            session = self._session(name, before)
            self.sessions[name] = session
            addresses = tuple((name, number) for number in sorted(described.channels))
            self._boards.append((session, tuple(self.chain.pointers[a] for a in addresses), addresses))
            if before and before.sessions.get(name) is session:
                self._taken |= {a: n for a, n in before._taken.items() if a[0] == name}
        self._reports: PointerReports = PointerReports(
            self.chain, panel.description.rest.behaviour, before._reports if before else None
        )
        self.at_bench: set[str] = before.at_bench & panel.description.gauges.keys() if before else set()
        """Gauges whose pointers follow no readings."""
        self.stopped: str | None = None
        """Who has stopped all pointers; None while they may move."""
        self._observer = Observer(panel, self.chain, self.sessions)
        if before and self._parks:
            self.park()
        if before is None or before.chain.setting_source != self.chain.setting_source:
            self._report_setting()
        self._notices += [GaugeLacksTelemetry(gauge, why) for gauge, why in self.chain.missing.items()]
        self._notices += [LampLacksTelemetry(lamp, why) for lamp, why in self.chain.missing_lamps().items()]
        self._notices += [Assumed(assumption) for assumption in self.chain.readings.plan.assumptions]
        for gauge in self.at_bench:
            for _, driven in self._pointers_of(gauge):
                if not driven.held:  # a pointer that the description before did not have
                    driven.hold()
        if before and before.stopped is not None:
            self.stop(before.stopped)

    def _session(self, name: str, before: RunningPanel | None) -> BoardSession:
        described = self.panel.description.boards[name]
        expected, lamps = expected_channels(self.panel, name), expected_lamps(self.panel, name)
        if before is not None and name in before.sessions:
            was = before.panel.description.boards[name]
            same_way = self.panel.way_to(name) == before.panel.way_to(name)
            same_board = (described.id, expected, lamps) == (
                was.id,
                expected_channels(before.panel, name),
                expected_lamps(before.panel, name),
            )
            if same_way and same_board:
                return before.sessions[name]
        board_id = bytes.fromhex(described.id) if described.id else None
        return BoardSession(
            name,
            expected,
            board_id=board_id,
            panel_file=str(self.panel.path),
            query_s=QUERY_S if not described.kind.over_broker else query_s(self.panel.description.tick_hz),
            lamps=lamps,
        )

    def feed(
        self,
        time_s: float,
        readings: Mapping[str, float],
        jumped: bool = False,
        flight_s: float | None = None,
        between: Mapping[str, float] = NOTHING,
    ) -> None:
        """Take readings (canonical units) that belong to this time.

        `jumped` when they do not follow from what came before: for example, a replay began again. `flight_s`
        is the flight's own time where it runs at another pace. `between` is shown as well, but did not
        arrive: it lies between two rows of a recording.
        """
        if between:
            self.telemetry.on_path(time_s)
            self.chain.losses.on_path(time_s, between)
        if between and not readings:
            self.chain.feed(time_s, readings, flight_s, between)
            return
        if jumped:
            self.chain.start_afresh()
        self._notices += self.telemetry.arrived(time_s, jumped)
        self.chain.arrived(time_s, readings)
        self.chain.feed(time_s, readings, flight_s, between)
        self._notices += self._reports.off_scale()

    def set_pace(self, time_s: float, pace: float) -> None:
        """Telemetry is a replay at this pace from now on: 0 while it is paused, 1 as it was flown."""
        self._notices += self.telemetry.set_pace(time_s, pace)

    def prepare(self, time_s: float, readings: Mapping[str, float]) -> None:
        """Show these readings before the flight: they are no telemetry, and have no age."""
        self.chain.feed(time_s, readings)

    def recorded(self, readings: Mapping[str, float]) -> Mapping[str, float]:
        """What to record of these readings, with the setting of a knob, which telemetry does not have."""
        setting_inhg = self.knob_setting_inhg
        return readings if setting_inhg is None else {**readings, "altimeter_setting": setting_inhg}

    @property
    def knob_setting_inhg(self) -> float | None:
        """The altimeter setting that a knob has now; None where it comes from elsewhere."""
        return (
            self.chain.readings.values["altimeter_setting"] if self.chain.setting_source == "knob" else None
        )

    def tick(self, time_s: float) -> list[tuple[str, list[float], list[float]]]:
        """Advance all pointers to this time (s); for each board its name, and its channels' positions (steps)
        and velocities (steps/s)."""
        self._handle_notices(time_s)
        self._act(time_s, self.controls.tick(time_s, self.chain.readings.values))
        self._watch_telemetry(time_s)
        if self._turned_s is not None and time_s - self._turned_s >= _SETTLED_S:
            self._turned_s = None
            self._report_setting()
        self._notices += self._reports.slow(time_s, self.telemetry.state is Telemetry.LIVE)
        self.chain.step(time_s)
        self.chain.step_lamps(time_s, self.telemetry.state is Telemetry.RESTING)
        return [
            (session.name, [p.position for p in pointers], [p.velocity for p in pointers])
            for session, pointers, _ in self._boards
        ]

    def lights(self) -> list[tuple[str, list[int]]]:
        """For each board with lamps its name and their levels at the last tick, by ascending number."""
        return self.chain.lamps.levels()

    def snapshot(self, time_s: float) -> PanelSnapshot:
        """The panel as it is at this time; see `bridge.flight.snapshot`."""
        return self._observer.at(
            time_s, self.telemetry.state.value, self.telemetry.age_s(time_s), self._parks
        )

    @property
    def _parks(self) -> bool:
        """Whether every pointer is parked, or on its way."""
        return self.telemetry.state is Telemetry.RESTING and self.panel.description.rest.behaviour == "park"

    def park(self) -> None:
        """Let every pointer glide to its park reading."""
        for driven in self.chain.pointers.values():
            driven.glide(driven.pointer.park)

    @property
    def still(self) -> bool:
        """True when no pointer moves."""
        return all(driven.motion.at_rest for driven in self.chain.pointers.values())

    @property
    def arrived(self) -> bool:
        """True when each pointer that is driven has come to the end of its path, as its board reports."""
        return all(
            channel.phase is not Phase.READY
            or (driven.motion.at_rest and channel.has_reached(driven.position))
            for (board, number), driven in self.chain.pointers.items()
            for channel in (self.sessions[board].channels[number],)
        )

    def hold(self, gauge: str) -> None:
        """Take a gauge off its readings: its pointers brake, and go only where the bench sends them."""
        self.at_bench.add(gauge)
        for _, driven in self._pointers_of(gauge):
            driven.hold()

    def let_go(self, gauge: str) -> None:
        """Give a gauge back to its readings: its pointers glide there, unless all pointers are stopped."""
        self.at_bench.discard(gauge)
        if self.stopped is None:
            for address, driven in self._pointers_of(gauge):
                self._let_go(address, driven)

    def stop(self, by: str) -> None:
        """Brake every pointer, also one that looks for its home position, and hold all until `go_on`."""
        self.stopped = by
        for driven in self.chain.pointers.values():
            if driven.held:
                driven.halt()
            else:
                driven.hold()
        for session in self.sessions.values():
            session.stop()

    def go_on(self) -> None:
        """Let the pointers move again: those off the bench glide to their readings, or look for home."""
        self.stopped = None
        for session in self.sessions.values():
            session.go_on()
        for address, driven in self.chain.pointers.items():
            if driven.pointer.gauge not in self.at_bench:
                self._let_go(address, driven)

    def _pointers_of(self, gauge: str) -> list[tuple[PointerAddress, DrivenPointer]]:
        return [(a, driven) for a, driven in self.chain.pointers.items() if driven.pointer.gauge == gauge]

    def _let_go(self, address: PointerAddress, driven: DrivenPointer) -> None:
        driven.let_go()
        self._send_on(address, driven)

    def knows(self, address: PointerAddress) -> bool:
        """Whether this pointer's position is known."""
        return address in self._taken

    def positions(self) -> dict[PointerAddress, float]:
        """The positions of the pointers whose position is known, in steps."""
        return {
            address: driven.position
            for address, driven in self.chain.pointers.items()
            if address in self._taken
        }

    def _watch_telemetry(self, time_s: float) -> None:
        if not self.telemetry.is_watched:
            return
        rest = self.panel.description.rest
        self._notices += self.telemetry.look(time_s, rest.after_s)
        if self.telemetry.state is Telemetry.RESTING:
            if rest.behaviour == "park":
                self.park()
        elif self.telemetry.state is Telemetry.LIVE and self.telemetry.is_full_pace:
            self.chain.look_for_losses(time_s, self.telemetry.live_s)
        self._notices += self._reports.losses(time_s)

    def take_notices(self) -> list[PanelNotice]:
        """What happened since the last call, oldest first."""
        notices, self._notices = [*self._notices, *self.chain.training.take_notices()], []
        return notices

    def _handle_notices(self, time_s: float) -> None:
        """Handle what the boards reported since the last tick."""
        ready, taken = Phase.READY, self._taken
        for session, pointers, addresses in self._boards:
            for notice in session.take_notices():
                self._notice(time_s, session, notice)
            for channel, driven, address in zip(session.channels, pointers, addresses, strict=True):
                takes = channel.takes if channel.phase is ready else None
                if takes == taken.get(address):
                    continue
                if takes is None:
                    del taken[address]
                    continue
                # The path starts again where the board reports the pointer, also if it was known before.
                driven.set_position(float(channel.position))
                taken[address] = takes
                self._confirmed.pop(address, None)  # what the user confirmed was true for the start only
                self._send_on(address, driven)

    def _send_on(self, address: PointerAddress, driven: DrivenPointer) -> None:
        """Where to send a pointer that is known or free from now on, if no reading arrives for it."""
        if self._parks or address in self.chain.parked:
            driven.glide(driven.pointer.park)
        elif driven.indication is not None:
            driven.glide(driven.indication)

    def _notice(self, time_s: float, session: BoardSession, notice: Notice) -> None:
        self._notices.append(BoardReported(session.name, notice))
        match notice:
            case KnobTurned():
                self._knob(time_s, session.name, notice)
            case ButtonPressed(source, presses):
                self.chain.training.pressed(session.name, source, presses)
            case PositionNeeded(channel):
                self._position_needed(session, channel)
        if isinstance(notice, KnobTurned | ButtonPressed | ButtonReleased | StateChanged):
            known = session.introduction
            tells = known is not None and (known.firmware_major, known.firmware_minor) >= RELEASES_SINCE
            values = self.chain.readings.values
            self._act(time_s, self.controls.take(time_s, session.name, notice, values, tells))

    def _knob(self, time_s: float, board: str, turned: KnobTurned) -> None:
        self.chain.lamps.turn(board, turned.source, turned.change)
        setting = self.panel.description.altimeter_setting
        if self.chain.setting_source == "knob" and (setting.board, setting.input) == (board, turned.source):
            quantity = self.panel.catalogue["altimeter_setting"]
            set_to = self.chain.readings.values["altimeter_setting"] + turned.change * setting.inhg_per_count
            self.chain.set_own(time_s, "altimeter_setting", min(max(set_to, quantity.low), quantity.high))
            self._turned_s = time_s

    def _act(self, time_s: float, actions: Iterable[Action]) -> None:
        """Do what a hand asks for, or leave it to the caller."""
        for action in actions:
            match action:
                case Step(quantity, value):
                    self.chain.set_own(time_s, quantity, value)
                    self._notices.append(ReadingSet(quantity, value, self.panel.catalogue[quantity].unit))
                    if quantity == "altimeter_setting":
                        self._turned_s = time_s
                case NotDone(control, why):
                    self._notices.append(ControlNotDone(control, why))
                case _:
                    self._actions.append(action)

    def take_actions(self) -> list[Action]:
        """What hands at knobs and buttons have asked for since the last call that is not done here."""
        actions, self._actions = self._actions, []
        return actions

    def _report_setting(self) -> None:
        setting_inhg = self.chain.readings.values.get("altimeter_setting")
        if setting_inhg is not None:
            self._notices.append(AltimeterSet(setting_inhg, self.chain.setting_source))

    def _position_needed(self, session: BoardSession, channel: int) -> None:
        position = self._confirmed.pop((session.name, channel), None)
        if position is not None:
            try:
                session.adopt(channel, round(position))
            except BoardError as error:
                self._notices.append(PositionUnknown(session.name, channel, error.detail))
            else:
                self._notices.append(PositionAdopted(session.name, channel, round(position)))
        else:
            self._notices.append(PositionUnknown(session.name, channel, ""))
