"""Every mark is where the curve has it, read back from the SVG.

The expected place comes from scipy's PchipInterpolator through the same calibration points.
"""

from __future__ import annotations

import math
import re
import xml.etree.ElementTree as ET

import pytest
from scipy.interpolate import PchipInterpolator

from bridge.errors import DescriptionErrors
from bridge.faces.geometry import gauge_parts
from bridge.faces.panel_gauge import panel_gauge
from bridge.faces.primitives import Arc, Circle, Line, Part, Polygon, Sector, Text
from bridge.faces.svg import assembly_svg, layers_svg, part_svg
from bridge.panel.description import Aircraft
from bridge.panel.load import load_panel
from tests.conftest import ROOT
from tests.faces.subjects import CROOKED, HOBNAIL, SVG, apart, at, gauge, svg_lines

WITHIN_MM = 0.05

SCALE = {
    "low": 0, "high": 180, "major": 20, "minor": 10, "numerals": 60, "radius_mm": 38, "lengths_mm": [6, 5, 4],
}  # fmt: skip


def expected_deg(reading: float) -> float:
    readings, angles = zip(*CROOKED, strict=True)
    return float(PchipInterpolator(readings, angles)(reading))


def test_a_crooked_linkage_gets_a_face_that_is_right_for_it() -> None:
    (face,) = gauge_parts(gauge({"scales": [SCALE]}))
    lines = svg_lines(part_svg(face))
    assert len(lines) == 19
    for reading in range(0, 181, 10):
        x1, y1, x2, y2 = lines[f"scales.0 {reading}"]
        length = 6 if reading % 20 == 0 else 4
        assert apart((x1, y1), at(38, expected_deg(reading))) < WITHIN_MM
        assert apart((x2, y2), at(38 - length, expected_deg(reading))) < WITHIN_MM


def test_a_straight_face_would_be_wrong_for_the_crooked_linkage() -> None:
    """The check above can fail: a face of equal steps misses by millimetres."""
    lines = svg_lines(part_svg(gauge_parts(gauge({"scales": [SCALE]}))[0]))
    x1, y1, _, _ = lines["scales.0 60"]
    assert apart((x1, y1), at(38, 10 + 308 * 60 / 180)) > 5


def test_face_and_pointer_drawn_together_agree_at_every_calibration_point() -> None:
    scale = {"low": 0, "high": 180, "at": [reading for reading, _ in CROOKED], "radius_mm": 38}
    dial = gauge({"scales": [scale], "pointers": {"needle": {}}})
    parts = gauge_parts(dial)
    for reading, angle in CROOKED:
        drawn = assembly_svg(parts, {"needle": dial.hands["needle"].curve(reading)}, "dial")
        x1, y1, _, _ = svg_lines(drawn)[f"scales.0 {reading:g}"]
        needle = next(
            g for g in ET.fromstring(drawn).iter(f"{SVG}g") if g.get("data-part") == "needle pointer"
        )
        turn = re.fullmatch(r"rotate\((.*)\)", needle.get("transform", ""))
        polygon = next(needle.iter(f"{SVG}polygon")).get("points", "").split()
        tip = max((tuple(float(v) for v in point.split(",")) for point in polygon), key=lambda p: -p[1])
        assert turn and tip == (0.0, -30.0)
        tip_now = at(30.0, float(turn[1]))
        assert apart(tip_now, at(30, angle)) < WITHIN_MM
        assert apart((x1 * 30 / 38, y1 * 30 / 38), tip_now) < WITHIN_MM


def test_a_second_scale_is_at_the_converted_readings() -> None:
    """1 mph is 1609.344 m an hour, 1 kt 1852 m an hour (NIST SP 811, Appendix B)."""
    mph = {"unit": "mph", "low": 20, "high": 200, "major": 20, "radius_mm": 20, "lengths_mm": [2, 2, 2]}
    lines = svg_lines(part_svg(gauge_parts(gauge({"scales": [mph]}))[0]))
    for reading in range(20, 201, 20):
        x1, y1, _, _ = lines[f"scales.0 {reading}"]
        assert apart((x1, y1), at(20, expected_deg(reading * 1609.344 / 1852))) < WITHIN_MM


def test_a_full_circle_has_one_mark_and_one_numeral_at_the_seam() -> None:
    scale = {"low": 0, "high": 1000, "major": 100, "minor": 20, "numerals": 100, "numeral_divisor": 100}
    face = gauge_parts(gauge({"scales": [scale]}, ((0, 0), (1000, 360)), period=1000, unit="ft"))[0]
    texts = [item.text for item in face.printed if isinstance(item, Text)]
    assert texts == list("0123456789")
    assert len(svg_lines(part_svg(face))) == 50
    for digit, text in enumerate(item for item in face.printed if isinstance(item, Text)):
        assert math.degrees(math.atan2(*text.at)) % 360 == pytest.approx(36 * digit, abs=0.1)


