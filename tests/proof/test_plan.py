"""What is tested, in which order, and from which side the needle comes."""

from __future__ import annotations

from pathlib import Path

import pytest

from bridge.errors import DescriptionError
from bridge.gauges.pointer import Pointer
from bridge.panel.load import Panel, load_panel
from bridge.proof.plan import Feed, Plan, Step, make_plan
from bridge.proof.readers import by_eye, smallest_division
from tests.conftest import ROOT
from tests.flight.one_gauge import one_gauge

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
