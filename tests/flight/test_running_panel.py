"""The running panel without boards that answer: state of the telemetry, ages, losses, the setting."""

from __future__ import annotations

from pathlib import Path

import pytest

from bridge.boards.notices import KnobTurned
from bridge.flight.notices import AltimeterSet, PointersBack, PointersLost, TelemetryChanged, TelemetrySlow
from bridge.flight.running_panel import RunningPanel
from bridge.flight.telemetry_watch import Telemetry
from bridge.flight.view import notes
from bridge.panel.load import Panel, load_panel
from tests.conftest import ROOT


@pytest.mark.parametrize("burst", [1, 2])
def test_a_slow_sender_is_not_silent_between_its_datagrams_but_is_when_it_stops(burst: int) -> None:
    running = RunningPanel(load_panel(ROOT / "config" / "panel.toml"), frozenset({"pressure_altitude"}))
    stood: list[Telemetry] = []
    for tick in range(1000):
        if tick % 100 == 0:
            for _ in range(burst):
                running.feed(tick / 100, {"pressure_altitude": 2140.0})
        running.tick(tick / 100)
        stood.append(running.telemetry.state)
    assert set(stood[100:]) == {Telemetry.LIVE}
    for tick in range(1000, 1200):
        running.tick(tick / 100)
    assert running.telemetry.state is Telemetry.SILENT


def test_a_fast_sender_is_silent_half_a_second_after_it_stops_whatever_pause_lies_behind() -> None:
    running = RunningPanel(load_panel(ROOT / "config" / "panel.toml"), frozenset({"pressure_altitude"}))
    running.feed(0.0, {"pressure_altitude": 2140.0})
    for tick in range(100):
        running.feed(8.0 + tick / 20, {"pressure_altitude": 2140.0})
    stood: list[Telemetry] = []
    for tick in range(1330, 1351):
        running.tick(tick / 100)
        stood.append(running.telemetry.state)
    assert (stood[0], stood[-1]) == (Telemetry.LIVE, Telemetry.SILENT)


# -- a quantity that stops arriving ----------------------------------------------------------------

READINGS = {
    "pressure_altitude": 2140.0,
    "altimeter_setting": 29.92126,
    "calibrated_airspeed": 90.0,
    "pitch": 5.0,
    "bank": 10.0,
}
GIVEN = frozenset(READINGS)
PITCH, BANK, HUNDREDS = ("right", 3), ("centre", 2), ("left", 0)


def demo(config: Path, *changes: tuple[str, str]) -> Panel:
    path = config / "panel.toml"
    text = path.read_text()
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    path.write_text(text)
    return load_panel(path)


def fly(
    running: RunningPanel, start_s: float, seconds: float, *without: str, hz: float = 20.0, **new: float
) -> float:
    """Tick at 100 Hz, with all readings but those at `hz`; returns the time after it."""
    readings = {name: value for name, value in {**READINGS, **new}.items() if name not in without}
    every = round(100 / hz)
    for tick in range(round(seconds * 100)):
        time_s = round(start_s + tick / 100, 2)
        if tick % every == 0:
            running.feed(time_s, readings)
        running.tick(time_s)
    return start_s + seconds


def state(running: RunningPanel, gauge: str, time_s: float) -> tuple[str, str]:
    (found,) = (g for g in running.snapshot(time_s).gauges if g.name == gauge)
    return found.state, found.why


def test_a_quantity_that_stops_is_lost_and_its_pointer_holds_while_others_go_on(config: Path) -> None:
    running = RunningPanel(demo(config), GIVEN)
    time_s = fly(running, 0.0, 5.0)
    assert state(running, "attitude", time_s) == ("live", "")
    held = running.chain.pointers[PITCH].position
    time_s = fly(running, time_s, 0.4, "pitch", bank=20.0)
    assert state(running, "attitude", time_s)[0] == "live", "not before twice its interval and half a second"
    running.take_notices()
    time_s = fly(running, time_s, 0.4, "pitch", bank=20.0)
    assert state(running, "attitude", time_s) == ("lost", "pitch 0.9 s old")
    (lost,) = running.take_notices()
    assert isinstance(lost, PointersLost)
    assert (lost.pointers, lost.quantities, lost.then) == (("attitude.pitch",), ("pitch",), "hold")
    assert 0.5 <= lost.age_s < 0.8
    time_s = fly(running, time_s, 15.0, "pitch", bank=20.0)
    assert running.telemetry.state is Telemetry.LIVE
    assert running.chain.pointers[PITCH].position == held
    assert running.chain.pointers[BANK].indication == 20.0
    readings = {reading.name: reading for reading in running.snapshot(time_s).readings}
    assert (readings["pitch"].value, readings["pitch"].lost) == (5.0, True)
    assert readings["pitch"].age_s == pytest.approx(15.8, abs=0.06)
    assert readings["bank"].age_s == pytest.approx(0.05, abs=0.01)
    time_s = fly(running, time_s, 5.0, pitch=-5.0)
    assert running.take_notices() == [PointersBack(("attitude.pitch",), ("pitch",))]
    assert state(running, "attitude", time_s) == ("live", "")
    pitch = running.chain.pointers[PITCH]
    assert pitch.position == pytest.approx(pitch.pointer.position(-5.0), abs=0.1)


