"""What can't be printed or read is refused; what is accepted has no numeral over another."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont

from bridge.description import validate
from bridge.errors import DescriptionErrors
from bridge.faces import font
from bridge.faces.geometry import gauge_parts
from bridge.faces.primitives import Text
from bridge.panel.face import Face
from tests.faces.subjects import gauge


def box(text: Text) -> tuple[float, float, float, float]:
    """An upright text's box by reportlab's own measure of the font (capitals of Vera are 0.729 high)."""
    pdfmetrics.registerFont(TTFont("Measure", str(font.FILE)))
    size = text.height / 0.729
    width = pdfmetrics.stringWidth(text.text, "Measure", size) - 0.16 * size  # less the side bearings
    x, y = text.at
    return x - width / 2, y - text.height / 2, x + width / 2, y + text.height / 2


@pytest.mark.slow
@given(
    numerals=st.sampled_from([5, 10, 20, 30, 45, 60, 90]),
    height=st.floats(2.0, 9.0),
    spread=st.floats(90.0, 340.0),
    diameter=st.floats(40.0, 100.0),
)
def test_numerals_never_overlap(numerals: int, height: float, spread: float, diameter: float) -> None:
    scale = {"low": 0, "high": 180, "major": 30, "numerals": numerals, "numeral_mm": height}
    dial = gauge({"diameter_mm": diameter, "scales": [scale]}, ((0, 0), (180, spread)))
    try:
        face = gauge_parts(dial)[0]
    except DescriptionErrors as errors:
        assert "Take a larger numeral step" in str(errors)
        return
    texts = [item for item in face.printed if isinstance(item, Text)]
    assert len(texts) == 180 // numerals + 1
    for a, b in combinations(map(box, texts), 2):
        assert a[2] <= b[0] or b[2] <= a[0] or a[3] <= b[1] or b[3] <= a[1]


def refused(face: dict[str, Any]) -> str:
    with pytest.raises(DescriptionErrors) as errors:
        gauge_parts(gauge(face))
    return str(errors.value)


def test_overlapping_numerals_are_refused_by_name() -> None:
    scale = {"low": 0, "high": 180, "numerals": 5, "numeral_mm": 6}
    message = refused({"scales": [scale]})
    assert "gauges.dial.face.scales.0: found '5' (scales.0 5) over '0' (scales.0 0), and " in message
    assert message.count("scales.0: found") == 1, "they leave room for the other mistakes"


def test_lettering_over_an_opening_or_the_edge_is_refused() -> None:
    message = refused({"letters": [{"text": "RPM", "y_mm": 1}, {"text": "HOBNAIL", "y_mm": 38}]})
    assert "letters.0: found 'RPM' (letters.0) over an opening" in message
    assert "letters.1: found 'HOBNAIL' (letters.1) over the edge" in message


def test_symbols_and_marks_beyond_the_edge_are_refused() -> None:
    """A triangle's place is its tip: turned round it reaches outwards from there."""
    inside = {"shape": "triangle", "size_mm": 3, "y_mm": 36, "turn_deg": 180}
    gauge_parts(gauge({"symbols": [inside]}))
    message = refused({"symbols": [inside, {**inside, "y_mm": 40}]})
    assert "symbols.1: found a symbol that reaches 43.0 mm from the middle; expected at most 40 mm" in message
    assert "symbols.0" not in message
    scale = {"low": 0, "high": 180, "at": [0, 180], "radius_mm": 32}
    dial = gauge({"scales": [scale]}, ((0, 0), (180, 180)))  # from the top to the bottom
    gauge_parts(dial)
    aside = replace(dial, hands={"needle": replace(dial.hands["needle"], pivot=(0.0, 10.0))})
    with pytest.raises(DescriptionErrors, match=r"found the mark scales\.0 0 beyond the edge"):
        gauge_parts(aside)


def test_lettering_over_a_mark_is_refused() -> None:
    scale = {"low": 0, "high": 180, "at": [120], "radius_mm": 38}
    letters = [{"text": "H", "x_mm": -20.7, "y_mm": -29.5}]  # 215 degrees, 36 mm out
    assert "over the mark scales.0 120" in refused({"scales": [scale], "letters": letters})


def test_a_mark_that_an_opening_cuts_is_refused() -> None:
    scale = {"low": 0, "high": 180, "at": [60, 120], "radius_mm": 38, "lengths_mm": [12, 4, 3]}
    message = refused(
        {"scales": [scale], "windows": [{"x_mm": 26, "y_mm": 0, "width_mm": 4, "height_mm": 4}]}
    )
    assert "the mark scales.0 60 over an opening" in message
    assert "scales.0 120 over" not in message


def test_marks_that_run_together_are_refused() -> None:
    message = refused({"scales": [{"low": 0, "high": 180, "minor": 0.5, "radius_mm": 30}]})
    assert "a gap of 0.1 mm or more" in message


def test_marks_thinner_than_printable_are_refused() -> None:
    with pytest.raises(DescriptionErrors, match=r"found 0\.05 mm; expected 0\.1 mm or more") as errors:
        validate(Face, {"scales": [{"low": 0, "high": 1, "widths_mm": [0.5, 0.3, 0.05]}]}, "panel.toml")
    assert "scales.0.widths_mm.2" in str(errors.value)


def test_a_scale_beyond_the_calibration_is_refused() -> None:
    message = refused({"scales": [{"low": 0, "high": 200, "major": 20}]})
    assert "readings from 0 to 200 kt; expected readings on the pointer's curve, 0 to 180 kt" in message


def test_a_pointer_that_the_gauge_lacks_is_named_with_the_nearest() -> None:
    message = refused({"scales": [{"pointer": "nedle", "low": 0, "high": 180}]})
    assert "an unknown pointer 'nedle'" in message and "Did you mean needle" in message


def test_a_pointer_that_reaches_beyond_its_face_is_refused() -> None:
    """The needle is 30 mm long; a face of 57 mm has a radius of 28.5."""
    message = refused({"diameter_mm": 57, "pointers": {"needle": {"tail_mm": 29}}})
    assert (
        "gauges.dial.face.pointers.needle: found a tip 30 mm from the axis; expected 28.5 mm at most"
        in message
    )
    assert "found a tail 29 mm from the axis" in message
    ball = {"shape": "ball", "width_mm": 6.4, "hub_mm": 8}  # its middle at 30 mm, its rim at 33.2
    assert "a tip 33.2 mm" in refused({"diameter_mm": 66, "pointers": {"needle": ball}})
    gauge_parts(gauge({"diameter_mm": 60, "pointers": {"needle": {"tail_mm": 30}}}))


def test_a_red_line_at_a_numbered_reading_is_clear_of_its_numeral() -> None:
    scale = {"low": 0, "high": 180, "major": 60, "numerals": 60}
    gauge_parts(gauge({"diameter_mm": 57, "scales": [scale], "limits": [{"at": 120}, {"at": 180}]}))


def test_letters_that_the_font_lacks_are_refused() -> None:
    assert "letters that the font has" in refused({"letters": [{"text": "高度", "y_mm": 15}]})


def test_every_mistake_is_reported_at_once() -> None:
    message = refused(
        {"scales": [{"low": 0, "high": 200}], "bands": [{"colour": "red", "low": 0, "high": 300}]}
    )
    assert message.count("expected readings on the pointer's curve") == 2
