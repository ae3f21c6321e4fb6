"""Published flights through the whole program: ambient pressure in, the hundreds pointer out.

NASA NESC six-degree-of-freedom check cases 13.1 and 13.2 (report NTRS 20150001263): an aeroplane steps up
100 ft, and changes its speed, in the U.S. Standard Atmosphere 1976. Their altitude is geometric: an altimeter
set to the standard pressure shows the geopotential altitude, H = r h / (r + h) with r = 6,356,766 m (the same
standard).
"""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from bridge.flight.dry_run import DryRun
from bridge.flight.log_defaults import assumed_in, with_defaults
from bridge.panel.load import load_panel
from bridge.telemetry.recorded import open_log
from bridge.telemetry.replay import arrivals
from tests.conftest import ROOT

FLIGHTS = ROOT / "tests" / "data" / "flights"
EARTH_FT = 6_356_766 / 0.3048
LAYOUT = """\
kind = "table"
time = { label = "time" }
[[fields]]
label = "ambientPressure_lbf_ft2"
quantity = "static_pressure"
unit = "psf"
"""


@pytest.mark.slow
@pytest.mark.parametrize("flight", ["nesc-13.1-climb.csv", "nesc-13.2-speed.csv"])
def test_the_altimeter_shows_the_published_altitude(flight: str, tmp_path: Path) -> None:
    """Its indication within 5 ft of it, its pointer within 10 ft, at every moment of the 20 s."""
    with (FLIGHTS / flight).open(encoding="utf-8", newline="") as file:
        rows = [(float(row["time"]), float(row["altitudeMsl_ft"])) for row in csv.DictReader(file)]
    published = {round(s, 1): EARTH_FT * feet / (EARTH_FT + feet) for s, feet in rows}
    layout = tmp_path / "check-case.toml"
    layout.write_text(LAYOUT, encoding="utf-8")
    panel = load_panel(ROOT / "config" / "panel.toml")
    log = with_defaults(open_log(FLIGHTS / flight, panel.catalogue, layout), panel)
    dry_run = DryRun(panel, log.given, arrivals(log), assumed_in(log))
    count = 0
    for time_s in dry_run.ticks():
        true_ft = published.get(round(time_s, 4))
        if true_ft is None:
            continue
        count += 1
        hundreds = next(p for p in dry_run.running.snapshot(time_s).pointers if p.key == "altimeter.hundreds")
        assert hundreds.indication == pytest.approx(true_ft, abs=5.0)
        assert hundreds.shows == pytest.approx(true_ft, abs=10.0)
    assert count > 190
