"""Even steps of brightness, to the eye: CIE 1976 lightness, and the share of the light that makes it.

An eye sees 18 % of the light as half as bright. So the brightness of a lamp is written as lightness, and the
share of its full current follows. Source: CIE 15 (colorimetry), lightness L* of the luminance Y/Yn.
"""

from __future__ import annotations

from bridge.boards.messages import FULL_LEVEL

_LINEAR_UP_TO = 0.08  # below L* = 8 it is a straight line
_LINEAR_SLOPE = 903.3 / 100.0


def luminance(lightness: float) -> float:
    """The share of the full light, 0 to 1, of a lightness L* / 100, 0 to 1."""
    if lightness <= _LINEAR_UP_TO:
        return lightness / _LINEAR_SLOPE
    return float(((lightness * 100.0 + 16.0) / 116.0) ** 3)


def level(lightness: float) -> int:
    """The level of the frame format for a lightness L* / 100; beyond 0 to 1 it is the nearer of the two."""
    return round(FULL_LEVEL * luminance(min(max(lightness, 0.0), 1.0)))
