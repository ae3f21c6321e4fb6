"""A recorded flight, the whole way to virtual boards: deterministic, within limits, and right."""

from __future__ import annotations

import csv
import hashlib
import itertools
from pathlib import Path

import pytest

from bridge.flight.dry_run import DryRun
from bridge.flight.trace import Trace
from bridge.panel.load import load_panel
from bridge.telemetry.flightlog import read_log
from bridge.telemetry.replay import arrivals
from tests.conftest import ROOT

CIRCUIT = ROOT / "replay_logs" / "circuit.csv"
GO_AROUND = ROOT / "replay_logs" / "go-around.csv"


def rehearse(
    log_path: Path, start_s: float, end_s: float, panel: Path = ROOT / "config" / "panel.toml"
) -> DryRun:
    loaded = load_panel(panel)
    log = read_log(log_path, loaded.catalogue)
    return DryRun(loaded, log.given, arrivals(log, start_s, end_s))


def frames(dry_run: DryRun) -> str:
    """A digest of every byte that went to the boards, in order."""
    digest = hashlib.sha256()
    for name, board in dry_run.boards.items():
        receive = board.board.receive

        def heard(time_s: float, payload: bytes, name: str = name, receive=receive) -> list[bytes]:  # type: ignore[no-untyped-def]
            digest.update(name.encode() + payload)
            return receive(time_s, payload)  # type: ignore[no-any-return]

        board.board.receive = heard  # type: ignore[method-assign]
    for _ in dry_run.ticks():
        pass
    return digest.hexdigest()


@pytest.mark.slow
def test_a_flight_gives_the_same_frames_byte_for_byte() -> None:
    first = frames(rehearse(GO_AROUND, 55, 75))
    assert first == frames(rehearse(GO_AROUND, 55, 75))
    assert first != frames(rehearse(GO_AROUND, 56, 75))


@pytest.mark.slow
def test_in_a_climb_the_hundreds_pointer_is_within_10_ft_at_every_tick() -> None:
    """Reading to within 10 ft: common practice, no source."""
    dry_run = rehearse(CIRCUIT, 80, 140)
    needle = dry_run.running.chain.pointers["left", 0]
    worst_ft = 0.0
    ticks = 0
    for _ in dry_run.ticks():
        ticks += 1
        assert needle.indication is not None
        place = dry_run.boards["left"].board.channel(0).place
        off_ft = needle.pointer.reading(place, needle.direction.falling) - needle.indication
        worst_ft = max(worst_ft, abs((off_ft + 500) % 1000 - 500))  # whole turns do not show
    assert ticks > 5900
    assert 0.0 < worst_ft < 10.0


def test_needles_are_homed_and_set_before_the_flight_begins() -> None:
    dry_run = rehearse(CIRCUIT, 300, 302)
    next(iter(dry_run.ticks()))
    assert len(dry_run.running.chain.pointers) == 10
    for needle in dry_run.running.chain.pointers.values():
        assert needle.target is not None
        assert needle.position == pytest.approx(needle.target, abs=15), needle.pointer.key


@pytest.mark.slow
def test_a_bounded_pointer_may_be_homed_by_an_index_mark(config: Path) -> None:
    panel = config / "panel.toml"
    swept = 'pins = ["D2", "D3", "D4", "D5"], homing = "sweep"'
    assert swept in panel.read_text()
    marked = swept.replace('"sweep"', '"index", index = { pin = "A5" }')
    panel.write_text(panel.read_text().replace(swept, marked))
    dry_run = rehearse(CIRCUIT, 300, 301, panel)
    for _ in dry_run.ticks():
        pass
    needle = dry_run.running.chain.pointers["right", 0]
    assert needle.target is not None
    assert dry_run.boards["right"].board.channel(0).place == pytest.approx(needle.target, abs=3)


