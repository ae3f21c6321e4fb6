"""Notices as log lines: the one border at which what the pure parts report is logged.

Lines are limited by cause, whatever a board sends: changes of state and homing to one a second for each
board, states and trigger (channel), anything else that can repeat to one in `LOG_EVERY_S`. A line after a
pause carries `more`, the number of those left out. A board's last change of state is never left out for good.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterable

import structlog

from bridge.boards import notices as boards
from bridge.boards.session import STOPPED
from bridge.boards.state import State
from bridge.flight.notices import (
    AllGoOn,
    AllStopped,
    AltimeterSet,
    Assumed,
    BoardReported,
    ControlNotDone,
    FailureSwitched,
    GaugeGivenBack,
    GaugeLacksTelemetry,
    GaugeTaken,
    LampLacksTelemetry,
    OffScale,
    PanelNotice,
    PointersBack,
    PointersLost,
    PositionAdopted,
    PositionUnknown,
    ReadingSet,
    TelemetryChanged,
    TelemetrySlow,
)
from bridge.logs import LOG_EVERY_S, LogThrottle
from bridge.quantities.units import convert

_log = structlog.get_logger(__name__)

STATE_EVERY_S = 1.0
CORRUPTED_CURE = "look at the cable, its length and the motor wires beside it"
OVERLOADED_CURE = "lower the speed of this board's drives, or use another board for some of its channels"
UNKNOWN_CURE = (
    "see that the needle is where the last run left it (the first time: at its home position), then start "
    "with --needles-as-left"
)


class NoticeLog:
    """Logs notices; times are seconds of the caller's clock."""

    def __init__(self) -> None:
        self._states = LogThrottle(STATE_EVERY_S)
        self._others = LogThrottle(LOG_EVERY_S)
        self._left_out: dict[str, tuple[float, boards.StateChanged]] = {}  # each board's last change, if so

    def log(self, now_s: float, notices: Iterable[PanelNotice]) -> None:
        """Log these notices, which were taken at this time; call it at every tick, also with none."""
        for board, (since_s, changed) in list(self._left_out.items()):
            if now_s - since_s >= STATE_EVERY_S:
                self._state(now_s, board, changed)
        for notice in notices:
            match notice:
                case BoardReported(board, boards.StateChanged() as changed):
                    self._state(now_s, board, changed)
                case BoardReported(board, reported):
                    self._board(now_s, board, reported)
                case TelemetryChanged(state, was):
                    _log.info("telemetry", state=state, was=was)  # silence takes time, so these are few
                case PointersLost(pointers, lost, age_s, then):  # takes time as well
                    _log.warning(
                        "telemetry lost",
                        pointers=", ".join(pointers),
                        lost=", ".join(lost),
                        age_s=round(age_s, 1),
                        then=then,
                    )
                case PointersBack(pointers, back):
                    _log.info("telemetry back", pointers=", ".join(pointers), back=", ".join(back))
                case OffScale(pointer, indication, low, high, unit):
                    _log.info(
                        "off scale",
                        pointer=pointer,
                        indication=f"{indication:g} {unit}",
                        scale=f"{low:g} to {high:g} {unit}",
                        needle="at the end of its scale; later times are counted",
                    )
                case TelemetrySlow(pointers, interval_s):
                    what = f"predicted in between; a change shows up to {interval_s:.1f} s late"
                    fields = {"pointers": ", ".join(pointers), "interval_s": round(interval_s, 1)}
                    self._line(now_s, "info", "telemetry is slow", (), **fields, needles=what)
                case AltimeterSet(setting_inhg, source):
                    hpa = round(convert(setting_inhg, "inHg", "hPa"), 1)
                    _log.info("altimeter setting", inhg=round(setting_inhg, 2), hpa=hpa, source=source)
                case ReadingSet(quantity, value, unit):
                    fields = {"quantity": quantity, "value": round(value, 4), "unit": unit}
                    self._line(now_s, "info", "set by hand", (quantity,), **fields)
                case ControlNotDone(control, why):
                    self._line(now_s, "warning", "control not done", (control,), control=control, why=why)
                case GaugeLacksTelemetry(gauge, why):
                    _log.warning("gauge lacks telemetry", gauge=gauge, why=why)
                case LampLacksTelemetry(lamp, why):
                    _log.warning("lamp lacks telemetry", lamp=lamp, why=why)
                case Assumed(assumption):
                    _log.info("assumption", detail=assumption)
                case GaugeTaken(gauge, holder):
                    _log.info("gauge at the bench", gauge=gauge, holder=holder)
                case GaugeGivenBack(gauge, holder, why):
                    _log.info(
                        "gauge back from the bench", gauge=gauge, holder=holder, why=why or "given back"
                    )
                case AllStopped(by):
                    _log.warning("all needles stopped", by=by)
                case AllGoOn(by):
                    _log.info("needles go on", by=by)
                case FailureSwitched(name, on, by, lacks):
                    without = {"no_effect": lacks} if lacks else {}
                    event = "failure" if on else "failure undone"
                    _log.info(event, failure=name, by=by, **without)
                case PositionAdopted(board, channel, steps):
                    _log.info("position adopted", board=board, channel=channel, steps=steps)
                case PositionUnknown(board, channel, why):
                    reason = {"why": why} if why else {}
                    key = (board, channel)
                    fields = {"board": board, "channel": channel, **reason, "cure": UNKNOWN_CURE}
                    self._line(now_s, "error", "position unknown", key, **fields)

    def _state(self, now_s: float, board: str, changed: boards.StateChanged) -> None:
        stopped = changed.why == STOPPED
        if stopped and changed.was is State.ABSENT:
            return
        count = self._states.due((board, changed.state, changed.was, changed.on), now_s)
        if count is None:
            self._left_out[board] = now_s, changed
            return
        self._left_out.pop(board, None)
        log = _log.warning if changed.state in (State.ABSENT, State.FAULTED) and not stopped else _log.info
        if changed.state is not changed.was:
            fields = {"board": board, "state": changed.state.value, "was": changed.was.value}
            log("board", **fields, on=changed.on.value, why=changed.why, **count)
        elif changed.state is State.ABSENT:
            log("board can't be reached", board=board, why=changed.why, **count)
        else:
            log("board refused", board=board, why=changed.why, **count)

    def _board(self, now_s: float, board: str, notice: boards.Notice) -> None:
        match notice:
            case boards.ChannelHomed(channel):
                if (count := self._states.due((board, "homed", channel), now_s)) is not None:
                    _log.info("homed", board=board, channel=channel, **count)
            case boards.ButtonPressed(source, presses):
                fields = {"board": board, "input": source, "presses": presses}
                self._line(now_s, "info", "button", (board,), **fields)
            case boards.ButtonReleased():
                pass  # what it starts is logged
            case boards.StepsMissed(channel, steps, total):
                fields = {"board": board, "channel": channel, "steps": steps, "total": total}
                self._line(now_s, "warning", "missed steps", (board, channel), **fields)
            case boards.ChannelFaulted(channel, why):
                fields = {"board": board, "channel": channel, "why": why}
                self._line(now_s, "error", "channel faulted", (board, channel), **fields)
            case boards.ImplausibleReport(why, channel):
                named = {} if channel is None else {"channel": channel}
                fields = {"board": board, **named, "why": why}
                self._line(now_s, "error", "implausible report", (board, channel), **fields)
            case boards.PositionsForgotten(channels):
                fields = {"board": board, "channels": list(channels)}
                self._line(now_s, "warning", "board has forgotten positions (reset)", (board,), **fields)
            case boards.FrameRefused(frame_type, reason):
                fields = {"board": board, "type": frame_type, "reason": reason}
                self._line(now_s, "warning", "frame refused", (board,), **fields)
            case boards.WatchdogTripped(silence_ms):
                fields = {"board": board, "silence_ms": silence_ms}
                self._line(now_s, "warning", "board heard nothing", (board,), **fields)
            case boards.FramesCorrupted(at_board, here):
                fields = {"board": board, "at_board": at_board, "here": here, "cure": CORRUPTED_CURE}
                self._line(now_s, "warning", "corrupted frames", (board,), **fields)
            case boards.LampsUnusable(why):
                self._line(now_s, "warning", "lamps not lit", (board,), board=board, why=why)
            case boards.SlotsLost(total):
                fields = {"board": board, "slots": total, "cure": OVERLOADED_CURE}
                self._line(now_s, "warning", "board overloaded: its pointers lag", (board,), **fields)

    def _line(self, now_s: float, level: str, event: str, key: Hashable, **fields: object) -> None:
        if (count := self._others.due((event, key), now_s)) is not None:
            getattr(_log, level)(event, **fields, **count)
