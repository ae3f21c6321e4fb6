"""The report as one HTML file that fetches nothing: figures, charts, worst moments and causes, boards."""

from __future__ import annotations

import base64
import hashlib
import json
import re
from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass
from html import escape
from importlib import resources
from math import isnan

from bridge.outputs import MARK
from bridge.report.analysis import (
    WORST,
    Errors,
    Figures,
    Moment,
    errors_of,
    figures_of,
    histogram,
    lowest_and_highest,
    worst_moments,
)
from bridge.report.causes import Cause, Causes
from bridge.report.charts import clock, error_chart, histogram_chart
from bridge.report.tracks import Flight, Track

_ZOOM_COLUMNS = 1200
"""Of each track for zooming, two values in each."""

_STYLE = """
body { font: 15px/1.45 system-ui, sans-serif; color: #1c2430; background: #fff; margin: 2rem auto; }
body { max-width: 62rem; padding: 0 1rem; } svg { width: 100%; height: auto; }
h1 { font-size: 1.5rem; } h2 { font-size: 1.15rem; margin: 2.2rem 0 .4rem; } h3 { font-size: 1rem; }
table { border-collapse: collapse; width: 100%; font-size: .88rem; }
th, td { text-align: left; vertical-align: top; padding: .3rem .55rem; border-bottom: 1px solid #d8dde4; }
th { font-weight: 600; color: #445; } .n { text-align: right; white-space: nowrap; }
.scroll { overflow-x: auto; } .why { min-width: 9rem; }
.small { font-size: .85rem; color: #445; } .cause { font-weight: 600; }
.pair { display: flex; flex-wrap: wrap; gap: .5rem 1.5rem; } .pair .scroll { flex: 1 1 25rem; }
.pair figure { flex: 0 1 20rem; margin: 0; } .zoom { margin-top: .2rem; } .live > svg { display: none; }
@page { margin: 12mm; }
@media print {
  body { margin: 0; max-width: none; font-size: 9pt; padding: 0; } .zoom { display: none; }
  .live > svg { display: block; } section { break-inside: avoid; } h2, h3 { break-after: avoid; }
  .scroll { overflow: visible; } .screen { display: none; } tr { break-inside: avoid; }
}
"""


@dataclass(frozen=True, slots=True)
class _Pointer:
    """All that the page has of one pointer."""

    track: Track
    errors: Errors
    figures: Figures
    worst: tuple[tuple[Moment, Cause], ...]


def report_html(flight: Flight) -> str:
    """The whole page."""
    pointers = [_studied(flight, track) for track in flight.tracks.values()]
    title = f"Report of a flight: {flight.title}"
    start_s, end_s = flight.span_s
    scripts = [_static("uplot.min.js"), _static("zoom.js")]
    hashes = " ".join(f"'sha256-{_sha256(script)}'" for script in scripts)
    policy = f"default-src 'none'; style-src 'unsafe-inline'; script-src {hashes}"
    sections = "".join(_section(flight, pointer) for pointer in pointers)
    code = "".join(f"<script>{script}</script>\n" for script in scripts)
    return (
        '<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8">'
        f'<meta name="generator" content="{MARK}">\n'
        f'<meta http-equiv="Content-Security-Policy" content="{policy}">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{escape(title)}</title><style>{_static('uplot.min.css')}{_STYLE}</style></head>\n<body>"
        f"<h1>{escape(title)}</h1>\n"
        f"<p>From {clock(start_s)} to {clock(end_s)} (min:s), {len(flight.ticks_s):,} ticks. An error is "
        "what a board reported, less what the pointer should have shown at that moment, on the line between "
        "the arrivals about it. Nothing here is for a real aircraft.</p>\n"
        '<p class="small screen">Drag over a chart to zoom, double-click to see all of it again.</p>\n'
        f"{_summary(pointers)}{_telemetry(flight)}{sections}{_boards(flight)}"
        f'<p class="small">Zooming by uPlot.<br>{escape(_static("uplot-LICENSE.txt"))}</p>\n'
        f'<script type="application/json" id="tracks">{_zoom_data(flight, pointers)}</script>\n'
        f"{code}</body></html>\n"
    )


