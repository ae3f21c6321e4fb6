"""The drawn sheet: nothing left out, nothing over anything, cautions first."""

from __future__ import annotations

import io
import re
import xml.etree.ElementTree as ET

import pdfplumber
import pytest

from bridge.faces.clearance import overlap, text_box
from bridge.faces.primitives import Text
from bridge.panel.hardware import Channel, IndexSensor
from bridge.wiring.cautions import CAUTIONS
from bridge.wiring.diagram import MOST_MM, WIDTH_MM, pictures
from bridge.wiring.html import picture_svg, sheets_html
from bridge.wiring.pdf import sheets_pdf
from bridge.wiring.sheet import BOARD, SUPPLY
from tests.wiring.test_sheet import BOARDS, changed, sheet


@pytest.mark.parametrize("board", BOARDS)
def test_every_wire_is_drawn_with_its_pins_and_colour(board: str) -> None:
    drawn = sheet(board)
    texts = [item.text for picture in pictures(drawn) for item in picture.items if isinstance(item, Text)]
    for wire in drawn.wires:
        if wire.start == BOARD and wire.carries in ("signal", "coil"):
            assert texts.count(wire.start_terminal) == 1
            assert wire.end_terminal in texts and wire.colour in texts
    flags = sum(text.startswith(("+5 V", "GND", "5V of board")) for text in texts)
    fed = [wire for wire in drawn.wires if wire.start == SUPPLY or wire.start_terminal in ("5V", "GND")]
    terminals = [text for text in texts if text == "GND"]  # a device's own terminal is lettered GND as well
    grounds = [wire for wire in fed if wire.end_terminal == "GND" and wire.end != BOARD]
    assert flags == len([wire for wire in fed if wire.end != BOARD]) + 2 + len(grounds)
    assert len(terminals) >= len(grounds)


@pytest.mark.parametrize("board", BOARDS)
def test_no_lettering_lies_over_other_lettering_or_leaves_the_picture(board: str) -> None:
    for picture in pictures(sheet(board)):
        texts = [item for item in picture.items if isinstance(item, Text)]
        boxes = [(text.text, text_box(text)) for text in texts]
        assert len(boxes) > 10
        for i, (name, box) in enumerate(boxes):
            for other, box_b in boxes[i + 1 :]:
                assert not overlap(box, box_b), (name, other)
            assert all(0 <= x <= WIDTH_MM and -picture.height <= y <= 0 for x, y in box), name


def test_a_board_with_twelve_channels_takes_several_pictures_that_fit_a_page() -> None:
    channel = Channel(output="step_dir", pins=("S", "D", "E"), homing="index", index=IndexSensor(pin="I"))
    drawn = pictures(changed("left", channels=dict.fromkeys(range(12), channel)))
    assert len(drawn) > 1
    assert all(picture.height <= MOST_MM + 1 for picture in drawn)


def test_the_svg_is_well_formed_and_in_millimetres() -> None:
    root = ET.fromstring(picture_svg(pictures(sheet("left"))[0], "Board left"))
    width = re.fullmatch(r"([\d.]+)mm", root.get("width", ""))
    assert width and float(width[1]) == pytest.approx(WIDTH_MM + 4)


def test_the_html_stands_alone_and_shows_every_caution_before_any_wire() -> None:
    text = sheets_html([sheet(board) for board in BOARDS], "Test")
    for caution in CAUTIONS:
        shown = caution.replace("'", "&#x27;")
        assert 0 < text.index(shown) < text.index("<svg")
    assert not re.findall(r"(?:src|href)=", text)
    assert text.count("<svg") == sum(len(pictures(sheet(board))) for board in BOARDS)


@pytest.mark.slow
@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_the_pdf_holds_cautions_diagram_and_tables(paper: str) -> None:
    data = sheets_pdf([sheet("right")], "letter" if paper == "letter" else "a4", "Test")
    pages = pdfplumber.open(io.BytesIO(data)).pages
    assert (
        "not for a real aircraft" in pages[0].extract_text().lower()
        or "real aircraft" in pages[0].extract_text()
    )
    text = "\n".join(page.extract_text() for page in pages)
    for wanted in ("motor supply", "Connections", "Parts", "Power", "heading card motor", "900 mA", "D11"):
        assert wanted in text
    for page in pages:
        assert all(float(char["x0"]) > 0 and float(char["x1"]) < float(page.width) for char in page.chars)


def test_the_cautions_name_what_can_do_harm() -> None:
    text = " ".join(CAUTIONS).lower()
    wanted = "real aircraft, local, licensed, mains, fuse, ground, unplug, diodes, hot, lithium, limit, pinch"
    for word in wanted.split(", "):
        assert word in text
