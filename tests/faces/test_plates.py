"""What is behind the windows of a face: flags, and the altimeter setting."""

from __future__ import annotations

import re
from dataclasses import replace

from bridge.description import validate
from bridge.faces.geometry import gauge_parts
from bridge.faces.primitives import Polygon, Text
from bridge.faces.svg import assembly_svg, layers_svg
from bridge.panel.gauge_description import FlagDescription
from tests.faces.subjects import gauge
from tests.faces.test_clearance import box

WINDOW = {"x_mm": 15, "y_mm": 10, "width_mm": 10, "height_mm": 5}


def flag(**written: object) -> FlagDescription:
    return validate(FlagDescription, {"window": WINDOW, **written}, "panel.toml")


def test_a_flag_is_a_plate_wider_than_its_window_with_its_name_inside_the_window() -> None:
    flags = {"off": flag(), "a_long_name": flag(text="NOT TO BE READ"), "unseen": FlagDescription()}
    parts = {part.name: part for part in gauge_parts(replace(gauge({}), flags=flags))}
    openings = [hole.points for hole in parts["face"].holes if isinstance(hole, Polygon)]
    assert openings == [((10, 12.5), (20, 12.5), (20, 7.5), (10, 7.5))] * 2
    assert "unseen flag" not in parts
    for name, words in (("off", "OFF"), ("a_long_name", "NOT TO BE READ")):
        plate = parts[f"{name} flag"]
        assert plate.box == (8.0, 5.5, 22.0, 14.5)
        (text,) = (item for item in plate.printed if isinstance(item, Text))
        left, bottom, right, top = box(text)
        assert text.text == words
        assert 10 < left < right < 20 and 7.5 < bottom < top < 12.5


def test_in_drawings_a_flag_is_out_of_sight_until_a_page_shows_it() -> None:
    parts = gauge_parts(replace(gauge({}), flags={"off": flag()}))
    assert 'data-flag="off" visibility="hidden"' in assembly_svg(parts, {}, "dial")
    behind = layers_svg(parts, "dial")[0]
    assert behind.moving and 'data-flag="off"' in behind.svg


def test_the_setting_has_its_window_and_a_plate_that_a_drum_covers() -> None:
    setting = {**WINDOW, "unit": "hPa"}
    parts = gauge_parts(gauge({"setting": setting}))
    behind = layers_svg(parts, "dial")[0]
    assert behind.moving
    assert re.search(r'data-setting="hPa" data-x-mm="15" data-y-mm="-10" data-height-mm="5"', behind.svg)
    drum = {"needle": {"diameter_mm": 60}}
    with_drum = layers_svg(gauge_parts(gauge({"setting": setting, "cards": drum})), "dial")[0].svg
    assert with_drum.index('data-part="setting"') < with_drum.index('data-part="needle card"')
