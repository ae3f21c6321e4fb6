"""Flight logs of every kind before they are flown: `listen` shows what is in one, `check` what will fly."""

from __future__ import annotations

import argparse
import signal
import struct
from collections.abc import Callable
from pathlib import Path
from types import ModuleType

import pytest

from bridge.commands import check, listen
from bridge.errors import BridgeError
from bridge.flight.trace import MARK
from tests.commands.started import change, started
from tests.conftest import ROOT
from tests.telemetry.mavlink_frames import MAVLINK_EXAMPLE

FLIGHTS = ROOT / "tests" / "data" / "flights"
PANEL = ROOT / "config" / "panel.toml"
LAYOUT = """\
kind = "table"
separator = ";"
time = { label = "UTC", written = "clock" }
[[fields]]
label = "Alt"
quantity = "pressure_altitude"
unit = "m"
"""


def run(command: ModuleType, *words: object) -> int:
    parser = argparse.ArgumentParser()
    command.add_arguments(parser)
    return int(command.run(parser.parse_args([str(word) for word in words])))


def igc(folder: Path) -> list[object]:
    return [FLIGHTS / "midnight.igc"]


def tlog(folder: Path) -> list[object]:
    rows = [struct.pack(">Q", 1_780_570_895_000_000 + i * 50_000) + MAVLINK_EXAMPLE for i in range(40)]
    (folder / "flight.tlog").write_bytes(b"".join(rows))
    return [folder / "flight.tlog"]


def table(folder: Path) -> list[object]:
    (folder / "layout.toml").write_text(LAYOUT)
    (folder / "flight.txt").write_text("UTC;Alt\n11:01:35;304.8\n11:01:36;nothing\n11:01:37;609.6\n")
    return [folder / "flight.txt", "--layout", folder / "layout.toml"]


def csv(folder: Path) -> list[object]:
    (folder / "flight.csv").write_text("time[s],pitch[deg]\n0,1\n2,3\n")
    return [folder / "flight.csv"]


KINDS: dict[Callable[[Path], list[object]], tuple[str, str, str]] = {
    igc: ("200 rows from 0 s to 527 s, 2009-11-06, 38.6 S, 176.2 E", "heading_true", "TAS in 0.01 km/h"),
    tlog: ("40 rows from 0 s to 1.95 s, 2026-06-04", "indicated_airspeed", "0.05 s"),
    table: ("3 rows from 0 s to 2 s", "pressure_altitude", "2,000.0"),
    csv: ("2 rows from 0 s to 2 s", "pitch", "2.00 s"),
}


@pytest.mark.parametrize(("kind", "words"), KINDS.items(), ids=lambda kind: getattr(kind, "__name__", ""))
def test_listen_shows_what_is_in_a_log(
    kind: Callable[[Path], list[object]],
    words: tuple[str, ...],
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    assert run(listen, *kind(tmp_path)) == 0
    shown = " ".join(capsys.readouterr().out.split())
    for word in words:
        assert word in shown


@pytest.mark.parametrize("kind", KINDS, ids=lambda kind: kind.__name__)
def test_check_tells_what_flies_of_a_log(
    kind: Callable[[Path], list[object]], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(check, PANEL, "--log", *kind(tmp_path), "--json", tmp_path / "found.json") == 0
    found = (tmp_path / "found.json").read_text(encoding="utf-8")
    assert KINDS[kind][0] in found
    assert ("The log has no altimeter setting: assumes the standard one" in found) is (kind in (igc, table))
    lacking = '"subject": "attitude",\n      "check": "log"'
    assert lacking in found
    capsys.readouterr()


@pytest.mark.parametrize(
    ("command", "words", "message"),
    [
        (listen, ["none.igc"], "none.igc: found No such file"),
        (listen, [FLIGHTS / "nesc-13.1-climb.csv"], "a log layout (--layout)"),
        (listen, [FLIGHTS / "midnight.igc", "--layout", "a.toml", "--layout", "b.toml"], "2 layouts"),
        (check, [PANEL, "--log", "none.igc"], "none.igc: found No such file"),
        (check, ["--log", FLIGHTS / "midnight.igc"], "found no panel"),
        (check, [PANEL, "--layout", "a.toml"], "found a log layout without a log"),
    ],
)
def test_what_can_not_be_read_is_named(command: ModuleType, words: list[object], message: str) -> None:
    with pytest.raises(BridgeError) as raised:
        run(command, *words)
    assert message in str(raised.value)


@pytest.mark.parametrize("words", [(listen,), (check, PANEL, "--log")], ids=["listen", "check"])
def test_a_trace_is_no_log(words: tuple[ModuleType, *tuple[object, ...]], tmp_path: Path) -> None:
    (tmp_path / "trace.csv").write_text(f"{MARK},x\n")
    with pytest.raises(BridgeError, match=r"a trace, in which needles have moved already.*--report"):
        run(*words, tmp_path / "trace.csv")


@pytest.mark.slow
@pytest.mark.parametrize("more", [(), ("--trace", "trace.csv")], ids=["live", "its own time"])
def test_a_layout_that_is_saved_while_its_flight_is_replayed_is_taken(
    more: tuple[str, ...], tmp_path: Path
) -> None:
    layout = tmp_path / "recorder.toml"
    layout.write_text(
        'kind = "igc"\n[codes]\nTAS = { quantity = "true_airspeed", unit = "km/h", scale = 0.1 }\n'
    )
    flight = (FLIGHTS / "attitude.igc", "--layout", layout, "--panel", PANEL)
    with started(tmp_path, "replay", *flight, *more) as replay:
        replay.wait_for("state=live")
        change(layout, "scale", "skale")
        replay.wait_for("log layout not taken")
        assert "codes.TAS.skale: found an unknown key" in replay.output
        change(layout, "skale = 0.1", "scale = 0.01")
        replay.wait_for("log layout taken")
        assert replay.stop(signal.SIGINT) == 0
    assert "Traceback" not in replay.output
