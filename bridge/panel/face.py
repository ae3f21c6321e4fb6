"""What stands on a gauge's face. Angles are degrees clockwise from 12 o'clock, lengths millimetres."""

from __future__ import annotations

from bridge.description import Described
from bridge.panel.hardware import Positive


class Face(Described):
    """The printed face of one gauge."""

    diameter_mm: Positive = 80.0
    legend: str = ""
