"""Pointers that wheels turn from another's arbor: all of the train is right, after jumps and homing."""

from __future__ import annotations

from pathlib import Path

import pytest

from bridge.check.findings import Finding
from bridge.check.panel import check_panel
from bridge.errors import DescriptionErrors
from bridge.flight.dry_run import DryRun
from bridge.panel.load import Panel, load_panel
from bridge.telemetry.source import Arrival

GEARS = """
name = "One motor, right wheels"
[drives.geared]
motor = "geared-unipolar-5v"
microsteps = 2
speed_steps_s = 900
acceleration_steps_s2 = 4000
[boards.bench.channels]
0 = {{ output = "four_wire", homing = "index", index = {{ pin = "A0"{arbor} }} }}
[gauges.altimeter]
instrument = "altimeter"
[gauges.altimeter.pointers.{driven}]
indication = "indicated_altitude"
kind = "endless"
per_turn = {driven_ft}
drive = "geared"
board = "bench"
channel = 0
[gauges.altimeter.geared.{geared}]
geared_to = "{driven}"
gears = {gears}
per_turn = {geared_ft}
"""
QUICK_DRIVEN = {
    "driven": "hundreds", "driven_ft": 1000, "geared": "thousands", "geared_ft": 10_000,
    "gears": '["50/10", "20/10"]', "arbor": ', arbor = "thousands"',
}  # fmt: skip
SLOW_DRIVEN = {
    "driven": "thousands", "driven_ft": 10_000, "geared": "hundreds", "geared_ft": 1000,
    "gears": '["10/50", "10/20"]', "arbor": "",
}  # fmt: skip


def panel_of(folder: Path, words: dict[str, object]) -> Panel:
    file = folder / "panel.toml"
    file.write_text(GEARS.format(**words))
    return load_panel(file)


def flown(panel: Panel, altitudes_ft: list[float], seconds: float) -> DryRun:
    """Each altitude for so many seconds, on virtual boards."""
    rows = [
        Arrival(n * 0.1, {"indicated_altitude": altitudes_ft[int(n * 0.1 / seconds)]})
        for n in range(round(10 * seconds * len(altitudes_ft)))
    ]
    run = DryRun(panel, frozenset({"indicated_altitude"}), rows)
    for _ in run.ticks():
        pass
    return run


def shown_ft(run: DryRun, words: dict[str, object]) -> float:
    """What the slowest pointer shows, by where the motor really is: thousands of feet to 10,000."""
    driven = run.running.chain.pointers["bench", 0].pointer
    turns = run.boards["bench"].board.channel(0).place / float(driven.drive.steps_per_turn)
    return turns * float(str(words["driven_ft"])) % 10_000


@pytest.mark.slow
@pytest.mark.parametrize("words", [QUICK_DRIVEN, SLOW_DRIVEN], ids=["geared down", "geared up"])
@pytest.mark.parametrize("jump", [[500.0, 4500.0], [9500.0, 500.0], [4769.0]])
def test_after_a_jump_and_after_homing_every_pointer_of_the_train_is_right(
    words: dict[str, object], jump: list[float], tmp_path: Path
) -> None:
    run = flown(panel_of(tmp_path, words), jump, 40.0)
    off_ft = (shown_ft(run, words) - jump[-1] + 5000) % 10_000 - 5000
    assert abs(off_ft) < 2.0


def test_a_mark_on_the_quick_arbor_is_refused_where_it_can_not_tell_the_slow_pointers_place(
    tmp_path: Path,
) -> None:
    with pytest.raises(DescriptionErrors, match=r"passes 10 times .* write arbor = 'thousands'"):
        panel_of(tmp_path, QUICK_DRIVEN | {"arbor": ""})
    with pytest.raises(DescriptionErrors, match=r"unknown arbor 'minutes'"):
        panel_of(tmp_path, QUICK_DRIVEN | {"arbor": ', arbor = "minutes"'})


def homing_of(panel: Panel, pointer: str) -> Finding:
    (finding,) = (f for f in check_panel(panel) if (f.check, f.subject) == ("homing", pointer))
    return finding


def test_a_slow_mark_is_reported_with_its_homing_time(tmp_path: Path) -> None:
    """4,075.8 half steps a turn, ten turns and a quarter of them more, at 225 steps/s."""
    finding = homing_of(panel_of(tmp_path, QUICK_DRIVEN), "altimeter.hundreds")
    assert finding.severity == "warning"
    assert finding.value == pytest.approx(4075.7 * 10 * 1.25 / 225, rel=1e-3)
    finding = homing_of(panel_of(tmp_path, SLOW_DRIVEN), "altimeter.thousands")
    assert finding.severity == "ok"
