"""What is tested, in which order, and from which side the needle comes."""

from __future__ import annotations

from pathlib import Path

import pytest

from bridge.errors import DescriptionError
from bridge.gauges.pointer import Pointer
from bridge.panel.load import Panel, load_panel
from bridge.proof import published
from bridge.proof.feed import Feed
from bridge.proof.plan import Plan, Step, make_plan
from bridge.proof.readers import by_eye, smallest_division
from tests.conftest import ROOT
from tests.flight.one_gauge import one_gauge
from tests.published import rows

PANEL = load_panel(ROOT / "config" / "panel.toml")
KEYS = [pointer.key for pointer in PANEL.pointers]


def of(key: str, panel: Panel = PANEL) -> tuple[Pointer, Plan]:
    pointer = next(pointer for pointer in panel.pointers if pointer.key == key)
    return pointer, make_plan(panel, pointer, 2, 1.0)


def came_from(steps: tuple[Step, ...], n: int) -> float:
    """What the gauge was fed last before it was taken to this step's place."""
    step = steps[n]
    return step.places[-2].fed if len(step.places) > 1 else steps[n - 1].places[-1].fed


@pytest.mark.parametrize("key", KEYS)
def test_every_mark_is_approached_from_its_side(key: str) -> None:
    _, plan = of(key)
    for n, step in enumerate(plan.steps):
        if step.purpose == "setting":
            assert n == 0 or step.setting_inhg > 28.0
        elif not step.tapped:
            before = came_from(plan.steps, n)
            assert (before > step.places[-1].fed) is step.falling, step
            assert before != step.places[-1].fed


@pytest.mark.parametrize("key", KEYS)
def test_no_place_is_off_the_scale(key: str) -> None:
    pointer, plan = of(key)
    if pointer.endless:
        return
    for step in plan.steps:
        for place in step.places:
            assert pointer.face.low <= place.fed <= pointer.face.high


def test_the_published_table_of_each_instrument() -> None:
    names = {key: plan.limits.name if plan.limits else "" for key in KEYS for plan in (of(key)[1],)}
    assert names["altimeter.hundreds"].startswith("App. E")
    assert names["airspeed.needle"].startswith("TM 1-1500")
    assert names["vertical_speed.needle"].startswith("TB 9-4920")
    assert names["heading.card"] == "Instrument Flying Handbook, heading against a known direction"
    assert names["turn.aeroplane"] == ""
    _, turn = of("turn.aeroplane")
    assert turn.own == 0.5
    assert any("no free source has one" in line for line in turn.untested)


def test_an_altimeter_is_fed_pressures_and_settings_and_others_what_they_show() -> None:
    for key, given in (
        ("altimeter.hundreds", {"static_pressure", "altimeter_setting"}),
        ("airspeed.needle", {"indicated_airspeed"}),
        ("turn.aeroplane", {"turn_rate", "roll_rate", "slip"}),
        ("attitude.bank", {"pitch", "bank"}),
    ):
        assert Feed(PANEL, of(key)[0]).given == given


def test_the_friction_test_climbs_at_the_published_rate() -> None:
    """14 CFR Part 43, Appendix E (b)(1)(iv): the pressure falls at about 750 ft a minute."""
    _, plan = of("altimeter.hundreds")
    slow = [step for step in plan.steps if step.purpose == "friction" and not step.tapped]
    assert [step.wanted for step in slow] == [1000, 2000, 3000, 5000, 10_000, 15_000, 20_000]
    assert all(step.places[-1].rate == 750 / 60 for step in slow)


def test_an_altimeter_of_higher_flight_is_tested_at_every_row_up_to_its_top() -> None:
    """14 CFR Part 43, Appendix E: Table I to 50,000 ft; hysteresis at 50 and 40 % of the highest altitude."""
    pointer, light = of("altimeter.hundreds")
    assert max(step.wanted for step in light.steps) == 20_000
    high = make_plan(PANEL, pointer, 1, 1.0, top_ft=50_000)
    marks = {step.wanted for step in high.steps if step.purpose == "scale"}
    assert marks == {altitude for altitude, _, _ in rows("altimeter-scale-error.csv")}
    slow = [step.wanted for step in high.steps if step.purpose == "friction" and not step.tapped]
    assert slow[-6:] == [20_000, 25_000, 30_000, 35_000, 40_000, 50_000]
    assert "above 50,000 ft" in high.untested
    middle = make_plan(PANEL, pointer, 1, 1.0, top_ft=30_000)
    assert {15_000, 12_000} <= {step.wanted for step in middle.steps if step.purpose == "scale"}


