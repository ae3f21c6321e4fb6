"""What is seen in the windows of a face: the plate of a flag, and the altimeter setting."""

from __future__ import annotations

from bridge.faces import font
from bridge.faces.marks import opening
from bridge.faces.primitives import Layer, Part, Text
from bridge.panel.face import Colour, SettingWindow
from bridge.panel.gauge_description import FlagDescription

_WIDER_MM = 2.0
"""By which a plate is wider than its window on every side."""
_SHARE = 0.6
"""Of a window's height that is a capital's, and no more of its width than this is left out."""
_ON: dict[Colour, Colour] = {"white": "black", "yellow": "black", "orange": "black"}
"""The ink on each ground; white on the others."""


def flag_plate(name: str, flag: FlagDescription) -> Part:
    """The plate behind the flag's window; a page shows it while the flag is in sight."""
    assert flag.window is not None
    window, text = flag.window, flag.text or name.upper().replace("_", " ")
    left, _, right, _ = font.extent(text)
    widest = (window.width_mm - 1.0) * font.capital() / max(right - left, 1e-6)
    height = min(_SHARE * window.height_mm, widest)
    ink = _ON.get(flag.colour, "white")
    letters = Text((window.x_mm, window.y_mm), text, height, 0.0, ink, f"flags.{name}")
    outline = opening(window, _WIDER_MM)
    ground = opening(window, _WIDER_MM, flag.colour)
    return Part(f"{name} flag", Layer.BEHIND, outline, printed=(ground, letters), flag=name)


def setting_plate(window: SettingWindow) -> Part:
    """The ground on which a page writes the setting; nothing to print."""
    ground = opening(window, 0.0, "white")
    return Part("setting", Layer.BEHIND, opening(window), printed=(ground,), setting=window)
