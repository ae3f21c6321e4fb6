"""What arrives has bounds, whoever sends it: sizes, fields, senders, log lines, garbage."""

from __future__ import annotations

import gc
from pathlib import Path

import pytest
from structlog.testing import capture_logs

from bridge.errors import TelemetryError
from bridge.logs import printable
from bridge.quantities.catalogue import CATALOGUE
from bridge.telemetry.decoder import MOST_COLUMNS, MOST_DROPPED, Decoded
from bridge.telemetry.layout import load_layout
from bridge.telemetry.monitor import lines
from bridge.telemetry.udp import (
    FORGOTTEN_S,
    LOG_BURST,
    MOST_DATAGRAM_BYTES,
    MOST_IN_SLICE,
    MOST_SENDERS,
    OTHERS,
    SLICE_S,
    UdpSource,
)
from tests.telemetry.written import EXAMPLES

LABELS = b"time,altitude,airspeed"
LIVE = ("127.0.0.1", 40_000)
LAYOUTS = sorted(EXAMPLES.glob("*.toml"))
JUNK: dict[str, bytes] = {
    "groups": b"GRP\x01" + b"\xff" * 60_000,
    "json": b"[" * 60_000,
    "keyvalue": b"AIR " + b"hdg=x;" * 10_900,
    "mavlink": bytes.fromhex("fd0100000001014a0000006be5") * 5_000,
    "labelled-text": b"#" + b",label" * 9_000,
    "packed": b"LKM1" + b"\xff" * 60_000,
}


def labelled(folder: Path) -> UdpSource:
    """A source of one layout whose sender names its columns once; its clock is `NOW_S`."""
    file = folder / "labelled.toml"
    file.write_text(
        'kind = "delimited"\nseparator = ","\n'
        '[[fields]]\nquantity = "pressure_altitude"\nlabel = "altitude"\nunit = "ft"\n'
        '[[fields]]\nquantity = "calibrated_airspeed"\nlabel = "airspeed"\nunit = "kt"\n'
    )
    return UdpSource("127.0.0.1", 0, [load_layout(file)], clock=lambda: NOW_S[0])


NOW_S = [0.0]


@pytest.mark.parametrize("file", LAYOUTS, ids=lambda file: file.stem)
def test_a_datagram_of_64_kb_is_dropped_unread_and_counted(file: Path) -> None:
    source = UdpSource("127.0.0.1", 0, [load_layout(file)], clock=lambda: 1.0)
    with capture_logs() as logs:
        for _ in range(50):
            source.received(JUNK[file.stem][:65_000], LIVE)
    (sender,) = source.senders
    assert sender.causes == {"too long": 50}
    assert f"at most {MOST_DATAGRAM_BYTES}" in sender.trouble
    assert len([line for line in logs if line["log_level"] == "warning"]) == 1


@pytest.mark.parametrize("file", LAYOUTS, ids=lambda file: file.stem)
def test_a_long_datagram_is_shown_in_a_few_words(file: Path) -> None:
    datagram = JUNK[file.stem][:MOST_DATAGRAM_BYTES]
    try:
        decoded = load_layout(file).decoder().decode(datagram)
    except TelemetryError as error:
        assert len(str(error)) < 600
    else:
        assert isinstance(decoded, Decoded)
        assert len(decoded.dropped) <= MOST_DROPPED


def test_more_columns_than_anybody_sends_are_refused(tmp_path: Path) -> None:
    source = labelled(tmp_path)
    source.received(b"x," * (MOST_COLUMNS + 1), LIVE)
    assert source.senders[0].causes == {"too many columns": 1}


def test_no_crowd_of_strangers_silences_a_sender_that_is_understood(tmp_path: Path) -> None:
    """Its labels came once, when it started; forgotten, they would never come again."""
    source = labelled(tmp_path)
    source.received(LABELS, LIVE)
    with capture_logs() as logs:
        for port in range(1, 2000):
            NOW_S[0] += 0.001
            source.received(b"junk!", ("127.0.0.1", port))
    assert len(source.senders) == MOST_SENDERS
    source.received(b"1,2140,90", LIVE)
    live = next(sender for sender in source.senders if sender.address == "127.0.0.1:40000")
    assert live.readings == {"pressure_altitude": 2140.0, "calibrated_airspeed": 90.0}
    assert len(logs) <= 4 * LOG_BURST, "a few lines, whatever the crowd"


def test_a_sender_faster_than_any_simulator_is_read_in_part_and_others_in_full(tmp_path: Path) -> None:
    source = labelled(tmp_path)
    NOW_S[0] = 100.0
    fast, usual = LIVE, ("127.0.0.1", 41_000)
    for address in (fast, usual):
        source.received(LABELS, address)
    for count in range(5000):
        source.received(b"%d,2140,90" % count, fast)
    source.received(b"1,2140,90", usual)
    flood, other = source.senders
    assert (flood.datagrams, flood.unused) == (5001, 5001 - MOST_IN_SLICE)
    assert flood.causes == {"too many": flood.unused}
    assert (other.unused, other.readings["pressure_altitude"]) == (0, 2140.0)
    NOW_S[0] += SLICE_S
    source.received(b"5001,2150,90", fast)
    assert flood.readings["pressure_altitude"] == 2150.0


