"""What a reload does to gauges at the bench."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import pytest

from bridge.errors import BenchError
from bridge.flight.notices import GaugeGivenBack
from bridge.panel.load import Panel
from tests.flight.bench.rig import ME, NEEDLE, TICK_S, Rig, changed, taken


def test_a_reload_keeps_the_bench_its_holder_and_its_captures_and_moves_to_the_new_curve(
    rig: Rig, recalibrated: Panel
) -> None:
    bench = taken(rig).benches.at("airspeed", ME)
    bench.go(100.0)
    rig.settle(ME)
    bench.jog(4, "step")
    rig.settle(ME)
    bench.capture()
    rig.settle(ME)
    bench.go(80.0)
    rig.settle(ME)
    before, captures = rig.place(NEEDLE), bench.draft.captures
    rig.reload(recalibrated)
    assert rig.benches.at("airspeed", ME) is bench
    assert bench.draft.captures == captures, "what was measured on the drive is true whatever the curve"
    positions = [rig.driven(NEEDLE).position]
    while not positions[1:] or bench.moving:
        rig.fly(TICK_S, ME)
        positions.append(rig.driven(NEEDLE).position)
    assert max(abs(b - a) for a, b in pairwise(positions)) <= 900 * TICK_S + 1e-6
    new = rig.driven(NEEDLE).pointer
    assert new.rising(80.0) == pytest.approx(112.0)
    residual_deg = bench.draft.residual_deg(captures[0])
    assert new.drive_deg(rig.driven(NEEDLE).position) == pytest.approx(112.0 + residual_deg, abs=0.2)
    assert rig.place(NEEDLE) != before
    bench.undo()
    assert bench.draft.captures == ()


def test_a_reload_that_changes_nothing_of_the_pointer_does_not_move_it(rig: Rig, config: Path) -> None:
    bench = taken(rig).benches.at("airspeed", ME)
    bench.sweep()
    rig.fly(2.0, ME)
    other = changed(config, "panel.toml", ('name = "Hobnail, six gauges"', 'name = "Hobnail"'))
    speed = rig.driven(NEEDLE).motion.velocity
    rig.reload(other)
    rig.fly(0.5, ME)
    assert rig.driven(NEEDLE).motion.velocity == pytest.approx(speed), "a slow way stays slow"
    rig.settle(ME)


def test_a_pointer_that_a_reload_adds_to_a_gauge_at_the_bench_is_held_as_well(rig: Rig, config: Path) -> None:
    taken(rig, "attitude")
    rig.reload(
        changed(config, "panel.toml", ("gauges.attitude.pointers.pitch", "gauges.attitude.pointers.nose"))
    )
    assert rig.driven("attitude.bank").held
    assert rig.driven("attitude.nose").held
    rig.benches.release("attitude", ME)
    assert not rig.driven("attitude.nose").held


def test_a_reload_that_removes_the_gauge_ends_its_bench_with_a_reason(rig: Rig, config: Path) -> None:
    taken(rig)
    rig.reload(changed(config, "panel.toml", ("gauges.airspeed", "gauges.speed")))
    assert rig.benches.snapshot(rig.time_s) == ()
    with pytest.raises(BenchError, match="airspeed is no longer at the bench: the new description has no"):
        rig.benches.at("airspeed", ME)
    with pytest.raises(BenchError, match="no gauge 'airspeed' to take"):
        rig.benches.take("airspeed", ME, rig.time_s)
    rig.fly(1.0)
    why = "the new description has no such pointer"
    assert GaugeGivenBack("airspeed", ME, why) in rig.notices
    needle = rig.driven("speed.needle")
    assert needle.position == pytest.approx(needle.pointer.position(needle.indication or 0.0), abs=0.5)
    assert not needle.held


def test_captures_on_a_face_that_has_changed_are_void_and_that_is_noted(rig: Rig, config: Path) -> None:
    bench = taken(rig).benches.at("airspeed", ME)
    bench.mark(0)
    rig.settle(ME)
    bench.capture()
    rig.settle(ME)
    rig.reload(changed(config, "calibration/airspeed.toml", ("[100, 150, 150.8]", "[100, 152, 150.8]")))
    assert rig.benches.at("airspeed", ME) is bench
    assert bench.draft.captures == ()
    assert "captures are void" in bench.note


def test_a_point_that_is_captured_between_marks_and_saved_voids_no_capture(rig: Rig, config: Path) -> None:
    bench = taken(rig).benches.at("airspeed", ME)
    bench.mark(0)
    rig.settle(ME)
    bench.capture()
    rig.settle(ME)
    mark = bench.snapshot().mark
    face_deg = rig.driven("airspeed.needle").pointer.face(90.0)
    point = f"[90, {face_deg:.3f}, 131.0], [100, 150, 150.8]"
    rig.reload(changed(config, "calibration/airspeed.toml", ("[100, 150, 150.8]", point)))
    assert len(bench.draft.captures) == 1
    assert bench.snapshot().mark == mark
    assert bench.note == ""
