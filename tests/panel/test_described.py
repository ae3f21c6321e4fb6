"""Three panels as a builder would describe them: pairs, pivots off the middle, dots, flags, a subscale."""

from __future__ import annotations

from pathlib import Path

import pytest

from bridge.check.panel import check_panel
from bridge.faces.geometry import gauge_parts
from bridge.faces.panel_gauge import panel_gauge
from bridge.faces.primitives import Circle, Text
from bridge.flight.running_panel import RunningPanel
from bridge.flight.snapshot import PanelSnapshot
from bridge.panel.load import Panel, load_panel

PANELS = Path(__file__).parents[1] / "data" / "panels"
ENGINE = {
    "fuel_quantity_left": 60.0, "fuel_quantity_right": 20.0, "oil_temperature": 80.0, "oil_pressure": 60.0,
    "suction": 5.0, "course_deviation": 2.0, "glideslope_deviation": -1.0, "time_of_day": 14.5,
}  # fmt: skip


def flown(panel: Panel, seconds: float, readings: dict[str, float], lost: str = "") -> PanelSnapshot:
    """These readings at 20 Hz, boards apart; `lost` arrives no more after the first half of the time."""
    running = RunningPanel(panel, frozenset(readings))
    for n in range(round(seconds * 20)):
        over = n / 20 > seconds / 2
        running.feed(n / 20, {k: v for k, v in readings.items() if not (over and k == lost)})
        running.tick(n / 20)
    return running.snapshot(seconds)


def wanted(panel: Panel, snapshot: PanelSnapshot) -> dict[str, float]:
    """The readings at which the pointers are sent to be."""
    targets = {pointer.key: pointer.target_steps for pointer in snapshot.pointers}
    return {pointer.key: pointer.reading(targets[pointer.key] or 0.0) for pointer in panel.pointers}


@pytest.mark.slow
@pytest.mark.parametrize("name", ["tachometer", "altimeter", "engine"])
def test_it_passes_the_check_and_every_face_is_drawn(name: str) -> None:
    panel = load_panel(PANELS / f"{name}.toml")
    assert [str(f) for f in check_panel(panel) if f.severity == "failure"] == []
    for gauge, described in panel.description.gauges.items():
        parts = {part.name: part for part in gauge_parts(panel_gauge(panel, gauge))}
        assert {f"{name} flag" for name, flag in described.flags.items() if flag.window} <= parts.keys()


def test_two_readings_on_one_face_go_their_own_ways_and_one_below_the_scale_to_its_end() -> None:
    panel = load_panel(PANELS / "engine.toml")
    snapshot = flown(panel, 1.0, ENGINE | {"suction": 0.0})
    places = wanted(panel, snapshot)
    assert places["fuel_pair.left"] == pytest.approx(60.0, abs=0.1)
    assert places["fuel_pair.right"] == pytest.approx(20.0, abs=0.1)
    assert places["course_deviation.course"] == pytest.approx(2.0, abs=0.01)
    assert places["suction.needle"] == pytest.approx(3.0, abs=0.01)
    assert [pointer.key for pointer in snapshot.pointers if pointer.off_scale] == ["suction.needle"]
    assert {p.unit for p in snapshot.pointers if p.gauge == "course_deviation"} == {"dot"}


def test_flags_show_what_is_lost_and_what_is_low() -> None:
    panel = load_panel(PANELS / "engine.toml")
    good = flown(panel, 1.0, ENGINE)
    assert {flag.key: flag.why for flag in good.flags} == dict.fromkeys(
        ("oil_pair.oil", "suction.low", "course_deviation.nav", "course_deviation.gs"), ""
    )
    bad = {f.key: f.why for f in flown(panel, 6.0, ENGINE | {"oil_pressure": 20.0}, "course_deviation").flags}
    assert bad == {
        "oil_pair.oil": "oil_pressure < 25 psi",
        "suction.low": "",
        "course_deviation.nav": "lost course_deviation",
        "course_deviation.gs": "",
    }


def test_dots_and_pivots_off_the_middle_are_on_the_face() -> None:
    face = next(p for p in gauge_parts(panel_gauge(load_panel(PANELS / "engine.toml"), "course_deviation")))
    assert sum(isinstance(item, Circle) and item.radius < 1 for item in face.printed) == 20
    assert {hole.centre for hole in face.holes if isinstance(hole, Circle)} == {(0.0, 30.0), (-30.0, 0.0)}


def test_a_subscale_turns_with_the_knob_and_its_setting_comes_upright_to_the_window() -> None:
    panel = load_panel(PANELS / "altimeter.toml")
    running = RunningPanel(panel, frozenset({"pressure_altitude"}))
    running.feed(0.0, {"pressure_altitude": 3000.0})
    running.chain.set_own(0.1, "altimeter_setting", 29.5)
    (drum,) = (p for p in running.snapshot(0.1).pointers if p.key == "altimeter.setting")
    assert drum.indication == 29.5
    pointer = next(p for p in panel.pointers if p.key == "altimeter.setting")
    turned_deg = pointer.drive_deg(drum.target_steps or 0.0)
    card = next(p for p in gauge_parts(panel_gauge(panel, "altimeter")) if p.name == "setting card")
    numeral = next(item for item in card.printed if isinstance(item, Text) and item.text == "29.5")
    assert (numeral.turn_deg + turned_deg) % 360.0 == pytest.approx(0.0, abs=0.4), "upright, to a step"
