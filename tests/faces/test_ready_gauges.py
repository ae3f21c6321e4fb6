"""Every ready gauge can be drawn and read: marks where its scale puts them, numerals clear of each other.

Expected places come from scipy's PchipInterpolator through the points of the scale, sizes of numerals from
reportlab's own measure of the font.
"""

from __future__ import annotations

import math
import re
from itertools import combinations

import pytest
import tomlkit
from scipy.interpolate import PchipInterpolator

from bridge.check.panel import check_panel
from bridge.faces.geometry import gauge_parts
from bridge.faces.panel_gauge import panel_gauge
from bridge.faces.primitives import Arc, Circle, Part, Text
from bridge.faces.svg import assembly_svg, part_svg
from bridge.instruments.instruments import make_instrument
from bridge.panel.face import Scale
from bridge.panel.load import Panel, load_panel
from bridge.panel.ready_gauges import ready_gauge, ready_names
from bridge.quantities.units import convert
from tests.faces.subjects import apart, at, svg_lines
from tests.faces.test_clearance import box
from tests.panel.every_ready_gauge import every_ready_gauge

WITHIN_MM = 0.05
NEEDED = """
altimeter airspeed attitude heading turn_coordinator vertical_speed tachometer manifold_pressure
oil_temperature oil_pressure fuel_left fuel_right exhaust_gas_temperature cylinder_head_temperature
suction ammeter voltmeter clock radio_altimeter g_meter course_deviation bearing_pointer flap_position
pitch_trim fuel_pair oil_pair compass
"""


@pytest.fixture(scope="module")
def panel(tmp_path_factory: pytest.TempPathFactory) -> Panel:
    file = tmp_path_factory.mktemp("ready") / "panel.toml"
    file.write_text(tomlkit.dumps(every_ready_gauge()), encoding="utf-8")
    return load_panel(file)


def face_of(panel: Panel, name: str) -> tuple[Part, ...]:
    return gauge_parts(panel_gauge(panel, name))


def test_the_library_has_the_common_gauges() -> None:
    assert set(NEEDED.split()) == set(ready_names())


@pytest.mark.parametrize("name", NEEDED.split())
def test_each_names_its_source_and_each_part_is_drawn(name: str, panel: Panel) -> None:
    ready = ready_gauge(name)
    assert ready.meaning and re.search(r"CFR|FAA-H|[Cc]ommon practice, no source", ready.source)
    described = panel.description.gauges[name]
    drawn = {part.pointer for part in face_of(panel, name)}
    assert drawn >= set(described.pointers)


def expected(panel: Panel, gauge: str, scale: Scale, reading: float) -> tuple[float, float]:
    """Where the outer end of a mark must be on the face, in mm."""
    described = panel.description.gauges[gauge]
    name = scale.pointer or next(iter(described.pointers))
    pointer, outline = described.pointers[name], described.face.pointers.get(name)
    unit = panel.catalogue[pointer.indication].unit
    shown = convert(reading, scale.unit or unit, unit)
    if pointer.per_turn:
        angle = shown / pointer.per_turn * 360.0
    else:
        angle = float(PchipInterpolator(*zip(*pointer.scale, strict=True))(shown))
    x, y = outline.pivot_mm if outline else (0.0, 0.0)
    east, north = at(scale.radius_mm or described.face.radius_mm - 1.5, angle + scale.offset_deg)
    return east + x, north + y


