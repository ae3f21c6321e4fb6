"""The message `health`: how telemetry, boards, pointers, recording and log are, and what needs somebody.

A fault is what needs somebody now, with what to do. A count that has grown (frames corrupted, datagrams not
used) is one for `RECENT_S` after it last grew.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterator
from typing import Any

from bridge.flight.notice_log import CORRUPTED_CURE, UNKNOWN_CURE
from bridge.flight.service_snapshot import RecordingSnapshot, ReloadSnapshot, SenderSnapshot, ServiceSnapshot
from bridge.flight.snapshot import (
    BoardSnapshot,
    LampSnapshot,
    PanelSnapshot,
    PointerSnapshot,
    ReadingSnapshot,
)
from bridge.logs import LogLine, printable
from bridge.page.live import rounded

RECENT_S = 10.0
HELD_LONG_S = 600.0
"""Coils that hold a still pointer for longer are a fault: they and their driver get hot (common practice, no
source)."""

_LISTEN = "`pointer-bridge listen` shows what arrives, and what is wrong with it"
_USED = frozenset({"introducing", "homing", "ready"})  # one that does not introduce itself is soon absent
Fault = tuple[str, str]
"""What is wrong, and what to do."""


class Health:
    """Makes the message `health`; remembers which counts have grown."""

    def __init__(self) -> None:
        self._counts: dict[Hashable, tuple[int, float]] = {}  # the count, and when it last grew

    def message(self, service: ServiceSnapshot, log: tuple[LogLine, ...]) -> dict[str, Any]:
        """The whole message; see the package's docstring."""
        panel = service.panel
        return {
            "type": "health",
            "telemetry": {
                "state": panel.telemetry,
                "age_s": rounded(panel.telemetry_age_s, 2),
                "setting": {
                    "inhg": rounded(panel.setting.inhg, 2),
                    "hpa": rounded(panel.setting.hpa, 1),
                    "source": panel.setting.source,
                },
                "senders": [_sender(sender) for sender in service.senders],
            },
            "readings": [_reading(reading) for reading in panel.readings],
            "gauges": {gauge.name: {"state": gauge.state, "why": gauge.why} for gauge in panel.gauges},
            "pointers": {pointer.key: _pointer(pointer) for pointer in panel.pointers},
            "lamps": [_lamp(lamp) for lamp in panel.lamps],
            "boards": [_board(board) for board in panel.boards],
            "recording": _recording(service.recording),
            "reload": _reload(service.reload),
            "log": [_line(line) for line in log],
            "faults": [{"text": text, "cure": cure} for text, cure in self._faults(service)],
        }

    # -- what needs somebody --------------------------------------------------------------------------

    def _faults(self, service: ServiceSnapshot) -> Iterator[Fault]:
        panel = service.panel
        if service.stopped is not None:
            yield (
                f"All needles are stopped by {service.stopped}",
                "let them go on once nothing is in their way",
            )
        for board in panel.boards:
            yield from self._of_board(panel.time_s, board)
        virtual = {board.name for board in panel.boards if board.virtual}
        for pointer in panel.pointers:
            yield from _of_pointer(pointer, virtual=pointer.board in virtual)
        yield from self._of_telemetry(service)
        for gauge in panel.gauges:
            if gauge.state == "lost":
                yield (
                    f"{gauge.name} has lost its telemetry: {gauge.why}",
                    f"the sender no longer sends it; {_LISTEN}",
                )
            elif gauge.state == "lacking":
                yield (
                    f"{gauge.name} lacks telemetry: {gauge.why}",
                    "add it to the sender and the layout, or leave the gauge out of the description",
                )
        for lamp in panel.lamps:
            if lamp.state == "off" and lamp.detail:
                yield f"Lamp {lamp.name} is not lit: board {lamp.board} {lamp.detail}", ""
        recording, reload = service.recording, service.reload
        if recording is not None and recording.failed:
            yield (
                f"The recording {recording.file} can't be written; {recording.lost} rows are lost so far",
                "make room on the disk; it goes on by itself",
            )
        if reload is not None and not reload.taken:
            yield (
                f"The changed description is not taken: {printable(reload.text)}",
                "correct the file and save it; until then the panel flies on as before",
            )

    def _of_board(self, time_s: float, board: BoardSnapshot) -> Iterator[Fault]:
        if board.state not in _USED:
            yield f"Board {board.name} is {board.state}", board.detail or "look at its cable and its power"
        grown = self._grows(time_s, ("corrupted", board.name), board.corrupted + board.corrupted_here)
        if grown:
            yield f"Board {board.name}: frames arrive corrupted", CORRUPTED_CURE
        if self._grows(time_s, ("resets", board.name), board.resets):
            yield f"Board {board.name} has restarted", "look at its supply, and whether a motor pulls it down"
        if self._grows(time_s, ("watchdog", board.name), board.watchdog_trips):
            yield (
                f"Board {board.name} heard nothing for a while and stopped its pointers",
                "look at its cable, and at the load of this machine",
            )

    def _of_telemetry(self, service: ServiceSnapshot) -> Iterator[Fault]:
        panel, now_s = service.panel, service.panel.time_s
        places = ", ".join(service.sources)
        if not service.sources:
            yield (
                "Nothing is described to listen to",
                "describe where telemetry comes from, under [[sources]] of the panel",
            )
        elif panel.telemetry == "awaited":
            yield f"No telemetry has arrived at {places} yet", f"let the simulator send there; {_LISTEN}"
        elif panel.telemetry in ("silent", "resting"):
            yield (
                f"Telemetry has stopped arriving at {places}",
                f"see whether the simulator still sends; {_LISTEN}",
            )
        for sender in service.senders:
            if self._grows(now_s, ("unused", sender.source, sender.address), sender.unused):
                yield (
                    f"Datagrams from {sender.address} can't be used: {sender.trouble}",
                    f"correct the layout; {_LISTEN}",
                )
        for host, count in service.refused.items():
            if self._grows(now_s, ("refused", host), count):
                yield (
                    f"Datagrams from {host} are skipped: it is not allowed",
                    "add it to `allow` of the source, if it is yours",
                )

    def _grows(self, time_s: float, key: Hashable, count: int) -> bool:
        """Whether this count has grown recently; what was there before the first look does not count."""
        before, grew_s = self._counts.get(key, (count, -RECENT_S))
        if count > before:
            grew_s = time_s
        self._counts[key] = count, grew_s
        return time_s - grew_s < RECENT_S