def _studied(flight: Flight, track: Track) -> _Pointer:
    errors = errors_of(track)
    causes = Causes(flight, track, errors)
    worst = [
        *worst_moments(errors.times_s, errors.values, WORST),
        *worst_moments(errors.off_scale_s, errors.off_scale, 1),
    ]
    return _Pointer(
        track,
        errors,
        figures_of(flight, track, errors),
        tuple((moment, causes.of(moment)) for moment in worst),
    )


def _static(name: str) -> str:
    return resources.files("bridge.report").joinpath("static", name).read_text(encoding="utf-8")


def _sha256(script: str) -> str:
    return base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()


def _number(value: float) -> str:
    return f"{value:.3g}" if abs(value) < 1000 else f"{value:,.0f}"


def _summary(pointers: Sequence[_Pointer]) -> str:
    rows = []
    for pointer in pointers:
        figures, unit = pointer.figures, pointer.track.pointer.unit
        key = escape(pointer.track.pointer.key)
        worst = figures.worst
        if worst is None:
            rows.append(
                f'<tr><td>{key}</td><td colspan="6">nothing to compare: it showed nothing</td></tr>\n'
            )
            continue
        tolerance = pointer.track.tolerance
        within = "" if figures.within is None else f"{100 * figures.within:.1f} % of ±{tolerance:g}"
        cause = pointer.worst[0][1].name
        rows.append(
            f'<tr><td><a href="#{key}">{key}</a></td><td class="n">{_number(figures.rms)} {unit}</td>'
            f'<td class="n">{_number(worst.error)} {unit}</td>'
            f'<td class="why">{clock(worst.time_s)}, {escape(cause)}</td>'
            f'<td class="n">{within}</td><td class="n">{_number(figures.rough_deg_s)} deg/s</td>'
            f'<td class="n">{100 * figures.hardest:.0f} %</td></tr>\n'
        )
    heads = (
        "pointer", "RMS error", "worst", "when, and why", "within its tolerance", "roughness", "hardest",
    )  # fmt: skip
    note = (
        "Roughness: RMS of the needle's velocity less its mean over a second. Hardest: greatest "
        "acceleration, of what its drive may."
    )
    return f'<h2>All pointers</h2>{_table(heads, rows)}<p class="small">{note}</p>\n'


def _table(heads: Sequence[str], rows: Sequence[str]) -> str:
    right = re.findall(r'<td( class="n")?', rows[0]) if rows else []
    sides = [*right, *[""] * len(heads)]
    head = "".join(f"<th{side}>{escape(name)}</th>" for name, side in zip(heads, sides, strict=False))
    body = "".join(rows)
    return f'<div class="scroll"><table><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table></div>\n'


def _telemetry(flight: Flight) -> str:
    changes = [f"{clock(time_s)} {escape(state)}" for time_s, state in flight.telemetry]
    more = f" and {len(changes) - 20} changes more" if len(changes) > 20 else ""
    failures = [f"{clock(time_s)} {escape(names or 'none')}" for time_s, names in flight.failures]
    if len(failures) > 1 or (flight.failures and flight.failures[0][1]):
        more += (
            f".</p>\n<p>Failures for training in force: {', '.join(failures[:20])}. An error is of a needle "
            "against what it should show with them"
        )
    return f"<p>Telemetry: {', '.join(changes[:20])}{more}.</p>\n"


def _section(flight: Flight, pointer: _Pointer) -> str:
    track, figures = pointer.track, pointer.figures
    key, unit = escape(track.pointer.key), track.pointer.unit
    if figures.worst is None and not pointer.worst:
        return ""
    moments = [moment for moment, _ in pointer.worst]
    chart = error_chart(flight, track, pointer.errors, moments)
    rows = [
        f'<tr><td>{n}</td><td class="n">{clock(moment.time_s)}</td>'
        f'<td class="n">{_number(moment.error)} {unit}</td>'
        f'<td><span class="cause">{escape(cause.name)}</span>: {escape(cause.seen)}</td></tr>\n'
        for n, (moment, cause) in enumerate(pointer.worst, 1)
    ]
    spread = histogram(pointer.errors.values)
    beyond = f" {spread.beyond} of {figures.reports:,} lie beyond it." if spread.beyond else ""
    off = ""
    if figures.off_scale_reports:
        off = (
            f" Off the scale in {figures.off_scale_reports:,} reports more, which are not among the figures."
        )
    return (
        f'<section id="{key}"><h2>{key}</h2>\n'
        f"<p>RMS {_number(figures.rms)} {unit}, mean {_number(figures.mean)} {unit}, {figures.reports:,} "
        f"reports.{off}</p>\n"
        f'<div data-track="{key}">{chart}</div>\n'
        f'<div class="pair">{_table(("", "when", "error", "cause"), rows)}'
        f'<figure>{histogram_chart(spread, unit)}<figcaption class="small">How the errors are spread.{beyond}'
        "</figcaption></figure></div></section>\n"
    )