def test_datagrams_for_which_there_is_no_place_are_counted(tmp_path: Path) -> None:
    source = labelled(tmp_path)
    for port in range(1, MOST_SENDERS + 1):
        source.received(LABELS, ("127.0.0.1", port))
    for port in range(50_000, 50_007):
        source.received(b"1,2140,90", ("127.0.0.1", port))
    assert (source.turned_away, source.forgotten) == (7, 0)
    NOW_S[0] += FORGOTTEN_S + 1.0
    source.received(LABELS, LIVE)
    assert (source.turned_away, source.forgotten) == (7, 1)
    shown = list(lines([source], CATALOGUE, NOW_S[0]))
    assert any(line.startswith("7 datagrams skipped") for line in shown)
    assert any(line.startswith("1 senders gave way") for line in shown)


def test_every_refused_datagram_is_counted_however_many_hosts_send_them(tmp_path: Path) -> None:
    source = UdpSource("127.0.0.1", 0, [], allow=["10.0.0.1"], clock=lambda: 1.0)
    with capture_logs() as logs:
        for number in range(1000):
            source.received(b"1", (f"192.168.{number // 250}.{number % 250}", 4000))
    assert source.refused.total() == 1000
    assert len(source.refused) == MOST_SENDERS + 1
    assert source.refused[OTHERS] == 1000 - MOST_SENDERS
    assert len(logs) == LOG_BURST


def test_fields_beyond_those_named_one_by_one_are_counted(tmp_path: Path) -> None:
    others = [name for name in CATALOGUE if name != "pressure_altitude"][: MOST_DROPPED + 3]
    file = tmp_path / "many.toml"
    fields = [
        f'[[fields]]\nquantity = "{name}"\ncolumn = {column}\nunit = "{CATALOGUE[name].unit}"\n'
        for column, name in enumerate(["pressure_altitude", *others], 1)
    ]
    file.write_text('kind = "delimited"\nseparator = ","\n' + "".join(fields))
    source = UdpSource("127.0.0.1", 0, [load_layout(file)], clock=lambda: 1.0)
    source.received(b"2140" + b",x" * (MOST_DROPPED + 1) + b",nan,", LIVE)
    (sender,) = source.senders
    assert sender.readings == {"pressure_altitude": 2140.0}
    assert sender.causes == {"not a number": MOST_DROPPED + 1, "not finite": 1, "blank": 1}


def test_one_sender_of_many_has_one_line_and_the_next_one_counts_what_was_left_out(tmp_path: Path) -> None:
    source = labelled(tmp_path)
    NOW_S[0] += 1000.0
    with capture_logs() as logs:
        for port in (1, 1, 1, 2):
            source.received(b"junk!", ("127.0.0.1", port))
    dropped = [(line["sender"], line.get("more")) for line in logs if line["event"] == "datagram dropped"]
    assert dropped == [("127.0.0.1:1", None), ("127.0.0.1:2", 2)]


def test_useful_senders_give_way_only_once_they_are_silent(tmp_path: Path) -> None:
    source = labelled(tmp_path)
    for port in range(1, MOST_SENDERS + 1):
        source.received(LABELS, ("127.0.0.1", port))
    source.received(LABELS, LIVE)
    assert "127.0.0.1:40000" not in {sender.address for sender in source.senders}
    NOW_S[0] += FORGOTTEN_S + 1.0
    source.received(LABELS, LIVE)
    assert "127.0.0.1:40000" in {sender.address for sender in source.senders}


def test_labels_outlive_a_reload_of_the_layout(tmp_path: Path) -> None:
    before = labelled(tmp_path)
    before.received(LABELS, LIVE)
    after = labelled(tmp_path)
    after.remember(before)
    again = labelled(tmp_path)
    again.remember(after)  # a second save before the sender was heard
    again.received(b"1,2140,90", LIVE)
    assert again.senders[0].readings["pressure_altitude"] == 2140.0


@pytest.mark.slow
def test_useless_datagrams_leave_no_garbage_for_the_collector(tmp_path: Path) -> None:
    layouts = [load_layout(file) for file in LAYOUTS]
    source = UdpSource("127.0.0.1", 0, layouts, clock=lambda: 1.0)
    source.received(b"nonsense", LIVE)
    gc.collect()
    gc.disable()
    try:
        for number in range(200):
            source.received(b"nonsense %d" % number, LIVE)
        assert gc.collect() < 20
    finally:
        gc.enable()


def test_what_comes_from_outside_can_not_steer_the_terminal(tmp_path: Path) -> None:
    source = labelled(tmp_path)
    with capture_logs() as logs:
        source.received(b"\x1b[2Jaltitude,altitude,airspeed", LIVE)
    shown = str([line["first"] for line in logs if line["event"] == "labels"])
    assert "\x1b" not in shown and "x1b" in shown
    assert printable("a\x1b[0m\r\n\x9b ü") == r"a\x1b[0m\x0d\x0a\x9b ü"


def test_a_label_of_thousands_of_bytes_is_refused_and_counted(tmp_path: Path) -> None:
    source = labelled(tmp_path)
    with capture_logs() as logs:
        source.received(b"time,altitude," + b"x" * 10_000, LIVE)
    assert source.senders[0].causes == {"label too long": 1}
    assert max(len(str(line)) for line in logs) < 600


def test_labels_of_senders_long_gone_do_not_pile_up_over_reloads(tmp_path: Path) -> None:
    source = labelled(tmp_path)
    for reload in range(3):
        for port in range(MOST_SENDERS):
            source.received(LABELS, ("127.0.0.1", 1000 * (reload + 1) + port))
        after = labelled(tmp_path)
        after.remember(source)
        source = after
    assert len(source._remembered) == MOST_SENDERS
    source.received(b"1,2140,90", ("127.0.0.1", 3000))
    assert source.senders[0].readings["pressure_altitude"] == 2140.0, "the last ones are kept"