def test_after_the_stated_time_only_pointers_that_have_lost_a_quantity_park(config: Path) -> None:
    panel = demo(config, ('behaviour = "hold"', 'behaviour = "park"'), ("after_s = 10.0", "after_s = 3.0"))
    running = RunningPanel(panel, GIVEN)
    time_s = fly(running, 0.0, 5.0)
    time_s = fly(running, time_s, 2.8, "pitch")
    pitch = running.chain.pointers[PITCH]
    assert pitch.position == pytest.approx(pitch.pointer.position(5.0), abs=0.1)
    time_s = fly(running, time_s, 4.0, "pitch")
    assert pitch.position == pytest.approx(pitch.pointer.position(pitch.pointer.park), abs=0.1)
    bank = running.chain.pointers[BANK]
    assert bank.position == pytest.approx(bank.pointer.position(10.0), abs=0.1)
    parked = {pointer.key: pointer.parked for pointer in running.snapshot(time_s).pointers}
    assert [key for key, is_parked in parked.items() if is_parked] == ["attitude.pitch"]
    after = RunningPanel(panel, GIVEN, before=running)
    time_s = fly(after, time_s, 1.0, "pitch")
    assert after.chain.pointers[PITCH].position == pytest.approx(pitch.position, abs=0.1), "a reload keeps it"
    assert after.snapshot(time_s).pointers[-1].parked
    time_s = fly(after, time_s, 5.0)
    pitch = after.chain.pointers[PITCH]
    assert pitch.position == pytest.approx(pitch.pointer.position(5.0), abs=0.1)


def test_a_reload_keeps_ages_and_losses_and_logs_no_loss_twice(config: Path) -> None:
    panel = demo(config)
    running = RunningPanel(panel, GIVEN)
    time_s = fly(running, 0.0, 5.0)
    time_s = fly(running, time_s, 2.0, "pitch")
    running.take_notices()
    after = RunningPanel(panel, GIVEN, before=running)
    assert state(after, "attitude", time_s)[0] == "lost"
    time_s = fly(after, time_s, 1.0, "pitch")
    assert state(after, "attitude", time_s) == ("lost", "pitch 3.0 s old")
    assert not [notice for notice in after.take_notices() if isinstance(notice, PointersLost)]


def test_what_is_derived_is_lost_with_what_it_rests_on(config: Path) -> None:
    """Indicated altitude and vertical speed rest on the pressure altitude; the setting keeps arriving."""
    running = RunningPanel(demo(config), GIVEN)
    time_s = fly(running, 0.0, 5.0)
    time_s = fly(running, time_s, 2.0, "pressure_altitude")
    (lost,) = (notice for notice in running.take_notices() if isinstance(notice, PointersLost))
    gauges = {key.partition(".")[0] for key in lost.pointers}
    assert gauges == {"altimeter", "vertical_speed", "turn"}, (
        "turn by bank and speed, which needs the altitude"
    )
    for gauge in ("altimeter", "vertical_speed", "turn"):
        assert state(running, gauge, time_s) == ("lost", "pressure_altitude 2.0 s old"), gauge
    readings = {reading.name: reading for reading in running.snapshot(time_s).readings}
    assert readings["indicated_altitude"].derived and readings["indicated_altitude"].lost
    assert readings["indicated_altitude"].age_s == pytest.approx(2.05, abs=0.06)
    assert not readings["altimeter_setting"].lost
    assert state(running, "airspeed", time_s) == ("live", "")


