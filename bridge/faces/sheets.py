"""How parts are laid out on paper: on shelves, tallest first, several to a sheet, at true scale."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Literal

from bridge.errors import DescriptionError
from bridge.faces import font
from bridge.faces.primitives import Part

Paper = Literal["a4", "letter"]

PAPERS: dict[Paper, tuple[float, float]] = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}
"""Width and height in mm: ISO 216 A4; ANSI/ASME Y14.1 A (8.5 x 11 in)."""

BORDER_MM = 8.0
FOOT_MM = 22.0
"""Room at the foot for the rule and the sheet's title."""

CELL_MM = 9.0
"""Room about each part for its crop marks and its caption."""

CAPTION_MM = 2.0
"""Type size of the captions."""


@dataclass(frozen=True, slots=True)
class Placed:
    """A part on a sheet: where its origin lies, in mm right and up from the sheet's lower left corner."""

    caption: str
    part: Part
    x: float
    y: float


@dataclass(slots=True)
class _Shelf:
    sheet: int
    down: float
    height: float
    filled: float = 0.0


@dataclass(slots=True)
class _Shelves:
    width: float
    height: float
    shelves: list[_Shelf] = field(default_factory=list)
    down: list[float] = field(default_factory=list)  # how far each sheet is full

    def room(self, wide: float, high: float) -> _Shelf:
        """The first shelf with room, or a new one on the first sheet with room, or on a new sheet."""
        for shelf in self.shelves:
            if high <= shelf.height + 1e-9 and shelf.filled + wide <= self.width + 1e-9:
                return shelf
        fitting = (sheet for sheet, down in enumerate(self.down) if down + high <= self.height + 1e-9)
        sheet = next(fitting, len(self.down))
        if sheet == len(self.down):
            self.down.append(0.0)
        shelf = _Shelf(sheet, self.down[sheet], high)
        self.down[sheet] += high
        self.shelves.append(shelf)
        return shelf


def laid_out(parts: Iterable[tuple[str, Part]], paper: Paper) -> list[list[Placed]]:
    """Sheets of placed parts. Raises `DescriptionError` for a part larger than the paper."""
    width, height = PAPERS[paper]
    shelves = _Shelves(width - 2 * BORDER_MM, height - BORDER_MM - FOOT_MM)
    sheets: list[list[Placed]] = []
    for caption, part in sorted(parts, key=lambda item: -_size(item[1])[1]):
        size = _size(part)
        wide = max(size[0], font.advance(caption) * CAPTION_MM) + CELL_MM
        high = size[1] + CELL_MM
        if wide > shelves.width or high > shelves.height:
            found = f"a part of {size[0]:.0f} x {size[1]:.0f} mm"
            most = f"{shelves.width - CELL_MM:.0f} x {shelves.height - CELL_MM:.0f} mm at most on {paper}"
            raise DescriptionError(
                "faces", caption, found, most, "Make it smaller, or print its SVG elsewhere"
            )
        shelf = shelves.room(wide, high)
        if shelf.sheet == len(sheets):
            sheets.append([])
        left, _, _, top = part.box
        x = BORDER_MM + shelf.filled + (wide - size[0]) / 2 - left
        y = height - BORDER_MM - shelf.down - CELL_MM / 2 - top
        sheets[shelf.sheet].append(Placed(caption, part, x, y))
        shelf.filled += wide
    return sheets


def _size(part: Part) -> tuple[float, float]:
    left, bottom, right, top = part.box
    return right - left, top - bottom
