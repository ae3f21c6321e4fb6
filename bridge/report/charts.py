"""Charts of a report as SVG, drawn without a script: they print, and need nothing but the page. Pure."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from html import escape
from math import isnan

from bridge.faces.axis import ticks
from bridge.report.analysis import Errors, Histogram, Moment, lowest_and_highest
from bridge.report.tracks import Flight, Track

WIDTH, HEIGHT = 900, 230
_LEFT, _RIGHT, _TOP, _BOTTOM = 62, 66, 12, 34
_HIST_WIDTH, _HIST_HEIGHT = 430, 150
_ERROR, _ALTITUDE, _GRID, _LIMIT, _TEXT = "#1f5fa8", "#8a8f94", "#d5d8dc", "#c2621a", "#222"


To = Callable[[float], float]
"""From a value to its place in the picture."""


def clock(time_s: float) -> str:
    """A time of the flight as minutes and seconds."""
    sign = "-" if time_s < 0 else ""
    minutes, tenths = divmod(round(abs(time_s) * 10.0), 600)
    text = f"{tenths / 10:04.1f}" if tenths % 10 else f"{tenths // 10:02d}"
    return f"{sign}{minutes}:{text}"


def error_chart(flight: Flight, track: Track, errors: Errors, worst: Sequence[Moment]) -> str:
    """The error over time in the pointer's unit, the altitude beside it, and the worst moments by number."""
    start_s, end_s = flight.span_s
    span_s = (end_s - start_s) or 1.0
    width, height = WIDTH - _LEFT - _RIGHT, HEIGHT - _TOP - _BOTTOM
    columns = width
    envelope = lowest_and_highest(errors.times_s, errors.values, start_s, end_s, columns)
    off = lowest_and_highest(errors.off_scale_s, errors.off_scale, start_s, end_s, columns)
    seen = [value for _, low, high in envelope for value in (low, high)]
    reach = max([abs(value) for value in seen], default=0.0) or 1.0
    if track.tolerance is not None and track.tolerance <= 2.5 * reach:
        reach = max(reach, 1.15 * track.tolerance)
    reach *= 1.05

    def x_of(time_s: float) -> float:
        return _LEFT + (time_s - start_s) / span_s * width

    def y_of(error: float) -> float:
        return _TOP + (1.0 - min(max(error / reach, -1.0), 1.0)) * height / 2.0

    unit = track.pointer.unit
    drawn = [_frame(width, height)]
    for error in ticks(-reach, reach, 6):
        y = y_of(error)
        drawn.append(_line(_LEFT, y, _LEFT + width, y, _TEXT if error == 0 else _GRID))
        drawn.append(_text(_LEFT - 6, y + 3.5, f"{error:+g}" if error else "0", "end"))
    drawn += _times(start_s, end_s, x_of, height)
    if track.tolerance is not None and track.tolerance <= reach:
        for sign in (1, -1):
            y = y_of(sign * track.tolerance)
            drawn.append(_line(_LEFT, y, _LEFT + width, y, _LIMIT, dashed=True))
    if off:
        path = "".join(f"M{_LEFT + c + 0.5:g} {y_of(high):.1f}V{y_of(low) + 1.2:.1f}" for c, low, high in off)
        drawn.append(f'<path d="{path}" stroke="#c9a3a8" fill="none"/>')
    drawn.append(f'<path d="{_trail(envelope, y_of)}" stroke="{_ERROR}" fill="none" stroke-width="1.1"/>')
    drawn += _altitude(flight, x_of, width, height)
    for number, moment in enumerate(worst, 1):
        drawn.append(_mark(x_of(moment.time_s), y_of(moment.error), number, moment.error > 0))
    drawn.append(_text(14, _TOP + height / 2, f"error, {unit}", "middle", turned=True))
    label = f"Error of {track.pointer.key} in {unit} over the flight, with the altitude beside it"
    return _svg(WIDTH, HEIGHT, label, drawn)


def _trail(envelope: Sequence[tuple[int, float, float]], y_of: To) -> str:
    """From column to column, over the lowest and the highest in each; gaps of several columns stay gaps."""
    parts, before = [], -100
    for column, low, high in envelope:
        x = _LEFT + column + 0.5
        y_low, y_high = y_of(low), y_of(high)
        jump = "L" if column - before <= 12 else "M"
        parts.append(f"{jump}{x:g} {y_high:.1f}" + (f"V{y_low:.1f}" if y_low - y_high > 0.05 else ""))
        before = column
    return "".join(parts)