def test_what_can_be_had_in_another_way_is_switched_to_it_and_back(config: Path) -> None:
    """Altitude as the altimeter shows it is lost; pressure altitude and setting go on.

    30.50 inHg add 531 ft (14 CFR 43, App. E, Table IV).
    """
    panel = demo(config)
    running = RunningPanel(panel, GIVEN | {"indicated_altitude"})
    setting = {"altimeter_setting": 30.50, "pressure_altitude": 3000.0}
    time_s = fly(running, 0.0, 5.0, indicated_altitude=3531.0, **setting)
    running.take_notices()
    hundreds = running.chain.pointers[HUNDREDS]
    time_s = fly(running, time_s, 2.0, **{**setting, "pressure_altitude": 3100.0})
    assert hundreds.indication == pytest.approx(3631, abs=2)
    assert state(running, "altimeter", time_s) == (
        "live",
        "derived from altimeter_setting, pressure_altitude, without indicated_altitude",
    )
    (lost,) = running.take_notices()
    assert isinstance(lost, PointersLost)
    assert (lost.quantities, lost.then) == (
        ("indicated_altitude",),
        "derived from altimeter_setting, pressure_altitude",
    )
    assert set(lost.pointers) == {"altimeter.hundreds", "altimeter.thousands", "altimeter.ten_thousands"}
    readings = {reading.name: reading for reading in running.snapshot(time_s).readings}
    assert readings["indicated_altitude"].derived and not readings["indicated_altitude"].lost
    after = RunningPanel(panel, GIVEN | {"indicated_altitude"}, before=running)
    time_s = fly(after, time_s, 1.0, **{**setting, "pressure_altitude": 3200.0})
    assert after.chain.pointers[HUNDREDS].indication == pytest.approx(3731, abs=2), "a reload keeps the way"
    time_s = fly(after, time_s, 1.0, indicated_altitude=3500.0, **setting)
    assert after.chain.pointers[HUNDREDS].indication == 3500.0
    assert state(after, "altimeter", time_s) == ("live", "")
    assert isinstance(after.take_notices()[-1], PointersBack)


def test_a_second_loss_leaves_no_way_and_the_pointer_holds(config: Path) -> None:
    running = RunningPanel(demo(config), GIVEN | {"indicated_altitude"})
    time_s = fly(running, 0.0, 5.0, indicated_altitude=2140.0)
    time_s = fly(running, time_s, 2.0)
    running.take_notices()
    time_s = fly(running, time_s, 2.0, "pressure_altitude")
    assert state(running, "altimeter", time_s)[0] == "lost"
    (lost,) = (
        n
        for n in running.take_notices()
        if isinstance(n, PointersLost) and "altimeter.hundreds" in n.pointers
    )
    assert lost.then == "hold"
    time_s = fly(running, time_s, 1.0)
    assert state(running, "altimeter", time_s)[0] == "live"
    assert running.chain.pointers[HUNDREDS].indication == pytest.approx(2140, abs=1)


def test_a_switch_leaves_the_history_of_what_does_not_rest_on_it(config: Path) -> None:
    """Vertical speed is the slope of the pressure altitude, 600 ft/min here, whatever the other does."""
    running = RunningPanel(demo(config), GIVEN | {"indicated_altitude"})
    shown = []
    for tick in range(2400):
        time_s = tick / 100
        if tick % 5 == 0:
            altitude_ft = 2000.0 + 10.0 * time_s
            readings = {**READINGS, "pressure_altitude": altitude_ft}
            if time_s < 15.0:
                readings["indicated_altitude"] = altitude_ft
            running.feed(time_s, readings)
            if time_s >= 14.0:
                shown.append(running.chain.readings.values["vertical_speed"])
        running.tick(time_s)
    assert shown == pytest.approx([600.0] * len(shown), abs=1.0)


def test_a_stop_awaits_no_telemetry(config: Path) -> None:
    running = RunningPanel(demo(config), GIVEN)
    time_s = fly(running, 0.0, 5.0)
    running.take_notices()
    running.telemetry.end()
    for tick in range(1500):
        running.tick(time_s + tick / 100)
    assert running.take_notices() == []


def test_a_slow_quantity_is_not_lost_between_its_arrivals_and_one_sent_once_never(config: Path) -> None:
    running = RunningPanel(demo(config), GIVEN)
    time_s = 0.0
    for n in range(10):  # pitch comes every second, the setting came once
        readings = dict(READINGS)
        if n:
            del readings["altimeter_setting"]
        running.feed(time_s, readings)
        for tick in range(100):
            if tick % 5 == 0 and tick:
                running.feed(time_s, {"bank": 10.0, "pressure_altitude": 2140.0, "calibrated_airspeed": 90.0})
            running.tick(time_s)
            time_s = round(time_s + 0.01, 2)
        if n:
            assert {g.name for g in running.snapshot(time_s).gauges if g.state == "lost"} == set()


