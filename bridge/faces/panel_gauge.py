"""What the drawing needs of one gauge of a panel."""

from __future__ import annotations

from dataclasses import replace

from bridge.faces.geometry import Gauge
from bridge.faces.made_face import made_face
from bridge.faces.marks import Hand
from bridge.gauges.curve import Curve
from bridge.panel.load import Panel


def panel_gauge(panel: Panel, name: str) -> Gauge:
    """What the drawing needs of one gauge of a panel; a face is made where none is described."""
    described = panel.description.gauges[name]
    outlines = described.face.pointers
    pivots = {
        name: outlines[name].pivot_mm if name in outlines else (0.0, 0.0)
        for name in (*described.pointers, *described.geared)
    }
    hands = {
        pointer.name: Hand(
            pointer.face,
            pointer.unit,
            described.pointers[pointer.name].length_mm,
            pivots[pointer.name],
        )
        for pointer in panel.pointers
        if pointer.gauge == name
    }
    for geared_name, geared in described.geared.items():  # wheels turn it; its face is as even as they are
        root = described.pointers[described.driven_by(geared_name)]
        turn = Curve([(0.0, geared.zero_deg), (geared.per_turn, geared.zero_deg + 360.0)], geared.per_turn)
        unit = root.unit or panel.catalogue[root.indication].unit
        hands[geared_name] = Hand(turn, unit, geared.length_mm, pivots[geared_name])
    aircraft = panel.description.aircraft
    where = str(panel.path)
    gauge = Gauge(name, described.face, hands, aircraft, where, panel.origins, described.flags)
    if "face" in described.model_fields_set:
        return gauge
    shown = {pointer: each.indication for pointer, each in described.pointers.items()}
    return replace(gauge, face=made_face(gauge, shown))
