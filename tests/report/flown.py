"""Short flights of one tachometer on a virtual board, taken as a report takes them."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from pathlib import Path

from bridge.flight.dry_run import DryRun
from bridge.panel.load import Panel, load_panel
from bridge.report.analysis import Moment, errors_of, worst_moments
from bridge.report.causes import Cause, Causes
from bridge.report.tracks import Flight, Recorder, Track, tracks_of
from bridge.telemetry.source import Arrival
from tests.flight.one_gauge import one_gauge

KEY = "tachometer.needle"


def tachometer(folder: Path, calibration: str = "") -> Panel:
    """0 to 3,000 rpm over 270 degrees; 900 steps/s are 3,000 rpm/s, 6,000 steps/s² 20,000 rpm/s²."""
    text = one_gauge("last").replace("[drives.sweep]", "tick_hz = 50\n[drives.sweep]")
    if calibration:
        (folder / "cal.toml").write_text(calibration)
        text = text.replace("options =", 'calibration = "cal.toml"\noptions =')
    (folder / "panel.toml").write_text(text)
    return load_panel(folder / "panel.toml")


def fly(panel: Panel, arrivals: Iterable[Arrival]) -> Flight:
    """Every tick of these arrivals."""
    dry_run = DryRun(panel, frozenset({"engine_speed"}), arrivals)
    recorder = Recorder(panel, "a test")
    for time_s in dry_run.ticks():
        recorder.take(dry_run.running.snapshot(time_s))
    return recorder.flight


def arrivals(
    rpm: Callable[[float], float], seconds: float, at_s: Callable[[int], float] = lambda n: n * 0.05
) -> list[Arrival]:
    """What a sender at 20 Hz sends; the nth arrives at `at_s(n)`."""
    return [
        Arrival(at_s(n), {"engine_speed": rpm(n * 0.05)})
        for n in range(round(seconds / 0.05) + 1)
        if at_s(n) >= 0.0
    ]


def cause_of_worst(flight: Flight, off_scale: bool = False) -> tuple[Moment, Cause]:
    """The worst moment of the tachometer, and its cause."""
    track = flight.tracks[KEY]
    errors = errors_of(track)
    times_s, values = (errors.off_scale_s, errors.off_scale) if off_scale else (errors.times_s, errors.values)
    (moment,) = worst_moments(times_s, values, 1)
    return moment, Causes(flight, track, errors).of(moment)


def made_up(panel: Panel, wanted: Callable[[float], float], shown: Callable[[float], float]) -> Flight:
    """Ten seconds at 50 ticks a second with a report each tick, as if a board had shown just this."""
    flight = Flight("made up", tracks=tracks_of(panel))
    track: Track = flight.tracks[KEY]
    for n in range(500):
        time_s = n / 50
        flight.tick(time_s, "live", {})
        position = track.pointer.position(shown(time_s))
        track.take(time_s, time_s, wanted(time_s), shown(time_s), time_s, position, position, 0, 0)
    return flight