def test_a_setting_that_is_sent_on_change_leaves_the_altimeter_flying(config: Path) -> None:
    """Turned for two seconds and not sent again; 30.50 inHg add 531 ft (14 CFR 43, App. E, Table IV)."""
    running = RunningPanel(demo(config), GIVEN)
    time_s = fly(running, 0.0, 2.0, altimeter_setting=30.50)
    time_s = fly(running, time_s, 20.0, "altimeter_setting", pressure_altitude=3000.0)
    assert state(running, "altimeter", time_s) == ("live", "")
    assert running.chain.pointers[HUNDREDS].indication == pytest.approx(3531, abs=2)
    readings = {reading.name: reading for reading in running.snapshot(time_s).readings}
    assert readings["altimeter_setting"].age_s == pytest.approx(20.05, abs=0.06)


def test_telemetry_that_stops_as_a_whole_is_silent_and_no_quantity_is_lost(config: Path) -> None:
    running = RunningPanel(demo(config), GIVEN)
    time_s = fly(running, 0.0, 5.0)
    running.take_notices()
    for tick in range(300):
        running.tick(time_s + tick / 100)
    time_s = fly(running, time_s + 3.0, 1.0, hz=4.0)
    assert running.telemetry.state is Telemetry.LIVE
    assert running.take_notices() == [TelemetryChanged("silent", "live"), TelemetryChanged("live", "silent")]


def test_a_reload_at_rest_leaves_the_pointers_parked(config: Path) -> None:
    panel = demo(config, ('behaviour = "hold"', 'behaviour = "park"'), ("after_s = 10.0", "after_s = 1.0"))
    running = RunningPanel(panel, GIVEN)
    time_s = fly(running, 0.0, 5.0)
    for tick in range(800):
        running.tick(time_s + tick / 100)
    assert running.telemetry.state is Telemetry.RESTING
    bank = running.chain.pointers[BANK].position
    after = RunningPanel(panel, GIVEN, before=running)
    for tick in range(800, 1000):
        after.tick(time_s + tick / 100)
    assert after.chain.pointers[BANK].position == pytest.approx(bank, abs=0.01)
    assert all(pointer.parked and pointer.error is None for pointer in after.snapshot(time_s).pointers)


# -- the altimeter setting ------------------------------------------------------------------------

KNOB = ('source = "telemetry"', 'source = "knob"\nboard = "left"\ninput = 0\ninhg = 29.50')
DRUM = (
    'instrument = "airspeed"',
    'instrument = "gauge"\noptions = { quantity = "altimeter_setting", lag_s = 1 }',
)
UNCALIBRATED = ('calibration = "calibration/airspeed.toml"', "")
SCALE = ("scale = [[0, 0], [40, 28]", "scale = [[28, 0], [29, 60], [30, 120], [31, 180]]\n#")


def turn(running: RunningPanel, time_s: float, counts: int) -> None:
    running.sessions["left"]._notices.append(KnobTurned(0, counts))
    running.tick(time_s)


def test_the_knobs_setting_is_shown_and_logged_at_the_start_and_when_it_has_been_turned(config: Path) -> None:
    """1 inHg is 33.8639 hPa (NIST SP 811, Appendix B, conventional inch of mercury; from memory)."""
    running = RunningPanel(demo(config, KNOB), GIVEN)
    assert running.snapshot(0.0).setting.inhg == 29.50
    time_s = fly(running, 0.0, 1.0)
    for n in range(42):
        turn(running, time_s + n / 100, 1)
    time_s = fly(running, time_s + 0.42, 1.0)
    settings = [notice for notice in running.take_notices() if isinstance(notice, AltimeterSet)]
    assert [notice.source for notice in settings] == ["knob", "knob"]
    assert [notice.setting_inhg for notice in settings] == pytest.approx([29.5, 29.92])
    setting = running.snapshot(time_s).setting
    assert setting.hpa == pytest.approx(29.92 * 33.8639, abs=0.1)
    assert setting.inhg == pytest.approx(29.92)
    assert running.recorded({"pitch": 1.0}) == {"pitch": 1.0, "altimeter_setting": pytest.approx(29.92)}


