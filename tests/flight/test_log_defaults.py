"""Altimeter setting and magnetic variation of a flight whose log has neither."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest

from bridge.flight.dry_run import DryRun
from bridge.flight.log_defaults import assumed_in, with_defaults
from bridge.instruments.magnetism import magnetic_variation_deg
from bridge.panel.load import Panel, load_panel
from bridge.telemetry.recorded import open_log
from bridge.telemetry.replay import arrivals
from tests.conftest import ROOT

MIDNIGHT = ROOT / "tests" / "data" / "flights" / "midnight.igc"
PANEL = ROOT / "config" / "panel.toml"
FIXED = "magnetic_variation = 4.0 "


def panel_of(config: Path, before: str, after: str) -> Panel:
    path = config / "panel.toml"
    text = path.read_text(encoding="utf-8")
    assert before in text
    path.write_text(text.replace(before, after), encoding="utf-8")
    return load_panel(path)


def csv_log(folder: Path, header: str, row: str) -> Path:
    path = folder / "flight.csv"
    path.write_text(f"time[s],{header}\n0,{row}\n", encoding="utf-8")
    return path


def test_a_recorders_flight_has_the_standard_setting_and_the_models_variation(config: Path) -> None:
    """Its first fix is at 38 36.406 S, 176 09.256 E. 1013.25 hPa are 29.92 inHg (14 CFR Part 43, App. E)."""
    panel = panel_of(config, FIXED, "# ")
    log = with_defaults(open_log(MIDNIGHT), panel)
    place = -(38 + 36.406 / 60), 176 + 9.256 / 60
    assert log.given >= {"altimeter_setting", "magnetic_variation", "heading_true"}
    setting, variation = log.assumptions[-2:]
    assert "29.92 inHg" in setting
    assert "by the World Magnetic Model at 38.6 S, 176.2 E in 2010.0" in variation
    first, second, *_ = log
    assert first[1]["altimeter_setting"] == pytest.approx(29.9213, abs=1e-4)
    assert first[1]["magnetic_variation"] == pytest.approx(
        magnetic_variation_deg(*place, date(2009, 11, 6))[0]
    )
    assert "altimeter_setting" not in second[1]


@pytest.mark.slow
def test_with_them_the_altimeter_and_the_heading_show(config: Path) -> None:
    panel = panel_of(config, FIXED, "# ")
    log = with_defaults(open_log(MIDNIGHT), panel)
    dry_run = DryRun(panel, log.given, arrivals(log, 0.0, 3.0), assumed_in(log))
    for _ in dry_run.ticks():
        pass
    setting = dry_run.running.snapshot(3.0).setting
    assert setting.source == "default"
    assert setting.hpa == pytest.approx(1013.25)
    first = next(iter(log))[1]
    readings = dry_run.running.chain.readings.values
    assert readings["indicated_altitude"] == pytest.approx(readings["pressure_altitude"], abs=0.1)
    heading_deg = (first["heading_true"] - first["magnetic_variation"]) % 360
    assert readings["heading_magnetic"] == pytest.approx(heading_deg, abs=40)  # it circles, for three seconds
    assert "altimeter" not in dry_run.running.chain.missing
    assert "heading" not in dry_run.running.chain.missing


@pytest.mark.parametrize(
    ("before", "after", "defaults"),
    [
        ("magnetic_variation = 4.0 ", "magnetic_variation = 5.0 ", {"altimeter_setting"}),
        ("magnetic_variation = 4.0 ", "altimeter_setting = 30.1 # ", {"magnetic_variation"}),
        ('source = "telemetry" ', 'source = "fixed" # ', set()),
        ('source = "telemetry" ', 'source = "knob"\nboard = "left" # ', set()),
    ],
)
def test_what_the_panel_states_is_not_assumed(
    config: Path, before: str, after: str, defaults: set[str]
) -> None:
    log = open_log(MIDNIGHT)
    assert with_defaults(log, panel_of(config, before, after)).given - log.given == defaults


@pytest.mark.parametrize(
    ("header", "row"),
    [
        ("pressure_altitude[ft],altimeter_setting[inHg]", "1000,30.1"),
        ("static_pressure[hPa],sea_level_setting[inHg]", "900,30.1"),
        ("geometric_altitude[ft]", "1000"),
        ("heading_true[deg],heading_magnetic[deg]", "4,0"),
        ("pitch[deg]", "4"),
    ],
)
def test_what_the_log_has_or_nobody_needs_is_not_assumed(tmp_path: Path, header: str, row: str) -> None:
    log = open_log(csv_log(tmp_path, header, row))
    assert with_defaults(log, load_panel(PANEL)) is log


def test_without_a_place_the_variation_is_none_and_that_is_named(config: Path, tmp_path: Path) -> None:
    log = with_defaults(open_log(csv_log(tmp_path, "heading_true[deg]", "90")), panel_of(config, FIXED, "# "))
    assert list(log) == [(0.0, {"heading_true": 90.0, "magnetic_variation": 0.0})]
    assert "0.0 degrees east, as it has no place and date" in log.assumptions[0]


def test_the_panels_own_variation_wins_and_one_that_is_not_the_flights_is_named(config: Path) -> None:
    """In the north island of New Zealand a compass pointed some 20 degrees east (a value from memory)."""
    log = with_defaults(open_log(MIDNIGHT), load_panel(config / "panel.toml"))
    assert "magnetic_variation" not in log.given
    (named,) = [sentence for sentence in log.assumptions if "variation" in sentence]
    assert "4.0 degrees east, as [fixed] of the panel states; it is 2" in named
    near = with_defaults(open_log(MIDNIGHT), panel_of(config, FIXED, "magnetic_variation = 20.3 "))
    assert not [sentence for sentence in near.assumptions if "variation" in sentence]
