"""Failures through the whole chain: what the trainee's needles show, what the instructor sees, and when."""

from __future__ import annotations

import csv
from collections.abc import Sequence
from pathlib import Path

import pytest
import tomlkit

from bridge.boards.notices import ButtonPressed
from bridge.flight.chain import Chain
from bridge.flight.dry_run import DryRun
from bridge.flight.notices import FailureSwitched
from bridge.flight.running_panel import RunningPanel
from bridge.flight.trace import Trace
from bridge.instruments.failures.kinds import make_failure
from bridge.instruments.failures.scenario import Event, Scenario
from bridge.panel.load import Panel, load_panel
from bridge.panel.scenario import load_scenario
from bridge.telemetry.source import Arrival
from tests.conftest import ROOT
from tests.panel.every_ready_gauge import every_ready_gauge
from tests.published import rows

HUNDREDS, AIRSPEED, CLIMB = ("left", 0), ("right", 0), ("right", 1)
GIVEN = frozenset({"pressure_altitude", "altimeter_setting", "calibrated_airspeed"})
STATIC, STUCK = make_failure("static_blocked"), make_failure("needle_sticks", pointer="altimeter.hundreds")


@pytest.fixture(scope="module")
def panel(tmp_path_factory: pytest.TempPathFactory) -> Panel:
    """The demo panel, of an aircraft without position error, as the computed values have it."""
    text = (ROOT / "tests" / "written_out.toml").read_text()
    kept = [line for line in text.splitlines() if not line.startswith("position_error")]
    folder = tmp_path_factory.mktemp("config")
    for name in ("layouts", "calibration"):
        (folder / name).symlink_to(ROOT / "config" / name)
    (folder / "panel.toml").write_text("\n".join(kept))
    return load_panel(folder / "panel.toml")


def flown(
    panel: Panel, events: Sequence[Event], *legs: tuple[float, float], speed_kt: float = 100.0
) -> Chain:
    """A chain after legs of (seconds, altitude ft), in the time of a log."""
    chain = Chain(panel, GIVEN, replayed=True, scenario=Scenario("test", tuple(events)))
    time_s = 0.0
    for seconds, altitude_ft in legs:
        for _ in range(round(seconds * 10)):
            chain.feed(
                time_s,
                {
                    "pressure_altitude": altitude_ft,
                    "altimeter_setting": 29.92126,
                    "calibrated_airspeed": speed_kt,
                },
            )
            chain.step(time_s)
            time_s += 0.1
    return chain


@pytest.mark.parametrize(
    ("blocked", "blocked_at_ft", "speed_kt", "change_ft", "shown_kt"), rows("pitot-and-static-blocked.csv")
)
def test_a_blocked_line_moves_the_airspeed_needle_as_computed(
    panel: Panel, blocked: float, blocked_at_ft: float, speed_kt: float, change_ft: float, shown_kt: float
) -> None:
    kinds = ("pitot_blocked", "pitot_drain_blocked") if blocked == 1 else ("static_blocked",)
    events = [Event(make_failure(kind), 2.0) for kind in kinds]
    legs = ((4.0, blocked_at_ft), (4.0, blocked_at_ft + change_ft))
    chain = flown(panel, events, *legs, speed_kt=speed_kt)
    needle = chain.pointers[AIRSPEED]
    assert needle.indication == pytest.approx(shown_kt, abs=0.1)
    assert needle.true_indication == pytest.approx(speed_kt, abs=0.1)
    altimeter = chain.pointers[HUNDREDS]
    assert altimeter.true_indication == pytest.approx(blocked_at_ft + change_ft, abs=0.1)
    kept_ft = blocked_at_ft + (change_ft if blocked == 1 else 0.0)
    assert altimeter.indication == pytest.approx(kept_ft, abs=0.1)


