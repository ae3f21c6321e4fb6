"""Gauges for these tests, small and crooked, and reading marks back from drawings."""

from __future__ import annotations

import math
import xml.etree.ElementTree as ET
from collections.abc import Mapping
from typing import Any

from bridge.description import validate
from bridge.faces.geometry import Gauge
from bridge.faces.marks import Hand
from bridge.gauges.curve import Curve
from bridge.panel.description import Aircraft
from bridge.panel.face import Face

SVG = "{http://www.w3.org/2000/svg}"

CROOKED = (
    (0.0, 10.0),
    (40.0, 31.0),
    (60.0, 88.0),
    (80.0, 101.0),
    (120.0, 215.0),
    (160.0, 250.0),
    (180.0, 318.0),
)
"""A linkage that nobody would design: kt against degrees."""

HOBNAIL = Aircraft(
    stall_landing_kt=46, stall_clean_kt=57, flaps_extended_kt=88, normal_operating_kt=121, never_exceed_kt=154
)


def gauge(
    face: Mapping[str, Any],
    points: tuple[tuple[float, float], ...] = CROOKED,
    *,
    period: float | None = None,
    unit: str = "kt",
    name: str = "dial",
    aircraft: Aircraft = HOBNAIL,
) -> Gauge:
    """A gauge with one pointer, `needle`, 30 mm long."""
    hand = Hand(Curve(points, period), unit, 30.0)
    return Gauge(name, validate(Face, face, "panel.toml"), {"needle": hand}, aircraft, "panel.toml")


def svg_lines(text: str) -> dict[str, tuple[float, float, float, float]]:
    """Every named line of an SVG: x1, y1, x2, y2 in mm, y up."""
    lines = {}
    for line in ET.fromstring(text).iter(f"{SVG}line"):
        name = line.get("data-name")
        if name:
            x1, y1, x2, y2 = (float(line.get(key, "nan")) for key in ("x1", "y1", "x2", "y2"))
            assert name not in lines
            lines[name] = (x1, -y1, x2, -y2)
    return lines


def at(radius: float, angle_deg: float) -> tuple[float, float]:
    """Clockwise from 12 o'clock, y up; by complex numbers, not by the drawing's own function."""
    z = (
        radius
        * complex(0, 1)
        * complex(math.cos(math.radians(angle_deg)), -math.sin(math.radians(angle_deg)))
    )
    return z.real, z.imag


def apart(a: tuple[float, float], b: tuple[float, float]) -> float:
    return math.hypot(a[0] - b[0], a[1] - b[1])