@pytest.mark.slow
def test_boards_never_see_more_than_their_limits() -> None:
    dry_run = rehearse(GO_AROUND, 60, 120)
    tick_s = 0.01
    before: dict[tuple[str, int], tuple[float, float]] = {}
    for _ in dry_run.ticks():
        for place, needle in dry_run.running.chain.pointers.items():
            drive = needle.pointer.drive
            assert abs(needle.velocity) <= drive.speed_steps_s + 1e-6
            if place in before:
                change = abs(needle.velocity - before[place][1])
                assert change <= drive.acceleration_steps_s2 * tick_s + 1e-6, needle.pointer.key
            before[place] = (needle.position, needle.velocity)
    assert len(before) == len(dry_run.running.chain.pointers) == 10


@pytest.mark.slow
def test_missed_steps_are_found_at_the_index_mark_and_corrected() -> None:
    dry_run = rehearse(CIRCUIT, 100, 260)
    needle = dry_run.running.chain.pointers["left", 0]
    audit = dry_run.running.sessions["left"].channels[0].audit
    assert audit is not None
    for tick, _ in enumerate(dry_run.ticks()):
        if tick == 500:
            dry_run.boards["left"].board.channel(0).lose(40)
    assert audit.missed == pytest.approx(40, abs=2)
    channel = dry_run.boards["left"].board.channel(0)
    assert channel.place == pytest.approx(needle.position, abs=4), "the pointer itself is right again"


@pytest.mark.slow
def test_a_new_description_swaps_in_flight(config: Path) -> None:
    panel = config / "panel.toml"
    dry_run = rehearse(CIRCUIT, 100, 110, panel)
    sent: list[int] = []
    for tick, _ in enumerate(dry_run.ticks()):
        if tick == 300:
            panel.write_text(
                panel.read_text()
                .replace("per_turn = 1000 ", "per_turn = 2000 ")
                .replace('calibration = "calibration/altimeter.toml"', "")
            )
            dry_run.reload(load_panel(panel))
        sent.append(dry_run.running.sessions["left"].statistics.sent)
    assert all(b - a >= 1 for a, b in itertools.pairwise(sent)), "a frame went out at every tick"
    needle = dry_run.running.chain.pointers["left", 0]
    assert needle.indication is not None
    assert needle.pointer.face_deg(needle.position) % 360 == pytest.approx(
        needle.indication % 2000 / 2000 * 360, abs=1.0
    )


@pytest.mark.slow
def test_a_new_description_changes_the_pace_of_ticks_and_keeps_the_columns_of_a_trace(
    config: Path, tmp_path: Path
) -> None:
    path = config / "panel.toml"
    text = path.read_text()
    dry_run = rehearse(CIRCUIT, 80, 82, path)
    times_s: list[float] = []
    with Trace(tmp_path / "trace.csv", dry_run.running.snapshot(0.0)) as trace:
        for time_s in dry_run.ticks():
            trace.write(dry_run.running.snapshot(time_s))
            times_s.append(time_s)
            if len(times_s) == 100:
                path.write_text(
                    text.replace("tick_hz = 100", "tick_hz = 50")
                    .replace("pointers.bank", "pointers.roll")
                    .replace('pointer = "bank"', 'pointer = "roll"')
                    .replace("cards.bank", "cards.roll")
                    .replace('carried_by = "bank"', 'carried_by = "roll"')
                )
                dry_run.reload(load_panel(path))
    steps_s = [after - before for before, after in itertools.pairwise(times_s)]
    assert steps_s[:98] == pytest.approx([0.01] * 98)
    assert steps_s[100:] == pytest.approx([0.02] * len(steps_s[100:]))
    with (tmp_path / "trace.csv").open(newline="") as file:
        rows = list(csv.reader(file))
    assert {len(row) for row in rows} == {len(rows[0])}
    bank = rows[0].index("attitude.bank.target[step]")
    assert rows[1][bank] != "" and rows[-1][bank] == ""