def _boards(flight: Flight) -> str:
    rows = []
    figures = {board.name: board for board in flight.boards}
    for name in flight.states.keys() | figures.keys():
        changes = ", ".join(f"{clock(t)} {escape(state)}" for t, state in flight.states.get(name, [])[:8])
        board = figures.get(name)
        if board is None:
            rows.append(f'<tr><td>{escape(name)}</td><td>{changes}</td><td colspan="7"></td></tr>\n')
            continue
        counts = (
            board.sent, board.lost, board.corrupted + board.corrupted_here, board.unanswered, board.refused,
            board.resets, board.watchdog_trips,
        )  # fmt: skip
        cells = "".join(f'<td class="n">{count:,}</td>' for count in counts)
        kind = " (virtual)" if board.virtual else ""
        trip = f"{1000 * board.worst_round_trip_s:.1f} ms"
        rows.append(
            f'<tr><td>{escape(name)}{kind}</td><td>{changes}</td>{cells}<td class="n">{trip}</td></tr>\n'
        )
    heads: tuple[str, ...] = (
        "board", "states", "frames sent", "lost", "corrupted", "unanswered", "refused", "resets",
        "watchdog", "longest round trip",
    )  # fmt: skip
    if not figures:
        note = '<p class="small">The trace has the states of the boards, and no figures of their links.</p>\n'
        heads = ("board", "states")
    else:
        note = ""
    return f"<section><h2>Boards</h2>{_table(heads, sorted(rows))}{note}</section>\n"


def _zoom_data(flight: Flight, pointers: Sequence[_Pointer]) -> str:
    """What the charts that zoom are drawn from: extremes of so many columns, with the altitude at each."""
    start_s, end_s = flight.span_s
    column_s = (end_s - start_s) / _ZOOM_COLUMNS
    tracks = {}
    for pointer in pointers:
        errors = pointer.errors
        x: list[float] = []
        e: list[float] = []
        if len(errors.values) <= 2 * _ZOOM_COLUMNS:
            x = [round(t, 3) for t in errors.times_s]
            e = [float(f"{v:.4g}") for v in errors.values]
        else:
            envelope = lowest_and_highest(errors.times_s, errors.values, start_s, end_s, _ZOOM_COLUMNS)
            for column, low, high in envelope:
                at_s = start_s + column * column_s
                x += [round(at_s + 0.25 * column_s, 3), round(at_s + 0.75 * column_s, 3)]
                e += [float(f"{low:.4g}"), float(f"{high:.4g}")]
        a = [_altitude_at(flight, t) for t in x] if flight.altitude_name else []
        tracks[pointer.track.pointer.key] = {
            "unit": pointer.track.pointer.unit,
            "tolerance": pointer.track.tolerance,
            "worst": [[round(moment.time_s, 3), float(f"{moment.error:.4g}")] for moment, _ in pointer.worst],
            "x": x,
            "e": e,
            "a": a,
        }
    name = f"{flight.altitude_name.replace('_', ' ')}, ft" if flight.altitude_name else ""
    data = json.dumps({"altitude": name, "tracks": tracks}, separators=(",", ":"))
    return data.replace("<", "\\u003c")


def _altitude_at(flight: Flight, time_s: float) -> float | None:
    i = min(bisect_left(flight.ticks_s, time_s), len(flight.altitude) - 1)
    feet = flight.altitude[i]
    return None if isnan(feet) else round(feet)