def test_a_line_moves_its_needles_whichever_datagram_arrives(panel: Panel) -> None:
    """A sender that splits its datagrams. Computed apart from the code: 139.6 kt, 500 ft above a pitot tube
    that closed with its drain at 5,000 ft and 100 kt; and 50 ft in a cabin 158 Pa below, into which a static
    line leaks while no altitude arrives."""
    kinds = ("pitot_blocked", "pitot_drain_blocked")
    chain = flown(panel, [Event(make_failure(kind), 2.0) for kind in kinds], (4.0, 5000.0))
    for n in range(10):
        chain.feed(4.0 + 0.1 * n, {"pressure_altitude": 5500.0})
    assert chain.pointers[AIRSPEED].indication == pytest.approx(139.6, abs=0.1)
    assert chain.pointers[AIRSPEED].true_indication == pytest.approx(100.0, abs=0.1)
    leak = make_failure("static_leak", {"leak_s": 1.0, "cabin_below_hpa": 1.58})
    chain = flown(panel, [Event(STATIC, 2.0), Event(leak, 4.0)], (3.9, 5000.0))
    for n in range(100):
        chain.feed(3.9 + 0.1 * n, {"calibrated_airspeed": 100.0})
    assert chain.pointers[HUNDREDS].indication == pytest.approx(5050.0, abs=0.5)


def test_what_is_undone_between_two_arrivals_leaves_no_other_truth(panel: Panel) -> None:
    chain = flown(panel, [], (1.0, 5000.0))
    chain.training.switch_on(STATIC, "instructor")
    chain.feed(1.0, {"pressure_altitude": 5500.0})
    assert chain.pointers[AIRSPEED].indication == pytest.approx(20.0, abs=0.1)  # as computed
    assert chain.pointers[HUNDREDS].true_indication == pytest.approx(5500.0, abs=0.1)
    chain.training.undo(STATIC.name, "instructor")
    chain.feed(1.1, {"pressure_altitude": 5500.0})
    assert chain.pointers[AIRSPEED].indication == pytest.approx(100.0, abs=0.1)
    assert chain.pointers[HUNDREDS].indication == pytest.approx(5500.0, abs=0.1)
    assert {driven.true_indication for driven in chain.pointers.values()} == {None}


def test_a_scenario_comes_and_goes_at_its_times_and_leaves_no_trace(panel: Panel) -> None:
    events = [Event(STATIC, 2.0, 5.0), Event(make_failure("suction_lost"), 3.0, 4.0)]
    during = flown(panel, events, (2.5, 3000.0), (2.0, 4000.0))
    assert set(during.training.in_force) == {"static_blocked"}
    assert during.pointers[HUNDREDS].indication == pytest.approx(3000.0, abs=0.1)
    after = flown(panel, events, (2.5, 3000.0), (30.0, 4000.0))
    never = flown(panel, [], (2.5, 3000.0), (30.0, 4000.0))
    for address, needle in after.pointers.items():
        assert needle.true_indication is None
        assert needle.indication == pytest.approx(never.pointers[address].indication, abs=1e-3)
        assert needle.target == pytest.approx(never.pointers[address].target, abs=1e-3)
    switched = [(each.name, each.on) for each in after.training.take_notices()]
    assert switched == [
        ("static_blocked", True),
        ("suction_lost", True),
        ("suction_lost", False),
        ("static_blocked", False),
    ]


def test_a_needle_sticks_and_a_tap_frees_it_while_the_others_follow(panel: Panel) -> None:
    events = [Event(STUCK, 1.0), Event(None, 5.0, tapped="altimeter.hundreds")]
    stuck = flown(panel, events, (2.0, 3000.0), (2.5, 3300.0))
    assert stuck.pointers[HUNDREDS].indication == pytest.approx(3000.0, abs=0.1)
    assert stuck.pointers["left", 1].indication == pytest.approx(3300.0, abs=0.1)
    tapped = flown(panel, events, (2.0, 3000.0), (3.5, 3300.0), (1.0, 3500.0))
    assert tapped.pointers[HUNDREDS].indication == pytest.approx(3300.0, abs=0.1)


