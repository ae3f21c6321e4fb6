"""From the description of a face and its pointers' curves to parts made of primitives.

Pure: the same parts go to paper, to a laser, and to a live page. A mark's place is the pointer's own
face curve at that reading, so a crooked linkage gets a face that is right for it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from math import hypot

from bridge.description import near
from bridge.errors import DescriptionError, DescriptionErrors
from bridge.faces.marks import Hand, SheetDrawing, card_angles, face_angles, opening, slide_heights
from bridge.faces.plates import flag_plate, setting_plate
from bridge.faces.primitives import (
    Circle,
    Layer,
    Line,
    Part,
    Point,
    Polygon,
    Primitive,
    Sector,
    moved,
    polar,
)
from bridge.faces.shapes import pointer_outline, symbol_shape
from bridge.gauges.curve import Curve
from bridge.panel.description import Aircraft
from bridge.panel.face import Bezel, Card, Face, Flag, Outline, Sheet
from bridge.panel.gauge_description import FlagDescription
from bridge.panel.ready_gauges import Origins

_HATCH_DEG = 6.0
_SAME_MM = 1e-6
_PLACES = 90  # at which a pointer off the middle is looked at on its way


@dataclass(frozen=True, slots=True)
class Gauge:
    """What a drawing needs to know of one gauge. `where` is the file that describes it, `origins` what in it
    came from a ready gauge; `flags` are those of the gauge, apart from the cross-hatched one of its face."""

    name: str
    face: Face
    hands: Mapping[str, Hand]
    aircraft: Aircraft
    where: str
    origins: Origins = field(default_factory=Origins)
    flags: Mapping[str, FlagDescription] = field(default_factory=dict)


def gauge_parts(gauge: Gauge) -> tuple[Part, ...]:
    """Everything to print and cut for one gauge: face, backing, cards, flag, pointers, overlay, bezel.

    Raises `DescriptionErrors` with every mistake: a reading beyond the curve, numerals that overlap,
    marks that run together, a speed that the aircraft lacks, a pointer longer than its face.
    """
    faults: list[DescriptionError] = []
    face = gauge.face
    key = f"gauges.{gauge.name}.face"
    parts = [_still(gauge, face, "face", Layer.FACE, key, faults)]
    if face.backing:
        parts.append(_still(gauge, face.backing, "backing", Layer.BACKING, f"{key}.backing", faults))
    if face.setting:  # under a drum or card that shows it
        parts.append(setting_plate(face.setting))
    for name, card in face.cards.items():
        parts += _card(gauge, name, card, f"{key}.cards.{name}", faults)
    if face.flag:
        parts += _flag(gauge, face.flag, f"{key}.flag", faults)
    parts += [flag_plate(name, flag) for name, flag in gauge.flags.items() if flag.window]
    for name, outline in face.pointers.items():
        hand = gauge.hands.get(name)
        if hand is None:
            faults.append(_unknown(gauge, f"{key}.pointers.{name}", name))
            continue
        faults += _too_long(gauge, outline, hand, f"{key}.pointers.{name}")
        parts.append(
            Part(
                f"{name} pointer",
                Layer.BEHIND if outline.shape == "ball" else Layer.POINTERS,
                pointer_outline(outline, hand.length_mm),
                (Circle((0.0, 0.0), outline.bore_mm / 2),),
                (replace(pointer_outline(outline, hand.length_mm), colour=outline.colour),),
                pointer=name,
                motion="turns",
                pivot=hand.pivot,
            )
        )
    if face.overlay:
        printed = tuple(symbol_shape(symbol, face.ink) for symbol in face.overlay)
        film = Circle((0.0, 0.0), face.radius_mm)
        parts.append(Part("overlay", Layer.OVERLAY, film, printed=printed, note="print on clear film"))
    if face.bezel:
        parts.append(_bezel(face.bezel))
    if faults:
        raise gauge.origins.all_named(DescriptionErrors(faults))
    return tuple(parts)


def _too_long(gauge: Gauge, outline: Outline, hand: Hand, key: str) -> Iterator[DescriptionError]:
    """A pointer that would reach beyond the edge of its face, at its tip, tail or side."""
    most = gauge.face.radius_mm
    middle = "axis" if hand.pivot == (0.0, 0.0) else "face's middle"
    tip = hand.length_mm + (outline.width_mm / 2 if outline.shape == "ball" else 0.0)
    for what, reach, cure in (
        ("tip", _farthest(hand, tip), "Shorten the pointer's length_mm, or draw a larger face"),
        ("tail", _farthest(hand, -outline.tail_mm), "Shorten tail_mm"),
        ("side", outline.width_mm / 2, "Take less width_mm"),
    ):
        if reach > most + _SAME_MM:
            found = f"a {what} {reach:g} mm from the {middle}"
            yield DescriptionError(gauge.where, key, found, f"{most:g} mm at most, the face's radius", cure)


def _farthest(hand: Hand, along_mm: float) -> float:
    """How far from the face's middle a point of the pointer, so far along it from its axis, comes at most."""
    if hand.pivot == (0.0, 0.0):
        return abs(along_mm)
    curve = hand.curve
    if not isinstance(curve, Curve) or curve.period is not None:
        return hypot(*hand.pivot) + abs(along_mm)
    first, last = curve(curve.low), curve(curve.high)
    angles = (first + (last - first) * i / _PLACES for i in range(_PLACES + 1))
    return max(hypot(*moved(polar(along_mm, angle), hand.pivot)) for angle in angles)


