"""The PDF read back with pdfplumber, the DXF with ezdxf: true scale, marks at their places."""

from __future__ import annotations

import io
import math
from itertools import combinations
from typing import Any

import pdfplumber
import pytest
from ezdxf import recover
from ezdxf.filemanagement import read as read_dxf
from scipy.interpolate import PchipInterpolator

from bridge.errors import DescriptionError
from bridge.faces.dxf import part_dxf
from bridge.faces.geometry import gauge_parts
from bridge.faces.pdf import sheets_pdf
from bridge.faces.primitives import Part
from bridge.faces.sheets import PAPERS, Paper, laid_out
from tests.faces.subjects import CROOKED, apart, at, gauge

MM = 25.4 / 72
WITHIN_MM = 0.05


def dial() -> tuple[Part, ...]:
    scale = {"low": 0, "high": 180, "major": 20, "minor": 10, "numerals": 60, "radius_mm": 38}
    slots = [{"from_deg": 330, "to_deg": 350, "inner_mm": 10, "outer_mm": 20}]
    face = {"scales": [scale], "slots": slots, "speeds": {"radius_mm": 32}, "pointers": {"needle": {}}}
    return gauge_parts(gauge(face))


def page(paper: Paper = "a4", parts: tuple[Part, ...] | None = None) -> Any:
    drawn = [(f"dial: {part.name}", part) for part in (dial() if parts is None else parts)]
    return pdfplumber.open(io.BytesIO(sheets_pdf(drawn, paper, "Test"))).pages[0]


def lines_mm(sheet: Any) -> list[tuple[tuple[float, float], tuple[float, float]]]:
    height = float(sheet.height)
    found = []
    for line in sheet.lines:
        (x1, y1), (x2, y2) = line["pts"]
        found.append(((x1 * MM, (height - y1) * MM), (x2 * MM, (height - y2) * MM)))
    return found


def axis_mm(sheet: Any) -> tuple[float, float]:
    """Middle of the largest round thing on the sheet: the face's outline."""
    largest = max(sheet.curves, key=lambda curve: float(curve["width"]))
    assert float(largest["width"]) * MM == pytest.approx(80.0, abs=WITHIN_MM)
    middle_y = float(sheet.height) - (float(largest["top"]) + float(largest["bottom"])) / 2
    return (float(largest["x0"]) + float(largest["x1"])) / 2 * MM, middle_y * MM


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_every_mark_on_paper_is_where_the_curve_has_it(paper: Paper) -> None:
    sheet = page(paper)
    x, y = axis_mm(sheet)
    readings, angles = zip(*CROOKED, strict=True)
    curve = PchipInterpolator(readings, angles)
    lines = lines_mm(sheet)
    for reading in range(0, 181, 10):
        length = 5.0 if reading % 20 == 0 else 2.4
        outer, inner = at(38, float(curve(reading))), at(38 - length, float(curve(reading)))
        outer, inner = (outer[0] + x, outer[1] + y), (inner[0] + x, inner[1] + y)
        assert any(apart(a, outer) < WITHIN_MM and apart(b, inner) < WITHIN_MM for a, b in lines), reading


def test_the_speed_arcs_on_paper_run_clockwise_between_their_speeds() -> None:
    """14 CFR 23.1545(b) before amendment 64; colours are read as red, green, blue shares."""
    sheet = page()
    x, y = axis_mm(sheet)
    curve = PchipInterpolator(*zip(*CROOKED, strict=True))
    arcs = [arc for arc in sheet.curves if arc["stroke"] and abs(float(arc["linewidth"]) * MM - 2.0) < 0.01]
    ranges = [(57, 121, 31), (121, 154, 31), (46, 88, 29)]  # green, yellow, white, the order drawn
    assert len(arcs) == len(ranges)
    for arc, (low, high, middle) in zip(arcs, ranges, strict=True):
        points = [(px * MM - x, (float(sheet.height) - py) * MM - y) for px, py in arc["pts"]]
        assert apart(points[0], at(middle, float(curve(low)))) < WITHIN_MM
        assert apart(points[-1], at(middle, float(curve(high)))) < WITHIN_MM
        bearings = [math.degrees(math.atan2(*point)) % 360 for point in points]
        assert bearings == sorted(bearings)  # clockwise, as none of them passes 12 o'clock
    red, green, blue = zip(*(arc["stroking_color"] for arc in arcs), strict=True)
    assert green[0] > max(red[0], blue[0])
    assert min(red[1], green[1]) > blue[1] + 0.4
    assert (red[2], green[2], blue[2]) == (1, 1, 1)


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_the_rule_is_a_hundred_millimetres_long(paper: Paper) -> None:
    lines = lines_mm(page(paper))
    lengths = [apart(a, b) for a, b in lines]
    rule = lines[max(range(len(lines)), key=lengths.__getitem__)]
    assert apart(*rule) == pytest.approx(100.0, abs=0.01)
    ticks = sorted(a[0] for a, b in lines if abs(a[0] - b[0]) < 1e-6 and abs(a[1] - rule[0][1]) < 1e-3)
    assert [tick - ticks[0] for tick in ticks] == pytest.approx([10.0 * i for i in range(11)], abs=0.01)