def test_the_place_in_a_replay_decides_what_is_in_force(panel: Panel) -> None:
    chain = flown(panel, [Event(STATIC, 2.0)], (3.0, 3000.0))
    assert chain.training.in_force
    chain.start_afresh()
    chain.feed(0.5, {"pressure_altitude": 5000.0, "altimeter_setting": 29.92126, "calibrated_airspeed": 90.0})
    assert not chain.training.in_force
    assert chain.pointers[HUNDREDS].indication == pytest.approx(5000.0, abs=0.1)


def test_in_a_live_flight_times_count_from_the_first_telemetry(panel: Panel) -> None:
    chain = Chain(panel, GIVEN, scenario=Scenario("test", (Event(STATIC, 2.0),)))
    readings = {"pressure_altitude": 3000.0, "altimeter_setting": 29.92126, "calibrated_airspeed": 90.0}
    for time_s, in_force in ((5000.0, False), (5001.0, False), (5002.0, True)):
        chain.feed(time_s, readings)
        assert bool(chain.training.in_force) is in_force


def test_a_flag_shows_the_failed_reading_and_what_nothing_sends_is_shown_too(config: Path) -> None:
    path = config / "panel.toml"
    text = path.read_text()
    assert "\n[fixed]" in text
    text = text.replace(
        "\n[fixed]", '\n[gauges.airspeed.flags.off]\nwhen = "electrical_power < 50 %"\n\n[fixed]'
    )
    path.write_text(text.replace("\n[fixed]", "\n[fixed]\nelectrical_power = 100", 1))
    chain = Chain(load_panel(path), GIVEN, replayed=True)
    readings = {"pressure_altitude": 3000.0, "altimeter_setting": 29.92126, "calibrated_airspeed": 90.0}
    chain.feed(0.0, readings)
    assert chain.holds("gauges.airspeed.flags.off") is False
    chain.training.switch_on(make_failure("electrical_lost"), "instructor")
    chain.feed(0.1, readings)
    assert chain.holds("gauges.airspeed.flags.off") is True
    chain.training.undo("electrical_lost", "instructor")
    chain.feed(0.2, readings)
    assert chain.holds("gauges.airspeed.flags.off") is False


def press(running: RunningPanel, time_s: float, button: int) -> None:
    running.sessions["left"]._notices.append(ButtonPressed(button, 1))
    running.tick(time_s)


def test_a_button_switches_by_turns_and_a_new_description_keeps_what_is_in_force(panel: Panel) -> None:
    events = (Event(STATIC, button=("left", 1)), Event(STUCK), Event(None, button=("left", 2)))
    running = RunningPanel(panel, GIVEN, scenario=Scenario("test", events))
    readings = {"pressure_altitude": 3000.0, "altimeter_setting": 29.92126, "calibrated_airspeed": 90.0}
    running.feed(0.0, readings)
    press(running, 0.5, 1)
    assert set(running.chain.training.in_force) == {"static_blocked", STUCK.name}
    running.feed(1.0, {**readings, "pressure_altitude": 3500.0})
    again = RunningPanel(panel, GIVEN, before=running)
    again.feed(2.0, {**readings, "pressure_altitude": 3600.0})
    snapshot = again.snapshot(2.0)
    assert snapshot.failures == (STUCK.name, "static_blocked")
    assert snapshot.felt["pressure_altitude"] == pytest.approx(3000.0, abs=0.1)
    assert snapshot.values["pressure_altitude"] == 3600.0
    thousands = next(pointer for pointer in snapshot.pointers if pointer.key == "altimeter.thousands")
    assert thousands.indication == pytest.approx(3000.0, abs=0.1)
    assert thousands.true_indication == pytest.approx(3600.0, abs=0.1)
    press(again, 2.2, 1)
    press(again, 2.4, 2)
    again.feed(3.0, {**readings, "pressure_altitude": 3700.0})
    assert set(again.chain.training.in_force) == {STUCK.name}
    assert again.chain.pointers[HUNDREDS].indication == pytest.approx(3700.0, abs=0.1)
    switched = [each for each in again.take_notices() if isinstance(each, FailureSwitched)]
    assert FailureSwitched("static_blocked", False, "button of left", "") in switched


