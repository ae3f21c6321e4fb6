"""Ready gauges: what a panel writes over them, and whose a mistake is."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from bridge.errors import BridgeError, DescriptionErrors
from bridge.faces.geometry import gauge_parts
from bridge.faces.panel_gauge import panel_gauge
from bridge.faces.svg import assembly_svg
from bridge.panel.load import Panel, load_panel
from bridge.panel.ready_gauges import expanded, ready_gauge, ready_names
from tests.conftest import ROOT, WRITTEN_OUT

DEMO = ROOT / "config" / "panel.toml"


def described(panel: Panel) -> str:
    """All of it in the order in which it was written: the first pointer of a gauge is its main one."""
    dump = panel.description.model_dump(mode="json")
    for gauge in dump["gauges"].values():
        del gauge["like"]
    return json.dumps(dump, indent=1, sort_keys=False)


def test_the_demo_panel_is_what_it_is_when_every_gauge_is_written_out(config: Path) -> None:
    """WRITTEN_OUT is the demo panel as it was before it used ready gauges."""
    assert (config / "panel.toml").read_text() == WRITTEN_OUT.read_text()
    short, long = load_panel(DEMO), load_panel(config / "panel.toml")
    assert described(short) == described(long)
    assert short.pointers == long.pointers
    for gauge in short.description.gauges:
        angles = {pointer.name: 30.0 for pointer in short.pointers if pointer.gauge == gauge}
        drawn = [assembly_svg(gauge_parts(panel_gauge(p, gauge)), angles, gauge) for p in (short, long)]
        assert drawn[0] == drawn[1]


def test_the_demo_panel_is_short() -> None:
    assert len(DEMO.read_text().splitlines()) < 150


def test_own_tables_go_over_the_ready_ones_and_lists_replace_lists() -> None:
    own: dict[str, Any] = {"like": "airspeed", "pointers": {"needle": {"park": 40}}}
    own["face"] = {"letters": [], "diameter_mm": 57}
    data, _ = expanded({"gauges": {"asi": own}}, "panel.toml")
    gauge, ready = data["gauges"]["asi"], ready_gauge("airspeed").described
    assert gauge["face"]["letters"] == [] and gauge["face"]["diameter_mm"] == 57
    assert gauge["face"]["scales"] == ready["face"]["scales"] and ready["face"]["letters"]
    assert gauge["pointers"]["needle"] == {**ready["pointers"]["needle"], "park": 40}


def test_every_ready_pointer_has_its_tolerance_and_fastest_change_and_another_scale_has_its_own() -> None:
    for name in ready_names():
        for pointer, ready in ready_gauge(name).described["pointers"].items():
            assert ready["tolerance"] > 0, (name, pointer)
            assert ready["fastest"] > 0, (name, pointer)
    own: dict[str, Any] = {"like": "g_meter", "pointers": {"needle": {"scale": [[-2, 0], [5, 90]]}}}
    needle = expanded({"gauges": {"g": own}}, "panel.toml")[0]["gauges"]["g"]["pointers"]["needle"]
    assert "tolerance" not in needle and needle["park"] == 1
    own["pointers"]["needle"]["tolerance"] = 0.5
    assert (
        expanded({"gauges": {"g": own}}, "panel.toml")[0]["gauges"]["g"]["pointers"]["needle"]["tolerance"]
        == 0.5
    )
    own["pointers"]["needle"]["unit"] = "m/s2"
    own["face"] = False
    needle = expanded({"gauges": {"g": own}}, "panel.toml")[0]["gauges"]["g"]["pointers"]["needle"]
    assert "park" not in needle and "fastest" not in needle


def test_false_takes_a_table_of_the_ready_gauge_out() -> None:
    own = {"like": "altimeter", "pointers": {"ten_thousands": False}, "face": {"flag": False}}
    gauge = expanded({"gauges": {"alt": own}}, "panel.toml")[0]["gauges"]["alt"]
    assert list(gauge["pointers"]) == ["hundreds", "thousands"]
    assert "flag" not in gauge["face"]


def changed(folder: Path, *pairs: tuple[str, str]) -> Path:
    """The short demo panel with these changes, beside the files that it names."""
    text = DEMO.read_text()
    for old, new in pairs:
        assert old in text, old
        text = text.replace(old, new, 1)
    file = folder / "short.toml"
    file.write_text(text)
    return file


NEEDLE = 'pointers.needle = { drive = "sweep", board = "right", channel = 0'
FROM = "(from the ready gauge 'airspeed'; write that key to differ)"


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        (
            'like = "airspeed"',
            'like = "airsped"',
            "airspeed.like: found an unknown ready gauge 'airsped'",
        ),
        ('like = "airspeed"', 'like = "airsped"', "Did you mean airspeed? Known: "),
        ('like = "airspeed"', "like = 3", "gauges.airspeed.like: found 3; expected text in quotes"),
        (
            'like = "airspeed"',
            'like = "airspeed"\nface.bands = false',
            "airspeed.face.bands: found false; expected a list in square brackets. Write [] for none",
        ),
        (NEEDLE, f"{NEEDLE}, scale = 3", "airspeed.pointers.needle.scale: found 3; expected a list"),
        (NEEDLE, f"{NEEDLE}, skale = 3", "airspeed.pointers.needle.skale: found an unknown key"),
        (NEEDLE, NEEDLE.replace(", channel = 0", ""), "airspeed.pointers.needle.channel: found nothing"),
        (NEEDLE, f"{NEEDLE}, kind = 'endless'", "airspeed.pointers.needle: found an endless pointer without"),
        (
            'like = "airspeed"',
            'like = "airspeed"\ninstrument = "altimeter"',
            f"gauges.airspeed.pointers.needle.indication {FROM}: found an unknown indication",
        ),
        ("home_deg = 115, ", "home_deg = 115, park = 9e3, ", "vertical_speed.pointers.needle.park: found"),
    ],
)
def test_a_mistake_is_named_with_its_key_and_whose_value_it_is(
    old: str, new: str, words: str, config: Path
) -> None:
    with pytest.raises(BridgeError) as raised:
        load_panel(changed(config, (old, new)))
    assert words in str(raised.value)
    assert "short.toml: gauges." in str(raised.value)
    if FROM not in words:
        assert "from the ready gauge" not in str(raised.value)


def test_a_face_of_the_library_that_does_not_fit_is_named_as_such(config: Path) -> None:
    """The builder's scale ends at 150 kt, the ready face is marked up to 180."""
    shorter = (NEEDLE, f"{NEEDLE}, scale = [[0, 0], [150, 310]]")
    wrong = changed(config, shorter, ('calibration = "calibration/airspeed.toml"', ""))
    with pytest.raises(DescriptionErrors) as raised:
        gauge_parts(panel_gauge(load_panel(wrong), "airspeed"))
    assert f"gauges.airspeed.face.scales.0 {FROM}: found readings from 40 to 180 kt" in str(raised.value)
    own = "[gauges.airspeed.face]\nscales = [{ low = 0, high = 200, major = 20 }]\n[gauges.vertical_speed]"
    wrong.write_text(wrong.read_text().replace("[gauges.vertical_speed]", own))
    with pytest.raises(DescriptionErrors) as raised:
        gauge_parts(panel_gauge(load_panel(wrong), "airspeed"))
    assert "gauges.airspeed.face.scales.0: found readings from 0 to 200 kt" in str(raised.value)