def _still(
    gauge: Gauge, sheet: Sheet, name: str, layer: Layer, key: str, faults: list[DescriptionError]
) -> Part:
    drawing = SheetDrawing(sheet, gauge.hands, gauge.aircraft, gauge.where, key, faults, axes=_axes(gauge))
    if isinstance(sheet, Face) and sheet.flag:
        flag = sheet.flag
        drawing.holes.append(Sector(flag.inner_mm, flag.outer_mm, flag.from_deg, flag.to_deg))
    if isinstance(sheet, Face):
        drawing.holes += [opening(flag.window) for flag in gauge.flags.values() if flag.window]
        drawing.holes += [opening(sheet.setting)] if sheet.setting else []
    drawing.draw(face_angles)
    drawing.check()
    outline = Circle((0.0, 0.0), sheet.radius_mm)
    return Part(
        name, layer, outline, tuple(drawing.holes), (replace(outline, colour=sheet.colour), *drawing.items)
    )


def _axes(gauge: Gauge) -> tuple[Point, ...]:
    """Where arbors come through the face: at every pivot of its pointers, in the middle where it has none."""
    pivots = (hand.pivot for name, hand in gauge.hands.items() if name in gauge.face.pointers)
    return tuple(dict.fromkeys(pivots)) or ((0.0, 0.0),)


def _card(gauge: Gauge, name: str, card: Card, key: str, faults: list[DescriptionError]) -> list[Part]:
    carriers = [n for n, other in gauge.face.cards.items() if other.crank_mm is None and n != name]
    if name not in gauge.hands or (card.carried_by and card.carried_by not in carriers):
        wrong, known = (name, list(gauge.hands)) if name not in gauge.hands else (card.carried_by, carriers)
        faults.append(_unknown(gauge, key, str(wrong), known))
        return []
    drawing = SheetDrawing(card, gauge.hands, gauge.aircraft, gauge.where, key, faults, pointer=name)
    radius = card.radius_mm
    ground: list[Primitive] = [Circle((0.0, 0.0), radius, card.colour)]
    if card.lower:
        ground.append(Sector(0.0, radius, 90.0, 270.0, card.lower))
    drawing.draw(slide_heights(card.crank_mm) if card.crank_mm else card_angles)
    drawing.check()
    return [
        Part(
            name if name == "card" else f"{name} card",
            Layer.SLIDING if card.crank_mm else Layer.BEHIND,
            Circle((0.0, 0.0), radius),
            tuple(drawing.holes),
            (*ground, *drawing.items),
            pointer=name,
            motion="slides" if card.crank_mm else "turns",
            crank_mm=card.crank_mm or 0.0,
            carried_by=card.carried_by,
        )
    ]


def _flag(gauge: Gauge, flag: Flag, key: str, faults: list[DescriptionError]) -> list[Part]:
    """The hatched disc: its trailing edge leaves the slot just as the reading comes to `below`."""
    hand = gauge.hands.get(flag.pointer)
    if hand is None:
        faults.append(_unknown(gauge, f"{key}.pointer", flag.pointer))
        return []
    low, below = hand.curve(flag.low), hand.curve(flag.below)
    clockwise = below > low
    slot = (flag.from_deg, flag.to_deg)
    start, end = (slot[1] - below, slot[1] - low) if clockwise else (slot[0] - low, slot[0] - below)
    if not 0.0 < end - start < 360.0:
        faults.append(
            DescriptionError(
                gauge.where,
                f"{key}.below",
                f"{flag.pointer} turns {abs(below - low):.0f} degrees up to {flag.below:g}",
                "less than a turn",
                "Let a slower pointer carry the flag",
            )
        )
        return []
    radius = flag.outer_mm + 2.0
    inner, outer = max(0.5, flag.inner_mm - 1.0), flag.outer_mm + 1.0
    count = max(1, round((end - start) / _HATCH_DEG))
    step = (end - start) / count
    hatch = [
        Line(polar(first, start + i * step), polar(last, start + (i + 1) * step), 0.7, "black", "hatch")
        for i in range(count)
        for first, last in ((inner, outer), (outer, inner))
    ]
    printed: tuple[Primitive, ...] = (
        Circle((0.0, 0.0), radius, gauge.face.colour),
        Sector(inner, outer, start, end, "white"),
        *hatch,
    )
    bore = Circle((0.0, 0.0), gauge.face.centre_hole_mm / 2)
    return [Part("flag", Layer.BEHIND, Circle((0.0, 0.0), radius), (bore,), printed, flag.pointer, "turns")]


def _bezel(bezel: Bezel) -> Part:
    half = bezel.side_mm / 2
    square = Polygon(((-half, half), (half, half), (half, -half), (-half, -half)))
    screws = (Circle(polar(bezel.circle_mm / 2, 45.0 + 90.0 * i), bezel.hole_mm / 2) for i in range(4))
    return Part("bezel", Layer.BEZEL, square, (Circle((0.0, 0.0), bezel.opening_mm / 2), *screws))


def _unknown(gauge: Gauge, key: str, name: str, known: list[str] | None = None) -> DescriptionError:
    cure = near(name, list(gauge.hands) if known is None else known)
    return DescriptionError(gauge.where, key, f"an unknown pointer '{name}'", "a pointer of this gauge", cure)