def test_a_failure_without_effect_is_reported_with_what_it_lacks(panel: Panel) -> None:
    running = RunningPanel(panel, frozenset({"pitch"}), scenario=Scenario("test", (Event(STATIC),)))
    running.feed(0.0, {"pitch": 1.0})
    switched = [each for each in running.take_notices() if isinstance(each, FailureSwitched)]
    assert len(switched) == 1 and "static_pressure" in switched[0].lacks


SCENARIO = """
seed = 46
[[failures]]
kind = "static_blocked"
at_s = 1.0
[[failures]]
kind = "pitot_blocked"
over_s = 1.0
per_hour = 3600
[[failures]]
kind = "needle_sticks"
pointer = "airspeed.needle"
per_hour = 1800
at_s = 0.5
"""


def failing(panel: Panel, scenario: Path) -> DryRun:
    readings = {"pressure_altitude": 3000.0, "altimeter_setting": 29.92126, "calibrated_airspeed": 90.0}
    arrivals = [Arrival(n / 10, {**readings, "pressure_altitude": 3000.0 + 2 * n}) for n in range(21)]
    return DryRun(panel, GIVEN, arrivals, scenario=load_scenario(scenario, panel))


@pytest.mark.slow
def test_a_scenario_repeats_to_the_byte_and_the_trace_has_both_readings(panel: Panel, tmp_path: Path) -> None:
    """A file, with chance in it."""
    (tmp_path / "scenario.toml").write_text(SCENARIO)
    written = []
    for name in ("first.csv", "again.csv"):
        dry_run = failing(panel, tmp_path / "scenario.toml")
        with Trace(tmp_path / name, dry_run.running.snapshot(0.0)) as trace:
            for time_s in dry_run.ticks():
                trace.write(dry_run.running.snapshot(time_s))
        written.append((tmp_path / name).read_bytes())
    assert written[0] == written[1]
    with (tmp_path / "first.csv").open(newline="") as file:
        lines = list(csv.DictReader(file))
    assert (lines[50]["failures"], lines[50]["altimeter.hundreds.true_indication[ft]"]) == ("", "")
    last = lines[-1]
    assert last["failures"] == "pitot_blocked; needle_sticks airspeed.needle; static_blocked"
    assert float(last["altimeter.hundreds.indication[ft]"]) == pytest.approx(3018.0, abs=0.1)
    assert float(last["altimeter.hundreds.true_indication[ft]"]) == pytest.approx(3040.0, abs=0.1)


def test_a_compass_lags_in_a_turn_on_north_while_the_heading_card_is_right(tmp_path: Path) -> None:
    """FAA Instrument Flying Handbook: at 15 to 18 degrees of bank by about the latitude, against the turn."""
    data = every_ready_gauge()
    data["gauges"] = {name: data["gauges"][name] for name in ("compass", "heading")}
    data["boards"] = {name: data["boards"][name] for name in ("compass", "heading")}
    (tmp_path / "panel.toml").write_text(tomlkit.dumps(data))
    event = Event(make_failure("compass_errors", {"latitude_deg": 40.0}))
    given = frozenset({"heading_magnetic", "bank"})
    chain = Chain(load_panel(tmp_path / "panel.toml"), given, replayed=True, scenario=Scenario("", (event,)))
    for tick in range(100):
        chain.feed(tick / 10, {"heading_magnetic": 0.0, "bank": 16.5})
    compass, card = chain.pointers["compass", 0], chain.pointers["heading", 0]
    assert compass.indication == pytest.approx(320.0, abs=0.1)
    assert card.indication == pytest.approx(0.0)