@pytest.mark.parametrize("name", NEEDED.split())
def test_marks_are_where_the_scale_puts_them(name: str, panel: Panel) -> None:
    """Each mark of the face's scales, about the axis of its own pointer."""
    described = panel.description.gauges[name]
    face = next(part for part in face_of(panel, name) if part.name == "face")
    lines = svg_lines(part_svg(face))
    dots = [shape.centre for shape in face.printed if isinstance(shape, Circle) and shape.radius < 1]
    found = 0
    for number, scale in enumerate(described.face.scales):
        own = {key: line for key, line in lines.items() if key.startswith(f"scales.{number} ")}
        for key, (x1, y1, _, _) in own.items():
            assert apart((x1, y1), expected(panel, name, scale, float(key.split(" ")[1]))) < WITHIN_MM
        for reading in scale.at if scale.dot_mm else ():
            assert min(apart(dot, expected(panel, name, scale, reading)) for dot in dots) < WITHIN_MM
        found += len(own) + len(scale.at if scale.dot_mm else ())
    assert found >= 2 or described.face.cards  # marks of a card are elsewhere


@pytest.mark.parametrize("name", NEEDED.split())
def test_numerals_and_letters_never_overlap(name: str, panel: Panel) -> None:
    for part in face_of(panel, name):
        texts = [item for item in part.printed if isinstance(item, Text) and not item.turn_deg]
        for a, b in combinations(map(box, texts), 2):
            assert a[2] <= b[0] or b[2] <= a[0] or a[3] <= b[1] or b[3] <= a[1]


@pytest.mark.parametrize("name", NEEDED.split())
def test_its_instrument_shows_what_its_pointers_indicate(name: str, panel: Panel) -> None:
    described = panel.description.gauges[name]
    shown = make_instrument(described.instrument, described.options, panel.catalogue).indications
    assert {pointer.indication for pointer in described.pointers.values()} <= set(shown)
    for pointer in described.pointers.values():
        quantity = panel.catalogue[pointer.indication]
        for reading, _ in pointer.scale:
            assert quantity.low <= reading <= quantity.high


def angle_of(panel: Panel, gauge: str, name: str | None, reading: float) -> float:
    """The face angle of a reading by the points of the pointer's scale, in degrees."""
    pointers = panel.description.gauges[gauge].pointers
    pointer = pointers[name or next(iter(pointers))]
    if pointer.per_turn:
        return reading / pointer.per_turn * 360.0
    return float(PchipInterpolator(*zip(*pointer.scale, strict=True))(reading))


@pytest.mark.parametrize("name", NEEDED.split())
def test_arcs_and_lines_are_where_the_scale_puts_their_readings(name: str, panel: Panel) -> None:
    """The readings of arcs and lines are those of the source that each gauge cites; here their place."""
    described = panel.description.gauges[name]
    face = next(part for part in face_of(panel, name) if part.name == "face")
    arcs = {item.name: item for item in face.printed if isinstance(item, Arc)}
    lines = svg_lines(part_svg(face))
    for number, band in enumerate(described.face.bands):
        ends = sorted(angle_of(panel, name, band.pointer, reading) for reading in (band.low, band.high))
        arc = arcs.pop(f"bands.{number}")
        assert [arc.from_deg, arc.to_deg] == pytest.approx(ends, abs=0.01)
        assert arc.colour == band.colour
    for number, limit in enumerate(described.face.limits):
        outline = described.face.pointers.get(limit.pointer or "")
        x, y = outline.pivot_mm if outline else (0.0, 0.0)
        (line,) = (line for key, line in lines.items() if key.startswith(f"limits.{number} "))
        at_mm = math.degrees(math.atan2(line[0] - x, line[1] - y))
        turned_deg = at_mm - angle_of(panel, name, limit.pointer, limit.at)
        assert abs((turned_deg + 180.0) % 360.0 - 180.0) < 0.05
    assert set(arcs) <= {"speeds"}, "every arc has been looked at; those of the speeds: test_marks.py"


@pytest.mark.parametrize("name", ["heading", "attitude"])
def test_marks_of_a_turning_card_come_to_the_top_at_their_reading(name: str, panel: Panel) -> None:
    cards = {p.pointer: p for p in face_of(panel, name) if p.motion == "turns" and p.name.endswith("card")}
    described = panel.description.gauges[name]
    looked_at = 0
    for pointer, card in cards.items():
        for key, (x, y, *_) in svg_lines(part_svg(card)).items():
            scale = described.face.cards[pointer or ""].scales[int(key.split(" ")[0].split(".")[1])]
            shown = angle_of(panel, name, pointer, float(key.split(" ")[1]))
            turned_deg = math.degrees(math.atan2(x, y)) + shown - scale.offset_deg
            assert abs((turned_deg + 180.0) % 360.0 - 180.0) < 0.05
            looked_at += 1
    assert looked_at > 10 or name == "attitude"  # whose bank marks are on the face


