"""The drawn diagram of one board, in the same primitives as a face: mm, y up, origin at the upper left.

Pins are in the order of what they go to, so that signal wires run straight; supplies are shown by
flags, as on a schematic. A board with much on it is drawn on several pictures.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

from bridge.faces import font
from bridge.faces.clearance import size_of
from bridge.faces.primitives import Line, Polygon, Primitive, Text
from bridge.panel.face import Colour
from bridge.wiring.sheet import BOARD, GROUND, SUPPLY, Block, BoardSheet, Wire

WIDTH_MM = 190.0
MOST_MM = 248.0
"""Greatest height of one picture: what a sheet of A4 or Letter holds beside a title."""

SIGNALS = ("signal", "coil", "lamp")
"""What wires from a pin carry."""

_PITCH = 4.6
_GAP = 3.6
_BOARD = (14.0, 44.0)
_DRIVER = (84.0, 116.0)
_MOTOR = (140.0, 172.0)
_LETTER = 1.7


@dataclass(slots=True)
class Picture:
    """One drawing: its height (mm) and what is on it."""

    height: float = 0.0
    items: list[Primitive] = field(default_factory=list)

    @property
    def box(self) -> tuple[float, float, float, float]:
        """Left, bottom, right, top in mm; y is up, the top is 0."""
        return 0.0, -self.height, WIDTH_MM, 0.0


def pictures(sheet: BoardSheet) -> list[Picture]:
    """The diagram, on as many pictures as it needs; the supplies are on the first."""
    found: list[Picture] = []
    picture, y = Picture(), _supplies_height(sheet)
    _supplies(picture, sheet)
    start = y
    for block in sheet.blocks:
        height = _height(sheet, block)
        if y > start and y + height > MOST_MM:
            found.append(_closed(picture, sheet, start, y))
            picture, y, start = Picture(), 0.0, 0.0
        _block(picture, sheet, block, y)
        y += height
    found.append(_closed(picture, sheet, start, y))
    return found


def _closed(picture: Picture, sheet: BoardSheet, start: float, end: float) -> Picture:
    items: list[Primitive] = []
    _frame(items, _BOARD, start, end - _GAP, sheet.board, sheet.part)
    picture.items[:0] = items
    picture.height = end
    return picture


def _rows(sheet: BoardSheet, block: Block) -> tuple[list[Wire], dict[str, list[Wire]]]:
    """The block's signal wires from the board, and the supply wires of each of its devices."""
    names = [block.driver, block.part] if block.driver else [block.part]
    signals = [w for w in sheet.wires if w.start == BOARD and w.end in names and w.carries in SIGNALS]
    fed = {name: [w for w in sheet.wires if w.end == name and w.carries not in SIGNALS] for name in names}
    return signals, fed


def _height(sheet: BoardSheet, block: Block) -> float:
    signals, fed = _rows(sheet, block)
    rows = max(len(_leads(sheet, block)), len(signals)) + max(
        (len(wires) for wires in fed.values()), default=0
    )
    return _head(block) + rows * _PITCH + 1.5 + _GAP


def _head(block: Block) -> float:
    """Room for the titles of the block's frames."""
    names = [(block.driver, _DRIVER), (block.part, _MOTOR)]
    return 2.6 + 2.8 * max(len(list(_lines(name, span))) for name, span in names if name)


def _leads(sheet: BoardSheet, block: Block) -> list[Wire]:
    return [w for w in sheet.wires if block.driver and w.start == block.driver and w.end == block.part]


def _block(picture: Picture, sheet: BoardSheet, block: Block, top: float) -> None:
    """Driver and motor, or the one part, with wires from the board and flags for the supplies."""
    items = picture.items
    signals, fed = _rows(sheet, block)
    leads = _leads(sheet, block)
    bottom = top + _height(sheet, block) - _GAP
    first = top + _head(block) + _PITCH / 2
    signal_rows = max(len(signals), len(leads))
    near = _DRIVER if block.driver or len(signals) <= 2 else _MOTOR
    device = block.driver or block.part
    _frame(items, near, top, bottom, device, "")
    for i, wire in enumerate(signals):
        y = first + i * _PITCH
        _wire(items, _BOARD[1], near[0], y, wire)
        _label(items, _BOARD[1] - 1.5, y, wire.start_terminal, "right")
        _label(items, near[0] + 1.5, y, wire.end_terminal, "left")
    # A device's flags are beside it, on the side away from its signals.
    for i, wire in enumerate(fed[device]):
        y = first + (signal_rows + i) * _PITCH
        _label(items, near[0] + 1.5, y, wire.end_terminal, "left")
        _flag(items, near[0], y, wire, sheet, -1)
    if block.driver:
        _frame(items, _MOTOR, top, bottom, block.part, "")
        for i, wire in enumerate(leads):
            y = first + i * _PITCH
            _wire(items, _DRIVER[1], _MOTOR[0], y, wire)
            _label(items, _DRIVER[1] - 1.5, y, wire.start_terminal, "right")
            _label(items, _MOTOR[0] + 1.5, y, wire.end_terminal, "left")
        for i, wire in enumerate(fed[block.part]):
            y = first + (signal_rows + i) * _PITCH
            _label(items, _MOTOR[0] + 1.5, y, wire.end_terminal, "left")
            _flag(items, _MOTOR[0], y, wire, sheet, -1)


def _supplies_height(sheet: BoardSheet) -> float:
    return 26.0 if any(wire.start == SUPPLY for wire in sheet.wires) else 18.0


