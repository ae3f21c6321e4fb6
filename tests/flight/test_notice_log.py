"""Notices as log lines: every cause has its line, and no board can fill the log."""

from __future__ import annotations

import pytest
import structlog
from structlog.testing import capture_logs

from bridge.boards import notices as boards
from bridge.boards.session import STOPPED
from bridge.boards.state import State, Trigger
from bridge.flight.notice_log import NoticeLog
from bridge.flight.notices import (
    AltimeterSet,
    BoardReported,
    PanelNotice,
    PointersBack,
    PointersLost,
    TelemetryChanged,
)

READY = boards.StateChanged(State.READY, State.HOMING, Trigger.SETTLED, "")
HOMING = boards.StateChanged(State.HOMING, State.READY, Trigger.FITS, "asked for its positions")
GONE = boards.StateChanged(State.ABSENT, State.READY, Trigger.LINK_LOST, "the port was lost")
UNREACHABLE = boards.StateChanged(State.ABSENT, State.ABSENT, Trigger.LINK_LOST, "no device")
REFUSED = boards.StateChanged(State.FAULTED, State.FAULTED, Trigger.MISFITS, "has 1 channels")
STOPPED_ABSENT = boards.StateChanged(State.ABSENT, State.ABSENT, Trigger.LINK_LOST, STOPPED)
REPEATABLE: list[boards.Notice] = [
    boards.ButtonPressed(3, 1),
    boards.FrameRefused(2, 2),
    boards.WatchdogTripped(500),
    boards.FramesCorrupted(7, 0),
    boards.SlotsLost(12),
    boards.ImplausibleReport("reports state 255, which does not exist", 1),
    boards.StepsMissed(0, 40, 40),
    boards.PositionsForgotten((0, 1)),
    boards.ChannelFaulted(0, "no index mark found"),
]


@pytest.fixture(autouse=True)
def plain_logs() -> None:
    structlog.reset_defaults()


def logged(*notices: boards.Notice) -> list[tuple[str, str]]:
    log = NoticeLog()
    with capture_logs() as lines:
        log.log(0.0, [BoardReported("left", notice) for notice in notices])
    assert all(line["board"] == "left" for line in lines)
    return [(line["log_level"], line["event"]) for line in lines]


def test_what_happens_to_a_board_is_logged_and_what_is_wrong_is_a_warning() -> None:
    assert logged(HOMING, READY) == [("info", "board"), ("info", "board")]
    assert logged(GONE, UNREACHABLE, REFUSED) == [
        ("warning", "board"),
        ("warning", "board can't be reached"),
        ("warning", "board refused"),
    ]
    assert len(logged(*REPEATABLE)) == len(REPEATABLE)


def test_a_board_that_was_absent_when_the_service_stopped_is_no_warning() -> None:
    assert logged(STOPPED_ABSENT) == []


@pytest.mark.parametrize("notice", REPEATABLE, ids=lambda notice: type(notice).__name__)
def test_what_a_board_repeats_a_hundred_times_a_second_is_one_line_in_ten_seconds(
    notice: boards.Notice,
) -> None:
    log = NoticeLog()
    with capture_logs() as lines:
        for tick in range(3000):
            log.log(tick / 100, [BoardReported("left", notice)] * 10)
    assert len(lines) == 3
    assert lines[1]["more"] == 9999


def test_an_introduction_every_ten_milliseconds_is_two_lines_a_second_and_the_last_state_is_logged() -> None:
    log = NoticeLog()
    with capture_logs() as lines:
        for tick in range(1000):
            log.log(tick / 100, [BoardReported("left", HOMING), BoardReported("left", READY)])
        assert 10 <= len(lines) <= 22
        log.log(11.5, [])
    assert lines[-1]["state"] == "ready"


def test_one_board_that_floods_hides_no_other() -> None:
    log = NoticeLog()
    with capture_logs() as lines:
        log.log(0.0, [BoardReported("left", boards.WatchdogTripped(500))] * 100)
        log.log(
            0.0, [BoardReported("right", boards.WatchdogTripped(500)), TelemetryChanged("live", "silent")]
        )
    assert [(line.get("board"), line["event"]) for line in lines] == [
        ("left", "board heard nothing"),
        ("right", "board heard nothing"),
        (None, "telemetry"),
    ]


def test_what_is_lost_comes_back_or_is_set_has_a_line_each() -> None:
    """29.92 inHg are 1013.2 hPa (common practice, no source)."""
    keys = ("altimeter.hundreds", "altimeter.thousands")
    notices: list[PanelNotice] = [
        PointersLost(keys, ("pressure_altitude",), 0.62, "park"),
        PointersBack(keys, ("pressure_altitude",)),
        AltimeterSet(29.92, "knob"),
    ]
    with capture_logs() as lines:
        NoticeLog().log(0.0, notices)
    pointers = "altimeter.hundreds, altimeter.thousands"
    assert lines == [
        {
            "event": "telemetry lost",
            "log_level": "warning",
            "pointers": pointers,
            "lost": "pressure_altitude",
            "age_s": 0.6,
            "then": "park",
        },
        {"event": "telemetry back", "log_level": "info", "pointers": pointers, "back": "pressure_altitude"},
        {"event": "altimeter setting", "log_level": "info", "inhg": 29.92, "hpa": 1013.2, "source": "knob"},
    ]