def test_a_turning_card_brings_each_mark_to_the_top_at_its_reading() -> None:
    card = {"scales": [{"low": 0, "high": 360, "major": 30, "names": {"90": "E"}, "radius_mm": 35}]}
    dial = gauge({"cards": {"needle": card}}, ((0, 0), (360, -360)), period=360, unit="deg")
    part = next(p for p in gauge_parts(dial) if p.pointer == "needle")
    lines = svg_lines(part_svg(part))
    for heading in range(0, 360, 30):
        x1, y1, _, _ = lines[f"scales.0 {heading}"]
        assert apart((x1, y1), at(35, heading)) < WITHIN_MM  # clockwise, as on a compass rose
        turned_by = dial.hands["needle"].curve(heading)
        angle = math.degrees(math.atan2(x1, y1)) + turned_by
        assert abs((angle + 180) % 360 - 180) < 0.01


def test_a_sliding_card_brings_each_mark_to_the_axis_at_its_reading() -> None:
    """A crank of 30 mm: at 10 degrees the pin is 30 sin(10 deg) below the axis."""
    card = {
        "crank_mm": 30,
        "centre_hole_mm": 0,
        "scales": [{"low": -20, "high": 20, "major": 10, "names": {"10": "10"}, "numeral_mm": 2}],
    }
    dial = gauge({"cards": {"needle": card}}, ((-20, 290), (0, 270), (20, 250)), unit="deg")
    part = next(p for p in gauge_parts(dial) if p.motion == "slides")
    lines = svg_lines(part_svg(part))
    assert lines["scales.0 10"][1] == pytest.approx(30 * math.sin(math.radians(10)), abs=WITHIN_MM)
    drawn = assembly_svg(gauge_parts(dial), {"needle": dial.hands["needle"].curve(10)}, "dial")
    moved = re.search(r'data-part="needle card"[^>]* transform="translate\(0 ([-.\d]+)\)"', drawn)
    assert moved and float(moved[1]) == pytest.approx(lines["scales.0 10"][1], abs=0.001)  # y down: lowered


def arcs(part: Part) -> dict[str, Arc]:
    return {item.colour: item for item in part.printed if isinstance(item, Arc)}


def test_the_speed_marks_are_those_of_14_cfr_23_1545() -> None:
    """14 CFR 23.1545(b) as before amendment 64, from memory: red radial line at VNE; yellow arc from it down
    to the green arc; green arc from VS1 to VNO; white arc from VS0 to VFE. The same marks stand in the FAA's
    Pilot's Handbook of Aeronautical Knowledge (FAA-H-8083-25) under airspeed indicator markings.
    """
    face = gauge_parts(gauge({"speeds": {"radius_mm": 38, "width_mm": 2}}))[0]
    found = arcs(face)
    for colour, low, high in (("green", 57, 121), ("yellow", 121, 154), ("white", 46, 88)):
        assert found[colour].from_deg == pytest.approx(expected_deg(low), abs=0.05)
        assert found[colour].to_deg == pytest.approx(expected_deg(high), abs=0.05)
    assert len(found) == 3
    (red,) = (item for item in face.printed if isinstance(item, Line))
    assert red.colour == "red"
    assert math.degrees(math.atan2(*red.start)) % 360 == pytest.approx(expected_deg(154), abs=0.05)
    assert math.degrees(math.atan2(*red.end)) % 360 == pytest.approx(expected_deg(154), abs=0.05)
    reach = sorted(math.hypot(*end) for end in (red.start, red.end))
    assert reach[0] < 36 and reach[1] > 38  # over both arcs


def test_the_speed_arcs_read_back_from_the_svg_run_clockwise_between_their_speeds() -> None:
    """Ends, radius and sense of each stroke, by the SVG's own path: sweep 1 is clockwise (SVG 1.1, 8.3.8)."""
    drawn = part_svg(gauge_parts(gauge({"speeds": {"radius_mm": 38, "width_mm": 2}}))[0])
    paths = {
        p.get("stroke"): p for p in ET.fromstring(drawn).iter(f"{SVG}path") if p.get("stroke-width") == "2"
    }
    hues = {
        "#1f9d4d": (57, 121, 37),
        "#f2c81e": (121, 154, 37),
        "#ffffff": (46, 88, 35),
    }  # green, yellow, white
    assert set(paths) == set(hues)
    for stroke, (low, high, middle) in hues.items():
        path = re.fullmatch(r"M(\S+),(\S+) A(\S+),\3 0 ([01]) 1 (\S+),(\S+)", paths[stroke].get("d", ""))
        assert path
        x1, y1, radius, large, x2, y2 = (float(number) for number in path.groups())
        assert apart((x1, -y1), at(middle, expected_deg(low))) < WITHIN_MM
        assert apart((x2, -y2), at(middle, expected_deg(high))) < WITHIN_MM
        assert radius == middle
        assert large == (expected_deg(high) - expected_deg(low) > 180)


