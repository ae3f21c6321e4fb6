"""Recordings of MAVLink: eight bytes of Unix time in microseconds, highest first, then a frame.

As pymavlink writes them (mavutil.py, struct ">Q"); one recording here is written by pymavlink's own frames.
"""

from __future__ import annotations

import math
import struct
from datetime import date
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymavlink.dialects.v20 import common as v2
from structlog.testing import capture_logs

from bridge.errors import DescriptionErrors
from bridge.quantities.catalogue import CATALOGUE
from bridge.telemetry.recorded import open_log
from bridge.telemetry.replay import arrivals
from bridge.telemetry.tlog import MavlinkLog, read_tlog
from tests.telemetry.mavlink_frames import mavlink_frame

BEGAN_US = 1_780_570_895_000_000  # 2026-06-04 11:01:35 UTC
PRESSURES_HPA = (1013.25, 1001.2, 990.5, 980.25)


def row(time_s: float, frame: bytes) -> bytes:
    return struct.pack(">Q", BEGAN_US + round(time_s * 1e6)) + frame


def pressure(hpa: float, system: int = 1) -> bytes:
    return mavlink_frame(29, struct.pack("<Iffhh", 0, hpa, 0.0, 0, 0), system)


ROWS = [row(i * 0.5, pressure(hpa)) for i, hpa in enumerate(PRESSURES_HPA)]


def read(folder: Path, *parts: bytes) -> MavlinkLog:
    path = folder / "flight.tlog"
    path.write_bytes(b"".join(parts))
    return read_tlog(path, CATALOGUE)


def flown(log: MavlinkLog) -> list[tuple[float, float]]:
    return [(time_s, round(readings["static_pressure"], 3)) for time_s, readings in log]


EXPECTED = [(i * 0.5, hpa) for i, hpa in enumerate(PRESSURES_HPA)]


def test_frames_with_their_times(tmp_path: Path) -> None:
    log = read(tmp_path, *ROWS)
    assert (set(log.given), log.date, log.place) == ({"static_pressure"}, date(2026, 6, 4), None)
    assert flown(log) == flown(log) == EXPECTED


def test_a_flight_of_pymavlinks_frames_is_replayed_with_all_that_it_has(tmp_path: Path) -> None:
    sender = v2.MAVLink(None, srcSystem=1, srcComponent=1)
    parts = []
    for i in range(40):
        messages: list[Any] = [
            v2.MAVLink_heartbeat_message(1, 3, 0, 0, 4, 3),
            v2.MAVLink_attitude_message(i * 100, 0.01 * i, 0.02, 1.0, 0, 0, 0),
            v2.MAVLink_vfr_hud_message(50.0 + i, 52.0, 57, 60, 300.0, 1.0),
            v2.MAVLink_global_position_int_message(
                i * 100, 473_977_418, 85_455_939, 300_000 + i, 0, 0, 0, 0, 0
            ),
        ]
        parts += [row(i * 0.1 + j * 0.01, bytes(message.pack(sender))) for j, message in enumerate(messages)]
    log = read(tmp_path, *parts)
    assert log.given >= {"bank", "pitch", "heading_true", "indicated_airspeed", "geometric_altitude"}
    assert log.place == pytest.approx((47.3977418, 8.5455939))
    readings: dict[str, float] = {}
    for arrival in arrivals(log):
        readings |= arrival.readings
    assert readings["bank"] == pytest.approx(math.degrees(0.39), rel=1e-5)
    assert readings["indicated_airspeed"] == pytest.approx(89 * 3600 / 1852)
    assert readings["geometric_altitude"] == pytest.approx(300.039 / 0.3048)


def test_it_is_known_by_its_name_and_by_its_first_frame(tmp_path: Path) -> None:
    for name in ("flight.tlog", "flight.bin"):
        (tmp_path / name).write_bytes(b"".join(ROWS))
        assert isinstance(open_log(tmp_path / name), MavlinkLog)


def test_a_layout_chooses_the_system(tmp_path: Path) -> None:
    others = [row(i * 0.5 + 0.1, pressure(500.0 + i, 9)) for i in range(4)]
    log = read(tmp_path, *(part for pair in zip(ROWS, others, strict=True) for part in pair))
    assert flown(log) == EXPECTED
    assert log.assumptions == (
        "the log has the systems 1, 9: follows system 1, component 1; a layout chooses (--layout)",
    )
    layout = tmp_path / "own.toml"
    layout.write_text('kind = "mavlink"\nsystem = 9\n', encoding="utf-8")
    chosen = open_log(log.path, layout=layout)
    assert [readings["static_pressure"] for _, readings in chosen] == [500.0, 501.0, 502.0, 503.0]


@pytest.mark.parametrize(
    "rubbish",
    [b"\0" * 100, b"rubbish" * 30_000, ROWS[2][:20], b"\xfd" * 5000, row(0.7, b"\xfd\xff\0\0\0\1\1")],
)
def test_what_can_not_be_read_is_skipped_and_named_with_its_place(tmp_path: Path, rubbish: bytes) -> None:
    with capture_logs() as logs:
        log = read(tmp_path, *ROWS[:2], rubbish, *ROWS[2:])
        assert flown(log) == EXPECTED
    first = logs[0]["detail"]
    assert f"flight.tlog, byte {len(ROWS[0]) + len(ROWS[1])}" in first
    assert "8 bytes of time, and a frame of MAVLink" in first


def test_a_corrupted_frame_is_left_out_and_one_that_was_cut_at_the_end(tmp_path: Path) -> None:
    broken = bytearray(ROWS[1])
    broken[20] ^= 0xFF
    with capture_logs() as logs:
        assert flown(read(tmp_path, ROWS[0], bytes(broken), ROWS[2], ROWS[3][:-3])) == [
            EXPECTED[0],
            EXPECTED[2],
        ]
    assert "SCALED_PRESSURE that is corrupted" in logs[0]["detail"]
    assert "a frame that is cut" in logs[1]["detail"]


def test_a_time_that_goes_back_is_left_out(tmp_path: Path) -> None:
    with capture_logs() as logs:
        assert flown(read(tmp_path, *ROWS[:3], row(0.2, pressure(900.0)), ROWS[3])) == EXPECTED
    assert "times that never fall" in logs[0]["detail"]


@pytest.mark.parametrize("content", [b"", b"\0" * 9, b"not a recording", row(0, mavlink_frame(0, bytes(9)))])
def test_a_file_with_nothing_for_a_gauge_is_refused(tmp_path: Path, content: bytes) -> None:
    with pytest.raises(DescriptionErrors) as raised:
        read(tmp_path, content)
    assert raised.value.errors[0].expected.startswith("frames of MAVLink")


def test_a_file_that_is_not_there_is_named(tmp_path: Path) -> None:
    with pytest.raises(DescriptionErrors, match="No such file"):
        read_tlog(tmp_path / "none.tlog", CATALOGUE)


@given(st.lists(st.one_of(st.sampled_from(ROWS), st.binary(max_size=40)), max_size=12))
def test_whatever_is_in_a_file_the_rest_flies_in_order(parts: list[bytes]) -> None:
    with TemporaryDirectory() as folder, capture_logs():
        try:
            log = read(Path(folder), *parts)
        except DescriptionErrors:
            return
        times = [time_s for time_s, _ in log]
    assert times == sorted(times)