def as_shown(panel: PanelSnapshot, log: tuple[LogLine, ...]) -> dict[str, Any]:
    """What of the message is otherwise for those who may only watch, a trainee among them.

    Only the readings that needles show, as they should show them now, and no log line on failures.
    """
    shown = panel.shown
    return {
        "readings": [
            {
                **_reading(reading),
                "value": rounded(shown[reading.name].indication, 4),
                "unit": shown[reading.name].unit,
            }
            for reading in panel.readings
            if reading.name in shown
        ],
        "log": [_line(line) for line in log if not line.on_failures],
    }


def _of_pointer(pointer: PointerSnapshot, *, virtual: bool) -> Iterator[Fault]:
    if pointer.state == "faulted":
        yield f"{pointer.key}: {pointer.detail}", "then home it at the bench"
    elif pointer.state == "waiting":
        yield (
            f"{pointer.key} is not driven: its position is not known",
            f"confirm at the bench where it is; or {UNKNOWN_CURE}",
        )
    elif pointer.missed_steps:
        yield (
            f"{pointer.key} has missed {abs(pointer.missed_steps)} steps since homing; they are corrected",
            "find what holds or slips, or lower the speed and acceleration of its drive",
        )
    if not virtual and pointer.held_s is not None and pointer.held_s >= HELD_LONG_S:
        yield (
            f"{pointer.key}: its coils have held it still for {pointer.held_s / 60:.0f} minutes",
            "feel with care whether motor and driver get hot; lower the current, or switch the panel off",
        )


def _sender(sender: SenderSnapshot) -> dict[str, Any]:
    return {
        "address": printable(sender.address),
        "layout": sender.layout,
        "datagrams": sender.datagrams,
        "rate_hz": round(sender.rate_hz, 1),
        "unused": sender.unused,
        "causes": dict(sender.causes),
        "trouble": printable(sender.trouble),
    }


def _line(line: LogLine) -> dict[str, Any]:
    return {"at": line.at, "level": line.level, "text": line.text}


def _reading(reading: ReadingSnapshot) -> dict[str, Any]:
    return {
        "name": reading.name,
        "value": rounded(reading.value, 4),
        "unit": reading.unit,
        "age_s": rounded(reading.age_s, 1),
        "derived": reading.derived,
        "lost": reading.lost,
    }


def _pointer(pointer: PointerSnapshot) -> dict[str, Any]:
    return {
        "state": pointer.state,
        "detail": pointer.detail,
        "lost": pointer.lost,
        "parked": pointer.parked,
        "missed_steps": pointer.missed_steps,
        "held_s": rounded(pointer.held_s, 0),
    }


def _board(board: BoardSnapshot) -> dict[str, Any]:
    return {
        "name": board.name,
        "virtual": board.virtual,
        "state": board.state,
        "detail": printable(board.detail),
        "sent": board.sent,
        "lost": board.lost,
        "corrupted": board.corrupted + board.corrupted_here,
        "unanswered": board.unanswered,
        "disbelieved": board.disbelieved,
        "undecodable": board.undecodable,
        "refused": board.refused,
        "resets": board.resets,
        "watchdog_trips": board.watchdog_trips,
        "round_trip_ms": round(board.round_trip_s * 1000, 2),
        "worst_round_trip_ms": round(board.worst_round_trip_s * 1000, 1),
    }


def _lamp(lamp: LampSnapshot) -> dict[str, Any]:
    return {
        "name": lamp.name,
        "board": lamp.board,
        "state": lamp.state,
        "brightness": round(lamp.brightness, 2),
        "detail": printable(lamp.detail),
    }


def _recording(recording: RecordingSnapshot | None) -> dict[str, Any] | None:
    if recording is None:
        return None
    trouble = f"the disk refuses, {recording.lost} rows lost" if recording.failed else ""
    return {"file": recording.file, "rows": recording.rows, "trouble": trouble}


def _reload(reload: ReloadSnapshot | None) -> dict[str, Any] | None:
    return (
        None if reload is None else {"at": reload.at, "taken": reload.taken, "text": printable(reload.text)}
    )
