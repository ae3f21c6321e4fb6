"""The lettering: Bitstream Vera Sans Bold, which comes with reportlab and may be embedded and shipped.

Outlines and sizes are read from the font itself, so that a text box is what the printer will put down.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import Any

import reportlab
from fontTools.pens.boundsPen import BoundsPen
from fontTools.pens.svgPathPen import SVGPathPen
from fontTools.ttLib import TTFont

FILE = Path(reportlab.__file__).parent / "fonts" / "VeraBd.ttf"


@cache
def _font() -> Any:
    return TTFont(FILE)


@cache
def _glyphs() -> Any:
    return _font().getGlyphSet()


@cache
def capital() -> float:
    """Height of a capital, per unit of type size."""
    return float(_extent("H")[3])


def has(text: str) -> bool:
    """Whether the font draws every letter of this text."""
    return all(ord(letter) in _font().getBestCmap() for letter in text)


def lacking(text: str) -> str:
    """The letters that the font does not draw, each once, as words for a message; "" when there is none."""
    return ", ".join(f"'{letter}'" for letter in dict.fromkeys(text) if not has(letter))


def advance(text: str) -> float:
    """Width of the text from pen to pen, per unit of type size."""
    return sum(float(_glyphs()[_name(letter)].width) for letter in text) / units_per_size()


@cache
def extent(text: str) -> tuple[float, float, float, float]:
    """Left, bottom, right, top of the ink, per unit of type size, from the pen's start on the base line."""
    boxes = []
    pen = 0.0
    for letter in text:
        if box := _extent(letter):
            boxes.append((box[0] + pen, box[1], box[2] + pen, box[3]))
        pen += advance(letter)
    if not boxes:
        return 0.0, 0.0, pen, 0.0
    lefts, bottoms, rights, tops = zip(*boxes, strict=True)
    return min(lefts), min(bottoms), max(rights), max(tops)


@cache
def outline(letter: str) -> str:
    """The letter's outline as an SVG path in font units, y up."""
    pen = SVGPathPen(_glyphs())
    _glyphs()[_name(letter)].draw(pen)
    return str(pen.getCommands())


@cache
def units_per_size() -> float:
    """Font units per unit of type size."""
    return float(_font()["head"].unitsPerEm)


def _name(letter: str) -> str:
    return str(_font().getBestCmap().get(ord(letter), ".notdef"))


@cache
def _extent(letter: str) -> tuple[float, ...]:
    pen = BoundsPen(_glyphs())
    _glyphs()[_name(letter)].draw(pen)
    return tuple(value / units_per_size() for value in pen.bounds) if pen.bounds else ()
