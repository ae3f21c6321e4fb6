"""Takes the snapshots of a running panel: `bridge.flight.snapshot`."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from bridge.boards.pointer_channel import Phase, PointerChannel
from bridge.boards.session import BoardSession
from bridge.flight.chain import Chain, PointerAddress
from bridge.flight.driven_pointer import DrivenPointer
from bridge.flight.flags import Flags
from bridge.flight.lamps import DrivenLamp
from bridge.flight.readings import NOTHING
from bridge.flight.snapshot import (
    BoardSnapshot,
    GearedSnapshot,
    LampSnapshot,
    PanelSnapshot,
    PlanSnapshot,
    PointerSnapshot,
    SettingSnapshot,
)
from bridge.gauges.pointer import Pointer
from bridge.panel.load import Panel


@dataclass(frozen=True, slots=True)
class _Wheels:
    """A geared pointer as its driven one turns it."""

    key: str
    per_turn: float
    zero_deg: float


class Observer:
    """Takes the snapshots of one running panel: its chain and its sessions."""

    def __init__(self, panel: Panel, chain: Chain, sessions: Mapping[str, BoardSession]) -> None:
        described = panel.description
        self._name = described.name
        self._chain = chain
        self._by_name = sessions
        self._sessions = tuple(
            (session, described.boards[name].is_virtual) for name, session in sessions.items()
        )
        self._pointers = tuple(
            _Observed(driven, (p.board, p.channel), sessions[p.board], panel)
            for p in panel.pointers
            for driven in (chain.pointers[p.board, p.channel],)
        )
        self._flags = Flags(chain)
        self._panel = panel
        self._plan = self._take_plan()
        self._planned = chain.readings.plan

    def at(self, time_s: float, telemetry: str, telemetry_age_s: float | None, parked: bool) -> PanelSnapshot:
        """The panel as it is; `parked` when all its pointers are."""
        chain = self._chain
        if chain.readings.plan is not self._planned:
            self._plan, self._planned = self._take_plan(), chain.readings.plan
        lost = chain.losses.pointers
        pointers = []
        geared: list[GearedSnapshot] = []
        for observed in self._pointers:
            address = observed.address
            taken = observed.at(time_s, lost.get(address, ()), parked or address in chain.parked)
            pointers.append(taken)
            if observed.wheels:
                geared += observed.geared(taken)
        return PanelSnapshot(
            time_s,
            self._name,
            telemetry,
            telemetry_age_s,
            SettingSnapshot(chain.felt.get("altimeter_setting"), chain.setting_source),
            chain.readings.values,
            chain.readings.rows,
            tuple(pointers),
            tuple(geared),
            self._flags.at(telemetry),
            tuple(self._lamp(driven) for driven in chain.lamps.driven),
            tuple(_board(session, virtual) for session, virtual in self._sessions),
            dict(chain.losses.arrived_s),
            self._plan,
            tuple(chain.training.in_force),
            chain.training.scenario.name if chain.training.scenario else None,
            _differing(chain.felt, chain.readings.values),
        )

    def _lamp(self, driven: DrivenLamp) -> LampSnapshot:
        lamp, bank = driven.lamp, self._by_name[driven.lamp.board].lamps
        state, detail = "lit" if driven.brightness > 0.0 else "dark", ""
        if not bank.usable:
            state, detail = "off", bank.why
        elif not driven.there:
            state, detail = "awaited", f"no {', '.join(sorted(lamp.quantities))}"
        return LampSnapshot(lamp.name, lamp.board, lamp.number, lamp.dimmed, driven.brightness, state, detail)

    def _take_plan(self) -> PlanSnapshot:
        panel, chain = self._panel, self._chain
        switched: dict[str, str] = {}
        for address, lost in chain.switched.items():
            sources = ", ".join(sorted(chain.rests_on(address)))
            gauge = chain.pointers[address].pointer.gauge
            switched[gauge] = f"derived from {sources}, without {', '.join(lost)}"
        return PlanSnapshot(
            {name: quantity.unit for name, quantity in panel.catalogue.items()},
            chain.readings.rests_on,
            chain.readings.plan.given | chain.losses.quantities - chain.readings.derived,
            {
                gauge: tuple(p.indication for p in panel.pointers if p.gauge == gauge)
                for gauge in panel.description.gauges
            },
            chain.missing,
            switched,
        )


class _Observed:
    """One driven pointer, its channel, and where the board's last report puts it on the face."""

    def __init__(
        self, driven: DrivenPointer, address: PointerAddress, session: BoardSession, panel: Panel
    ) -> None:
        pointer = driven.pointer
        self.address = address
        self._driven = driven
        self._session = session
        self._channel: PointerChannel = session.channels[pointer.channel]
        self._quantity = panel.shown(pointer)
        motor = panel.motor(pointer)
        self._holds = not (motor.is_servo or motor.holds_without_current)
        gauge = panel.description.gauges[pointer.gauge]
        self.wheels = tuple(
            _Wheels(f"{pointer.gauge}.{name}", geared.per_turn, geared.zero_deg)
            for name, geared in gauge.geared.items()
            if gauge.driven_by(name) == pointer.name
        )
        self._place: tuple[int, bool] | None = None
        self._reading, self._face_deg = 0.0, 0.0

    def at(self, time_s: float, lost: tuple[str, ...], parked: bool) -> PointerSnapshot:
        driven, channel, session = self._driven, self._channel, self._session
        pointer, indication, reported = driven.pointer, driven.indication, channel.position
        shows = error = face_deg = None
        if channel.phase is Phase.READY:
            self._read(pointer, reported, driven.direction.falling)
            face_deg = self._face_deg % 360.0
            shows = _nearest(self._reading, pointer.rising.period, indication)
            if indication is not None and not (driven.off_scale or parked or driven.held):
                error = shows - indication
            if self._quantity.circular:
                shows = self._quantity.wrap(shows)
        return PointerSnapshot(
            pointer.key,
            pointer.gauge,
            self.address[0],
            self.address[1],
            pointer.unit,
            indication,
            driven.off_scale,
            driven.times_off_scale,
            driven.target,
            driven.position,
            driven.velocity,
            reported,
            None if session.reported_s is None else time_s - session.reported_s,
            shows,
            error,
            face_deg,
            channel.phase.value,
            channel.detail,
            lost,
            parked,
            driven.held,
            None if channel.audit is None else channel.audit.missed,
            time_s - channel.still_s if self._holds and channel.still_s is not None else None,
            driven.motion.slow_s or None,
            driven.true_indication,
        )

    def geared(self, taken: PointerSnapshot) -> list[GearedSnapshot]:
        """The pointers that wheels turn from this one, just taken."""
        found = []
        for wheels in self.wheels:
            shows = error = face_deg = None
            if taken.shows is not None:
                shows = _nearest(self._reading, wheels.per_turn, taken.indication)
                error = None if taken.error is None or taken.indication is None else shows - taken.indication
                face_deg = (self._reading / wheels.per_turn * 360.0 + wheels.zero_deg) % 360.0
            found.append(
                GearedSnapshot(
                    wheels.key, taken.gauge, taken.key, taken.unit, taken.indication, shows, error, face_deg
                )
            )
        return found

    def _read(self, pointer: Pointer, reported_steps: int, falling: bool) -> None:
        """Work out reading and face angle of this position, which stays for several ticks."""
        if self._place != (reported_steps, falling):
            self._place = (reported_steps, falling)
            self._reading = pointer.reading(reported_steps, falling)
            self._face_deg = pointer.face_deg(reported_steps, falling)


def _differing(felt: Mapping[str, float], values: Mapping[str, float]) -> Mapping[str, float]:
    """What is felt and is not the true value."""
    if felt is values:
        return NOTHING
    return {name: value for name, value in felt.items() if value != values.get(name)}


def _nearest(reading: float, period: float | None, indication: float | None) -> float:
    """The same place on the face, in the turn nearest to the indication."""
    if period is None or indication is None:
        return reading
    return reading + round((indication - reading) / period) * period


def _board(session: BoardSession, virtual: bool) -> BoardSnapshot:
    figures = session.statistics
    return BoardSnapshot(
        session.name,
        virtual,
        session.state.value,
        session.detail,
        figures.sent,
        figures.board_missed,
        figures.board_bad,
        figures.corrupted,
        figures.disbelieved,
        figures.undecodable,
        figures.unanswered,
        figures.refused,
        figures.resets,
        figures.watchdog_trips,
        figures.round_trip_s,
        figures.worst_round_trip_s,
    )