@pytest.mark.parametrize(
    ("paper", "width", "height"), [("a4", 210.0, 297.0), ("letter", 8.5 * 25.4, 11 * 25.4)]
)
def test_paper_is_a4_by_iso_216_or_letter_of_eight_and_a_half_by_eleven_inches(
    paper: Paper, width: float, height: float
) -> None:
    sheet = page(paper)
    assert float(sheet.width) * MM == pytest.approx(width, abs=0.01)
    assert float(sheet.height) * MM == pytest.approx(height, abs=0.01)


def test_lettering_is_real_text_in_an_embedded_font() -> None:
    sheet = page()
    assert {"60", "120", "180"} <= {word["text"] for word in sheet.extract_words()}
    assert all("BitstreamVeraSans-Bold" in char["fontname"] for char in sheet.chars)


def test_a_numeral_is_beside_its_mark_on_paper() -> None:
    sheet = page()
    x, y = axis_mm(sheet)
    word = next(word for word in sheet.extract_words() if word["text"] == "120")
    middle = (
        (float(word["x0"]) + float(word["x1"])) / 2 * MM - x,
        (float(sheet.height) - (float(word["top"]) + float(word["bottom"])) / 2) * MM - y,
    )
    assert math.degrees(math.atan2(*middle)) % 360 == pytest.approx(215.0, abs=3.0)


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_no_two_parts_share_paper_and_none_leaves_it(paper: Paper) -> None:
    parts = [(f"{i}", part) for i in range(7) for part in dial()]
    sheets = laid_out(parts, paper)
    assert sum(len(sheet) for sheet in sheets) == len(parts)
    width, height = PAPERS[paper]
    for sheet in sheets:
        boxes = []
        for placed in sheet:
            left, bottom, right, top = placed.part.box
            boxes.append((placed.x + left, placed.y + bottom, placed.x + right, placed.y + top))
        for box in boxes:
            assert box[0] > 5 and box[1] > 20 and box[2] < width - 5 and box[3] < height - 5
        for a, b in combinations(boxes, 2):
            assert a[2] < b[0] or b[2] < a[0] or a[3] < b[1] or b[3] < a[1]


def test_small_parts_fill_the_foot_of_a_sheet_that_large_ones_leave() -> None:
    """A4 leaves 267 mm: two rows of 86 mm frames take 190, the 77 left hold a row of 66 mm."""
    frame = {"side_mm": 86, "opening_mm": 76, "circle_mm": 104}
    large = [part for _ in range(3) for part in gauge_parts(gauge({"bezel": frame}))]
    small = [part for _ in range(4) for part in gauge_parts(gauge({"diameter_mm": 66}))]
    sheets = laid_out([("part", part) for part in large + small], "a4")
    held = [[round(p.part.box[2] - p.part.box[0]) for p in sheet] for sheet in sheets]
    assert held[0][:4] == [86, 86, 86, 80] and held[0][4:] == [66, 66]
    assert len(sheets) == 2


def test_a_part_larger_than_the_paper_is_refused() -> None:
    parts = gauge_parts(gauge({"diameter_mm": 205}))
    with pytest.raises(DescriptionError, match="a part of 205 x 205 mm"):
        sheets_pdf([("dial: face", parts[0])], "a4", "Test")


def test_the_same_parts_give_the_same_bytes() -> None:
    parts = [(part.name, part) for part in dial()]
    assert sheets_pdf(parts, "a4", "Test") == sheets_pdf(parts, "a4", "Test")


def test_the_dxf_has_holes_and_outline_in_millimetres_and_nothing_printed() -> None:
    face, needle = dial()
    drawing, audit = recover.read(io.BytesIO(part_dxf(face).encode()))
    assert not audit.has_errors
    assert drawing.header["$INSUNITS"] == 4  # millimetres, by the DXF reference
    circles = {(e.dxf.layer, round(e.dxf.radius, 6)) for e in drawing.modelspace().query("CIRCLE")}
    assert circles == {("OUTLINE", 40.0), ("HOLES", 2.0)}
    arcs = list(drawing.modelspace().query("ARC"))
    assert sorted(e.dxf.radius for e in arcs) == [10.0, 20.0]
    for arc in arcs:  # 330 to 350 clockwise from 12 o'clock are 100 to 120 counter-clockwise from 3
        assert (arc.dxf.start_angle % 360, arc.dxf.end_angle % 360) == pytest.approx((100.0, 120.0))
        assert apart((arc.start_point.x, arc.start_point.y), at(arc.dxf.radius, 350)) < 1e-6
    assert len(list(drawing.modelspace())) == 6
    blade = read_dxf(io.StringIO(part_dxf(needle))).modelspace().query("LWPOLYLINE").first
    assert blade is not None and blade.closed
    assert max(point[1] for point in blade.get_points()) == pytest.approx(30.0)