def test_an_altimeter_whose_scale_ends_is_tested_on_it_alone(tmp_path: Path) -> None:
    text = one_gauge("last").replace("[0, 0], [3000, 270]", "[0, 0], [10000, 270]")
    text = text.replace('instrument = "gauge"', 'instrument = "altimeter"')
    text = text.replace('options = { quantity = "engine_speed" }\n', "")
    text = text.replace('indication = "engine_speed"', 'indication = "indicated_altitude"')
    (tmp_path / "panel.toml").write_text(text)
    panel = load_panel(tmp_path / "panel.toml")
    (pointer,) = panel.pointers
    plan = make_plan(panel, pointer, 1, 1.0)
    assert all(0 <= step.wanted <= 10_000 for step in plan.steps)
    assert plan.top_ft == 10_000 and {5000, 4000} <= {step.wanted for step in plan.steps}
    settings = [step for step in plan.steps if step.purpose == "setting"]
    assert [step.wanted - 3000 for step in settings] == [altitude for _, altitude in published.SETTINGS]
    with pytest.raises(DescriptionError, match=r"12000 ft, beyond the scale .* expected at most 10000"):
        make_plan(panel, pointer, 1, 1.0, top_ft=12_000)


def test_a_scale_in_miles_an_hour_is_tested_by_the_table_in_knots(tmp_path: Path) -> None:
    """1 kt is 1.852 km/h, a statute mile 1.609344 km: 100 kt are 115.08 mph, permitted 4 kt are 4.60."""
    text = one_gauge("last").replace("[0, 0], [3000, 270]", "[0, 0], [200, 270]")
    text = text.replace('instrument = "gauge"', 'instrument = "airspeed"')
    text = text.replace('options = { quantity = "engine_speed" }\n', "")
    text = text.replace('indication = "engine_speed"', 'indication = "indicated_airspeed"\nunit = "mph"')
    (tmp_path / "panel.toml").write_text(text)
    panel = load_panel(tmp_path / "panel.toml")
    (pointer,) = panel.pointers
    plan = make_plan(panel, pointer, 1, 1.0)
    assert plan.limits is not None and plan.unit == "mph"
    mph = 1.852 / 1.609344
    by_row = {round(reading / mph, 6): limit / mph for reading, limit in plan.limits.rows}
    assert by_row[100.0] == pytest.approx(4.0)
    assert {round(step.wanted / mph, 6) for step in plan.steps if step.purpose == "scale"} >= {40, 100, 160}


def test_a_top_is_for_altimeters() -> None:
    pointer, _ = of("airspeed.needle")
    with pytest.raises(DescriptionError, match=r"airspeed\.needle, which shows no altitude"):
        make_plan(PANEL, pointer, 1, 1.0, top_ft=30_000)


def test_a_flag_has_no_scale_to_test(tmp_path: Path) -> None:
    text = one_gauge("last").replace('instrument = "gauge"', 'instrument = "flag"')
    text = text.replace('{ quantity = "engine_speed" }', '{ when = "suction < 4.5 inHg" }')
    text = text.replace('indication = "engine_speed"', 'indication = "flag"').replace("[3000,", "[1,")
    (tmp_path / "panel.toml").write_text(text)
    panel = load_panel(tmp_path / "panel.toml")
    with pytest.raises(DescriptionError, match="expected one with a scale to test"):
        make_plan(panel, panel.pointers[0], 1, 1.0)


def test_an_eye_reads_to_half_of_the_smallest_division_unless_it_is_stated() -> None:
    pointer, _ = of("altimeter.hundreds")
    assert smallest_division(PANEL, pointer) == 20.0
    assert by_eye(PANEL, pointer, "Ada", None).uncertainty == 10.0
    assert by_eye(PANEL, pointer, "Ada", 2.0).uncertainty == 2.0
    card, _ = of("heading.card")
    assert smallest_division(PANEL, card) == 5.0