def _times(start_s: float, end_s: float, x_of: To, height: float) -> list[str]:
    scale = 60.0 if end_s - start_s > 300 else 1.0
    drawn = []
    for at in ticks(start_s / scale, end_s / scale, 8):
        x = x_of(at * scale)
        drawn.append(_line(x, _TOP + height, x, _TOP + height + 4, _TEXT))
        drawn.append(_text(x, _TOP + height + 16, clock(at * scale), "middle"))
    drawn.append(_text(_LEFT, _TOP + height + 30, "time of the flight, min:s", "start"))
    return drawn


def _altitude(flight: Flight, x_of: To, width: float, height: float) -> list[str]:
    known = [(t, a) for t, a in _thinned(flight, width) if not isnan(a)]
    if len(known) < 2:
        return []
    low, high = min(a for _, a in known), max(a for _, a in known)
    if high - low < 100.0:
        low, high = low - 50.0, high + 50.0

    def y_of(feet: float) -> float:
        return _TOP + height - (feet - low) / (high - low) * (height - 8) - 4

    points = " ".join(f"{x_of(t):.1f},{y_of(a):.1f}" for t, a in known)
    drawn = [f'<polyline points="{points}" stroke="{_ALTITUDE}" fill="none" stroke-width="1"/>']
    drawn += [
        _text(_LEFT + width + 6, y_of(feet) + 3.5, f"{feet:,.0f}", "start", _ALTITUDE)
        for feet in ticks(low, high, 4)
    ]
    name = flight.altitude_name.replace("_", " ")
    drawn.append(_text(WIDTH - 4, _TOP + height + 30, f"grey: {name}, ft", "end", "#5a5f64"))
    return drawn


def _thinned(flight: Flight, width: float) -> list[tuple[float, float]]:
    """The altitude at about as many ticks as there are pixels."""
    step = max(1, len(flight.ticks_s) // int(width))
    return list(zip(flight.ticks_s[::step], flight.altitude[::step], strict=True))


def histogram_chart(spread: Histogram, unit: str) -> str:
    """How often errors of each size were reported."""
    width, height = _HIST_WIDTH - 60, _HIST_HEIGHT - 44
    most = max(spread.counts, default=0) or 1
    high = -spread.low
    drawn = []
    bar = width / len(spread.counts)
    for n, count in enumerate(spread.counts):
        tall = count / most * height
        if tall:
            drawn.append(
                f'<rect x="{30 + n * bar + 0.5:.2f}" y="{8 + height - tall:.2f}" width="{bar - 1:.2f}" '
                f'height="{tall:.2f}" fill="{_ERROR}"/>'
            )
    drawn.append(_line(30, 8 + height, 30 + width, 8 + height, _TEXT))
    for error in ticks(spread.low, high, 5):
        x = 30 + (error - spread.low) / (high - spread.low) * width
        drawn.append(_line(x, 8 + height, x, 12 + height, _TEXT))
        drawn.append(_text(x, 24 + height, f"{error:+g}" if error else "0", "middle"))
    drawn.append(_text(30 + width / 2, 40 + height, f"error, {unit}", "middle"))
    return _svg(_HIST_WIDTH, _HIST_HEIGHT, f"How errors are spread, in {unit}", drawn)


# -- pieces ------------------------------------------------------------------------------------------


def _svg(width: float, height: float, label: str, drawn: Sequence[str]) -> str:
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:g} {height:g}" role="img" '
        f'aria-label="{escape(label)}" font-size="11" font-family="system-ui, sans-serif">'
        f"{''.join(drawn)}</svg>"
    )


def _frame(width: float, height: float) -> str:
    return (
        f'<rect x="{_LEFT}" y="{_TOP}" width="{width:g}" height="{height:g}" fill="none" stroke="{_GRID}"/>'
    )


def _line(x1: float, y1: float, x2: float, y2: float, colour: str, dashed: bool = False) -> str:
    dash = ' stroke-dasharray="6 4"' if dashed else ""
    return f'<line x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}" stroke="{colour}"{dash}/>'


def _text(x: float, y: float, text: str, anchor: str, colour: str = _TEXT, turned: bool = False) -> str:
    turn = f' transform="rotate(-90 {x:g} {y:g})"' if turned else ""
    return f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" fill="{colour}"{turn}>{escape(text)}</text>'


def _mark(x: float, y: float, number: int, above: bool) -> str:
    y = max(y - 8, _TOP + 7) if above else y + 8
    return (
        f'<circle cx="{x:.1f}" cy="{y:.1f}" r="6.5" fill="#fff" stroke="{_LIMIT}"/>'
        f'<text x="{x:.1f}" y="{y + 3.5:.1f}" text-anchor="middle" font-size="9.5">{number}</text>'
    )