def test_a_kept_setting_is_where_a_knob_goes_on(config: Path) -> None:
    running = RunningPanel(demo(config, KNOB), GIVEN, setting_inhg=30.11)
    assert running.snapshot(0.0).setting.inhg == 30.11
    assert RunningPanel(running.panel, GIVEN, before=running).snapshot(0.0).setting.inhg == 30.11


def test_a_drum_shows_the_setting_of_a_knob_from_the_start_and_as_it_is_turned(config: Path) -> None:
    path = config / "panel.toml"
    text = path.read_text()
    start = text.index("[gauges.airspeed.face]")
    text = text[:start] + text[text.index("[gauges.vertical_speed]") :]
    path.write_text(text.replace('indication = "indicated_airspeed"', 'indication = "altimeter_setting"'))
    running = RunningPanel(demo(config, KNOB, DRUM, UNCALIBRATED, SCALE), GIVEN)
    drum = running.chain.pointers["right", 0]
    running.tick(0.0)
    for tick in range(300):
        running.tick(tick / 100)
    assert drum.indication == 29.50
    assert drum.position == pytest.approx(drum.pointer.position(29.50), abs=0.1)
    for n in range(50):
        turn(running, 3.0 + n / 100, 1)
    for tick in range(300):
        running.tick(3.5 + tick / 100)
    assert drum.indication == pytest.approx(30.0)
    assert drum.position == pytest.approx(drum.pointer.position(30.0), abs=0.1)


def test_a_replayed_log_that_holds_the_setting_moves_it_instead_of_the_knob(config: Path) -> None:
    panel = demo(config, KNOB)
    live = RunningPanel(panel, GIVEN)
    fly(live, 0.0, 1.0)
    assert live.snapshot(1.0).setting.inhg == 29.50, "in flight the knob wins over telemetry"
    replayed = RunningPanel(panel, GIVEN, replayed=True)
    fly(replayed, 0.0, 1.0)
    setting = replayed.snapshot(1.0).setting
    assert (setting.inhg, setting.source) == (29.92126, "flight log")
    again = RunningPanel(panel, GIVEN, before=replayed)
    assert again.snapshot(1.0).setting.source == "flight log"
    without = RunningPanel(panel, GIVEN - {"altimeter_setting"}, replayed=True)
    assert without.snapshot(0.0).setting.source == "knob"


@pytest.mark.parametrize(
    ("given", "change", "source", "inhg"),
    [
        (GIVEN, ("name = ", "name = "), "telemetry", None),
        (GIVEN, ('source = "telemetry"', 'source = "fixed"\ninhg = 30.5'), "fixed", 30.5),
        (GIVEN, ("[fixed] ", "[fixed]\naltimeter_setting = 30.1 #"), "fixed", 30.1),
        (frozenset({"sea_level_setting", "pressure_altitude"}), ("name = ", "name = "), "derived", None),
    ],
)
def test_it_is_logged_where_the_setting_comes_from(
    config: Path, given: frozenset[str], change: tuple[str, str], source: str, inhg: float | None
) -> None:
    setting = RunningPanel(demo(config, change), given).snapshot(0.0).setting
    assert (setting.source, setting.inhg) == (source, inhg)


def test_it_is_logged_once_which_pointers_have_slow_readings_and_how_late_they_show_a_change(
    config: Path,
) -> None:
    running = RunningPanel(demo(config), frozenset({*GIVEN, "static_pressure"} - {"pressure_altitude"}))
    notices: list[object] = []
    for tick in range(1200):
        time_s = tick / 100
        if tick % 5 == 0:
            running.feed(time_s, {"bank": tick / 100, "pitch": 1.0})
        if tick % 50 == 0:
            running.feed(time_s, {"static_pressure": 900.0 - tick / 100, "altimeter_setting": 29.92})
        running.tick(time_s)
        notices += running.take_notices()
    (slow,) = [notice for notice in notices if isinstance(notice, TelemetrySlow)]
    assert slow.interval_s == pytest.approx(0.5)
    assert "altimeter.hundreds" in slow.pointers
    snapshot = running.snapshot(12.0)
    intervals = {pointer.key: pointer.interval_s for pointer in snapshot.pointers}
    assert intervals["altimeter.hundreds"] == pytest.approx(0.5)
    assert intervals["attitude.bank"] is None
    assert any("readings every 0.5 s, predicted in between" in note for note in notes(snapshot))