def test_a_missing_speed_is_named() -> None:
    aircraft = HOBNAIL.model_copy(update={"never_exceed_kt": None})
    with pytest.raises(DescriptionErrors, match="no never_exceed_kt; expected aircraft"):
        gauge_parts(gauge({"speeds": {}}, aircraft=aircraft))


def test_an_aircraft_without_flaps_has_no_white_arc() -> None:
    aircraft = Aircraft(stall_clean_kt=57, normal_operating_kt=121, never_exceed_kt=154)
    assert set(arcs(gauge_parts(gauge({"speeds": {}}, aircraft=aircraft))[0])) == {"green", "yellow"}


def test_engine_ranges_are_bands_and_limits_by_their_readings() -> None:
    face = gauge_parts(
        gauge({"bands": [{"colour": "green", "low": 60, "high": 80}], "limits": [{"at": 120}]}, unit="psi")
    )[0]
    assert arcs(face)["green"].from_deg == pytest.approx(88.0)
    assert arcs(face)["green"].to_deg == pytest.approx(101.0)
    (limit,) = (item for item in face.printed if isinstance(item, Line))
    assert math.degrees(math.atan2(*limit.start)) % 360 == pytest.approx(215.0)


@pytest.mark.parametrize(
    ("altitude", "shown"), [(0, 1.0), (4000, 1.0), (5000, 1.0), (7500, 0.5), (9999, 0.0)]
)
def test_the_hatching_fills_the_slot_low_and_is_gone_at_ten_thousand_feet(
    altitude: float, shown: float
) -> None:
    """A slot of 18 degrees; ten thousand feet turn the disc by 36."""
    face = {"flag": {"pointer": "needle", "from_deg": 200, "to_deg": 218, "inner_mm": 12, "outer_mm": 20}}
    dial = gauge(face, ((0, 0), (100_000, 360)), period=100_000, unit="ft")
    disc = next(part for part in gauge_parts(dial) if part.name == "flag")
    hatched = next(item for item in disc.printed if isinstance(item, Sector))
    turn = 360 * altitude / 100_000
    seen = min(218.0, hatched.to_deg + turn) - max(200.0, hatched.from_deg + turn)
    assert max(seen, 0.0) / 18 == pytest.approx(shown, abs=0.01)
    assert hatched.from_deg + 36.0 == pytest.approx(218.0)


def test_every_opening_is_cut_at_its_place() -> None:
    face = gauge_parts(
        gauge(
            {
                "centre_hole_mm": 4,
                "windows": [{"x_mm": 18, "y_mm": 1, "width_mm": 10, "height_mm": 5}],
                "slots": [{"from_deg": 160, "to_deg": 200, "inner_mm": 20, "outer_mm": 27}],
                "screws": {"count": 2, "circle_mm": 70, "hole_mm": 3, "first_deg": 90},
            }
        )
    )[0]
    assert Circle((0.0, 0.0), 2.0) in face.holes
    assert Polygon(((13, 3.5), (23, 3.5), (23, -1.5), (13, -1.5))) in face.holes
    assert Sector(20, 27, 160, 200) in face.holes
    screws = [hole for hole in face.holes if isinstance(hole, Circle) and hole.radius == 1.5]
    assert sorted(round(screw.centre[0], 6) for screw in screws) == [-35.0, 35.0]


def test_layers_laid_over_each_other_are_the_assembly() -> None:
    """Pictures of one size with every part once, and what no pointer moves apart from what one does."""
    panel = load_panel(ROOT / "config" / "panel.toml")
    for name in panel.description.gauges:
        parts = gauge_parts(panel_gauge(panel, name))
        layers = layers_svg(parts, name)
        assert len({re.search(r'viewBox="([^"]+)"', layer.svg)[1] for layer in layers}) == 1  # type: ignore[index]
        groups = [re.findall(r"<g data-part=[^>]*>", layer.svg) for layer in layers]
        together = re.findall(r"<g data-part=[^>]*>", assembly_svg(parts, {}, name))
        assert [group for layer in groups for group in layer] == together
        for layer, found in zip(layers, groups, strict=True):
            assert layer.moving == any("data-pointer=" in group for group in found)