def _supplies(picture: Picture, sheet: BoardSheet) -> None:
    """USB to the board on the left; the motor supply, its fuse and the common ground on the right."""
    items = picture.items
    _frame(items, _BOARD, 0.0, 10.0, "USB", "5 V for the board")
    _stroke(items, ((sum(_BOARD) / 2, 10.0), (sum(_BOARD) / 2, _supplies_height(sheet))), "grey", 1.2)
    if not any(wire.start == SUPPLY for wire in sheet.wires):
        return
    volts = f"{sheet.supply_v:g} V, {sheet.needed_a:g} A"
    _frame(items, _DRIVER, 0.0, 22.0, SUPPLY, volts)
    for y, sign in ((13.0, "+"), (18.0, "-")):
        _label(items, _DRIVER[1] - 1.5, y, sign, "right", 2.2)
    _stroke(items, ((_DRIVER[1], 13.0), (_MOTOR[0] + 4, 13.0)), "red", 0.8)
    fuse = (_DRIVER[1] + 6, _DRIVER[1] + 18)
    _box(items, fuse[0], 11.5, fuse[1], 14.5, "white")
    _label(items, sum(fuse) / 2, 9.0, f"fuse {sheet.needed_a:g} A", "middle")
    _stroke(items, ((fuse[0], 13.0), (fuse[1], 13.0)), "red", 0.3)
    _pennant(items, _MOTOR[0] + 4, 13.0, f"+{sheet.supply_v:g} V", "red", 1)
    _stroke(items, ((_DRIVER[1], 18.0), (_MOTOR[0] + 4, 18.0)), "black", 0.8)
    _pennant(items, _MOTOR[0] + 4, 18.0, f"{GROUND}, joined to the board's", "black", 1)


def _flag(items: list[Primitive], x: float, y: float, wire: Wire, sheet: BoardSheet, side: int) -> None:
    text = {
        "motor +": f"+{sheet.supply_v:g} V",
        "logic +": f"{wire.start_terminal} of board",
        "ground": GROUND,
    }
    colours: dict[str, Colour] = {"motor +": "red", "logic +": "orange", "ground": "black"}
    label = text[wire.carries]
    if wire.carries == "ground" and wire.start == BOARD:
        label = f"{GROUND} of board"
    _stroke(items, ((x, y), (x + side * 3.0, y)), colours[wire.carries], 0.6)
    _pennant(items, x + side * 3.0, y, label, colours[wire.carries], side)


def _pennant(items: list[Primitive], x: float, y: float, text: str, colour: Colour, side: int) -> None:
    """A flag with its point at (x, y), to the right (1) or to the left (-1)."""
    length = _width(text, _LETTER) + 4.5
    half = 1.9
    neck, end = x + side * 1.6, x + side * length
    corners = ((x, y), (neck, y - half), (end, y - half), (end, y + half), (neck, y + half))
    items.append(Polygon(tuple((px, -py) for px, py in corners), colour))
    items.append(Text((x + side * (length + 1.2) / 2, -y), text, _LETTER, 0.0, "white"))


def _wire(items: list[Primitive], x1: float, x2: float, y: float, wire: Wire) -> None:
    _stroke(items, ((x1, y), (x2, y)), "black", 1.2)
    _stroke(items, ((x1, y), (x2, y)), wire.colour, 0.8)
    _label(items, (x1 + x2) / 2, y - 1.7, wire.colour, "middle", 1.3)


def _frame(
    items: list[Primitive], span: tuple[float, float], top: float, bottom: float, title: str, below: str
) -> None:
    _box(items, span[0], top, span[1], bottom, "white")
    middle = sum(span) / 2
    for i, line in enumerate(_lines(title, span)):
        _label(items, middle, top + 2.6 + i * 2.8, line, "middle")
    if below:
        _label(items, middle, top + 6.2, below, "middle", 1.5)


def _lines(text: str, span: tuple[float, float]) -> Iterator[str]:
    """The text in lines that fit a frame."""
    line = ""
    for word in text.split():
        longer = f"{line} {word}".strip()
        if line and _width(longer, _LETTER) > span[1] - span[0] - 2.0:
            yield line
            longer = word
        line = longer
    yield line


def _box(items: list[Primitive], x1: float, y1: float, x2: float, y2: float, colour: Colour) -> None:
    items.append(Polygon(((x1, -y1), (x2, -y1), (x2, -y2), (x1, -y2)), colour))
    half = 0.15
    level = [((x1 - half, y), (x2 + half, y)) for y in (y1, y2)]
    upright = [((x, y1), (x, y2)) for x in (x1, x2)]
    for a, b in (*level, *upright):
        _stroke(items, (a, b), "black", 2 * half)


def _stroke(
    items: list[Primitive],
    ends: tuple[tuple[float, float], tuple[float, float]],
    colour: object,
    width: float,
) -> None:
    (x1, y1), (x2, y2) = ends
    items.append(Line((x1, -y1), (x2, -y2), width, colour))  # type: ignore[arg-type]


def _label(items: list[Primitive], x: float, y: float, text: str, side: str, height: float = _LETTER) -> None:
    """Lettering whose left end, right end or middle is at x."""
    shift = {"left": 0.5, "right": -0.5, "middle": 0.0}[side] * _width(text, height)
    items.append(Text((x + shift, -y), text, height, 0.0, "black"))


def _width(text: str, height: float) -> float:
    left, _, right, _ = font.extent(text)
    return (right - left) * size_of(Text((0.0, 0.0), text, height, 0.0, "black"))
