"""What of a panel does not change while one description flies: its gauges as drawn, and the message of it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import ceil, log10, sqrt
from typing import Any

from bridge.errors import DescriptionErrors
from bridge.faces.geometry import gauge_parts
from bridge.faces.panel_gauge import panel_gauge
from bridge.faces.svg import DrawnLayer, layers_svg
from bridge.gauges.pointer import Pointer
from bridge.panel.gauge_description import GearedPointer
from bridge.panel.load import Panel

GAP_MM = 6.0
"""Between gauges without a place, and around all of them."""

Box = tuple[float, float, float, float]
"""Left, top, right, bottom in mm, y down."""


@dataclass(frozen=True, slots=True)
class DrawnGauge:
    """One gauge as pictures of one size, from the back; `trouble` is why there are none."""

    layers: tuple[DrawnLayer, ...]
    box: Box
    trouble: str = ""


def draw(panel: Panel) -> dict[str, DrawnGauge]:
    """Every gauge of the panel. Takes some milliseconds for each: call it in a thread."""
    return {name: _drawn(panel, name) for name in panel.description.gauges}


def _drawn(panel: Panel, name: str) -> DrawnGauge:
    try:
        layers = layers_svg(gauge_parts(panel_gauge(panel, name)), name)
    except DescriptionErrors as mistakes:
        radius = panel.description.gauges[name].face.radius_mm
        return DrawnGauge((), (-radius, -radius, radius, radius), str(mistakes))
    return DrawnGauge(layers, layers[0].box_mm)


def panel_message(
    panel: Panel, drawn: Mapping[str, DrawnGauge], revision: int, replay: Mapping[str, Any] | None
) -> dict[str, Any]:
    """The message `panel`; see the package's docstring."""
    described = panel.description
    boxes = places(panel, drawn)
    return {
        "type": "panel",
        "revision": revision,
        "name": described.name,
        "width_mm": round(max(right for _, _, right, _ in boxes.values()) + GAP_MM, 2),
        "height_mm": round(max(bottom for _, _, _, bottom in boxes.values()) + GAP_MM, 2),
        "gauges": [_gauge(panel, name, drawn[name], boxes[name], revision) for name in described.gauges],
        "boards": [{"name": name, "virtual": board.is_virtual} for name, board in described.boards.items()],
        "replay": replay,
    }


def places(panel: Panel, drawn: Mapping[str, DrawnGauge]) -> dict[str, Box]:
    """The box of every gauge on the panel: where it is described, or else in a grid below those that are."""
    boxes: dict[str, Box] = {}
    for name, gauge in panel.description.gauges.items():
        if gauge.place is not None:
            boxes[name] = _moved(drawn[name].box, *gauge.place)
    free = [name for name in panel.description.gauges if name not in boxes]
    if not free:
        return boxes
    width = max(right - left for left, _, right, _ in (drawn[name].box for name in free)) + GAP_MM
    height = max(bottom - top for _, top, _, bottom in (drawn[name].box for name in free)) + GAP_MM
    columns = ceil(sqrt(len(free)))
    below = max((bottom for _, _, _, bottom in boxes.values()), default=0.0) + GAP_MM
    for number, name in enumerate(free):
        row, column = divmod(number, columns)
        left, top, _, _ = drawn[name].box
        boxes[name] = _moved(drawn[name].box, GAP_MM + column * width - left, below + row * height - top)
    return boxes


def _moved(box: Box, x: float, y: float) -> Box:
    left, top, right, bottom = box
    return left + x, top + y, right + x, bottom + y


def _gauge(panel: Panel, name: str, drawn: DrawnGauge, box: Box, revision: int) -> dict[str, Any]:
    described = panel.description.gauges[name]
    pointers = [pointer for pointer in panel.pointers if pointer.gauge == name]
    by_name = {pointer.name: pointer for pointer in pointers}
    left, top, right, bottom = box
    return {
        "name": name,
        "x_mm": round(left, 2),
        "y_mm": round(top, 2),
        "width_mm": round(right - left, 2),
        "height_mm": round(bottom - top, 2),
        "middle_mm": [round(-drawn.box[0], 2), round(-drawn.box[1], 2)],
        "trouble": drawn.trouble,
        "layers": [
            {"url": f"/faces/{name}/{number}.svg?r={revision}", "moving": layer.moving}
            for number, layer in enumerate(drawn.layers)
        ],
        "pointers": [
            *(_pointer(panel, pointer) for pointer in pointers),
            *(
                _geared(panel, name, geared_name, geared, by_name[described.driven_by(geared_name)])
                for geared_name, geared in described.geared.items()
            ),
        ],
    }


def _pointer(panel: Panel, pointer: Pointer) -> dict[str, Any]:
    quantity = panel.shown(pointer)
    period = pointer.rising.period
    low, high = (quantity.low, quantity.high) if pointer.endless else (pointer.face.low, pointer.face.high)
    return {
        "key": pointer.key,
        "name": pointer.name,
        "quantity": pointer.indication,
        "unit": pointer.unit,
        "decimals": _decimals(period or high - low),
        "low": low,
        "high": high,
        "period": period,
        "driven_by": None,
        "board": pointer.board,
        "channel": pointer.channel,
    }


def _geared(panel: Panel, gauge: str, name: str, geared: GearedPointer, root: Pointer) -> dict[str, Any]:
    key = f"{gauge}.{name}"
    own = {"key": key, "name": name, "period": geared.per_turn, "driven_by": root.key}
    return {**_pointer(panel, root), **own}


def _decimals(span: float) -> int:
    """Digits after the point for a reading of which the face shows so much: about a thousandth of it."""
    return max(0, 3 - ceil(log10(span)))
