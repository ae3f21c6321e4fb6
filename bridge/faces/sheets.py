"""How parts are laid out on paper: in rows, largest first, several to a sheet, at true scale."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from bridge.errors import DescriptionError
from bridge.faces.primitives import Part

Paper = Literal["a4", "letter"]

PAPERS: dict[Paper, tuple[float, float]] = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}
"""Width and height in mm: ISO 216 A4; ANSI/ASME Y14.1 A (8.5 x 11 in)."""

BORDER_MM = 8.0
FOOT_MM = 22.0
"""Room at the foot for the rule and the sheet's title."""

CELL_MM = 9.0
"""Room about each part for its crop marks and its name."""


@dataclass(frozen=True, slots=True)
class Placed:
    """A part on a sheet: where its origin stands, from the sheet's lower left corner."""

    title: str
    part: Part
    x: float
    y: float


def laid_out(parts: Iterable[tuple[str, Part]], paper: Paper) -> list[list[Placed]]:
    """Sheets of placed parts. Raises `DescriptionError` for a part larger than the paper."""
    width, height = PAPERS[paper]
    room_x, room_y = width - 2 * BORDER_MM, height - BORDER_MM - FOOT_MM
    sheets: list[list[Placed]] = [[]]
    x = y = row = 0.0
    for title, part in sorted(parts, key=lambda item: -_size(item[1])[1]):
        wide, high = (side + CELL_MM for side in _size(part))
        if wide > room_x or high > room_y:
            size = f"{wide - CELL_MM:.0f} x {high - CELL_MM:.0f} mm"
            most = f"{room_x - CELL_MM:.0f} x {room_y - CELL_MM:.0f} mm at most on {paper}"
            raise DescriptionError(
                "faces", title, f"a part of {size}", most, "Make it smaller, or use its SVG"
            )
        if x + wide > room_x + 1e-9:
            x, y, row = 0.0, y + row, 0.0
        if y + high > room_y + 1e-9:
            sheets.append([])
            x = y = row = 0.0
        left, _, _, top = part.box
        corner_x = BORDER_MM + x + CELL_MM / 2
        corner_y = height - BORDER_MM - y - CELL_MM / 2
        sheets[-1].append(Placed(title, part, corner_x - left, corner_y - top))
        x, row = x + wide, max(row, high)
    return sheets


def _size(part: Part) -> tuple[float, float]:
    left, bottom, right, top = part.box
    return right - left, top - bottom