def test_no_arc_lies_outside_its_scale_and_the_check_has_nothing_against_a_face(panel: Panel) -> None:
    """14 CFR 25.1549(b): the green arc does not go beyond the safe limits, here the red lines."""
    assert not [
        f for f in check_panel(panel) if f.check.startswith("face") or "for want of better" in f.formula
    ]
    for name, described in panel.description.gauges.items():
        for green in (band for band in described.face.bands if band.colour == "green"):
            limits = [limit.at for limit in described.face.limits if limit.pointer == green.pointer]
            assert not [limit for limit in limits if green.low < limit < green.high], name
        ranges = [(s.pointer, s.low, s.high) for s in described.face.scales]
        for band in described.face.bands:
            assert any(p == band.pointer and low <= band.low < band.high <= high for p, low, high in ranges)


def test_deviation_pointers_go_towards_the_course_and_the_glide_path(panel: Panel) -> None:
    """FAA-H-8083-15, from memory: the needle is on the side to which to fly."""
    needles = {p.name: p for p in panel.pointers if p.gauge == "course_deviation"}
    pivots = {"course": (0.0, 30.0), "glideslope": (-30.0, 0.0)}

    def tip(name: str, dots: float) -> tuple[float, float]:
        x, y = at(30.0, needles[name].face(dots))
        return x + pivots[name][0], y + pivots[name][1]

    assert tip("course", 3.0)[0] > 5 and tip("course", -3.0)[0] < -5
    assert tip("glideslope", 3.0)[1] > 5 and tip("glideslope", -3.0)[1] < -5
    assert apart(tip("course", 0.0), (0, 0)) < 0.01 and apart(tip("glideslope", 0.0), (0, 0)) < 0.01


def test_a_pointer_off_the_middle_turns_about_its_own_axis(panel: Panel) -> None:
    parts = face_of(panel, "course_deviation")
    svg = assembly_svg(parts, {"course": 170.0}, "dial")
    moved = re.search(r'<g transform="translate\(0,-30\)"><g data-part="course pointer"[^>]*>', svg)
    assert moved and 'transform="rotate(170)"' in moved[0]
    face = next(part for part in parts if part.name == "face")
    holes = {hole.centre for hole in face.holes if isinstance(hole, Circle)}
    assert holes == {(0.0, 30.0), (-30.0, 0.0)}


def test_an_arc_off_the_middle_is_about_its_pointers_axis(panel: Panel) -> None:
    face = next(part for part in face_of(panel, "oil_pair") if part.name == "face")
    arcs = [item for item in face.printed if isinstance(item, Arc)]
    assert {arc.centre for arc in arcs} == {(-5.0, 0.0), (5.0, 0.0)}
    green = next(arc for arc in arcs if arc.centre == (-5.0, 0.0))
    assert green.from_deg == pytest.approx(245.0) and green.to_deg == pytest.approx(295.0)
    start = re.search(r'<path d="M([-\d.]+),([-\d.]+) A[^"]*" fill="none"', part_svg(face))
    assert start
    x, y = float(start[1]) + 5.0, -float(start[2])
    assert math.hypot(x, y) == pytest.approx(green.radius, abs=0.01)


def test_a_clock_shows_half_past_two(panel: Panel) -> None:
    hands = {p.name: p for p in panel.pointers if p.gauge == "clock"}
    assert hands["hours"].face(14.5) % 360 == pytest.approx(75.0)
    assert hands["minutes"].face(14.5) % 360 == pytest.approx(180.0)
