"""The chain: readings in, needles aimed; and how a new description takes over."""

from __future__ import annotations

from pathlib import Path

import pytest

from bridge.flight.chain import Chain
from bridge.panel.load import load_panel
from tests.conftest import ROOT
from tests.flight.one_gauge import one_gauge
from tests.published import rows

HUNDREDS = ("left", 0)
AIRSPEED = ("right", 0)


def demo(
    given: frozenset[str] = frozenset({"pressure_altitude", "altimeter_setting", "calibrated_airspeed"}),
) -> Chain:
    return Chain(load_panel(ROOT / "config" / "panel.toml"), given)


def face_deg(chain: Chain, place: tuple[str, int]) -> float:
    needle = chain.pointers[place]
    return needle.pointer.face_deg(needle.position) % 360


def settle(chain: Chain, start_s: float, readings: dict[str, float], seconds: float = 12.0) -> float:
    """Hold these readings at 20 Hz and step at 100 Hz until the needles are at rest; the time after it."""
    for tick in range(round(seconds * 100)):
        time_s = start_s + tick / 100
        if tick % 5 == 0:
            chain.feed(time_s, readings)
        chain.step(time_s)
    return start_s + seconds


def test_the_altimeter_setting_moves_the_pointers_as_published() -> None:
    """14 CFR Part 43, Appendix E, Table IV, to its 2 ft (see the file's first line)."""
    chain = demo()
    time_s = 0.0
    for setting, difference_ft in rows("altimeter-setting-difference.csv"):
        time_s = settle(chain, time_s, {"pressure_altitude": 3000.0, "altimeter_setting": setting})
        shown_ft = face_deg(chain, HUNDREDS) / 360 * 1000
        off_ft = (shown_ft - 3000 - difference_ft + 500) % 1000 - 500
        assert abs(off_ft) <= 2.3, setting  # 2 ft of the table and 1 step of the motor


def test_three_pointers_agree_when_the_needles_are_at_rest() -> None:
    chain = demo()
    settle(chain, 0.0, {"pressure_altitude": 12_340.0, "altimeter_setting": 29.92126})
    for place, per_turn_ft in ((("left", 0), 1000), (("left", 1), 10_000), (("left", 2), 100_000)):
        expected = 12_340 % per_turn_ft / per_turn_ft * 360
        step_deg = 360 / 4075
        assert face_deg(chain, place) == pytest.approx(expected, abs=step_deg)


def test_a_gauge_without_its_telemetry_is_named_with_what_is_missing_and_others_fly() -> None:
    chain = demo()
    assert set(chain.missing) == {"turn", "heading", "attitude"}
    assert "heading_magnetic" in chain.missing["heading"]
    settle(chain, 0.0, {"calibrated_airspeed": 100.0})
    assert chain.pointers[AIRSPEED].indication == pytest.approx(101.0, abs=0.1)


def test_a_fixed_setting_wins_over_telemetry_and_a_knob_moves_it(config: Path) -> None:
    path = config / "panel.toml"
    path.write_text(path.read_text().replace('source = "telemetry"', 'source = "fixed"\ninhg = 30.50'))
    chain = Chain(load_panel(path), frozenset({"pressure_altitude", "altimeter_setting"}))
    settle(chain, 0.0, {"pressure_altitude": 3000.0, "altimeter_setting": 28.10}, 1.0)
    assert chain.pointers[HUNDREDS].indication == pytest.approx(3531, abs=2)  # Table IV again
    chain.set_own(2.0, "altimeter_setting", 29.92126)
    assert chain.pointers[HUNDREDS].indication == pytest.approx(3000, abs=0.1)


@pytest.mark.parametrize("per_s", [-41.7, 41.7])
@pytest.mark.parametrize("hz", [2, 20])
@pytest.mark.parametrize("unit", ["rpm", "rad/s"])
def test_a_description_saved_again_in_a_climb_or_descent_moves_no_needle(
    tmp_path: Path, per_s: float, hz: int, unit: str
) -> None:
    """Of a gauge with backlash, which has curves of its own for both ways, and one in another unit."""
    path, by = tmp_path / "panel.toml", {"rpm": 1.0, "rad/s": 0.1}[unit]
    text = one_gauge("last").replace('instrument = "gauge"', 'instrument = "gauge"\ncalibration = "c.toml"')
    text = text.replace("[[0, 0], [3000, 270]]", f'[[0, 0], [{3000 * by}, 270]]\nunit = "{unit}"')
    path.write_text(text)
    points, falling = f"[[0, 0, 0], [{3000 * by}, 270, 270]]", f"[[0, -3], [{3000 * by}, 267]]"
    (tmp_path / "c.toml").write_text(f'[needle]\nunit = "{unit}"\npoints = {points}\nfalling = {falling}\n')
    panel = load_panel(path)

    def flown(saved: range) -> list[float]:
        chain, positions = Chain(panel, frozenset({"engine_speed"})), []
        for tick in range(800):
            time_s = tick / 100
            if tick % (100 // hz) == 0:
                chain.feed(time_s, {"engine_speed": 1500 + per_s * time_s})
            if tick in saved:
                chain = Chain(panel, chain.given, chain)
            chain.step(time_s)
            positions.append(chain.pointers["only", 0].position)
        return positions

    assert flown(range(333, 700, 17)) == pytest.approx(flown(range(0)), abs=1e-6)


def test_a_new_calibration_takes_over_without_a_jump_of_position_or_speed(config: Path) -> None:
    path = config / "panel.toml"
    given = frozenset({"calibrated_airspeed"})
    chain = Chain(load_panel(path), given)
    time_s = settle(chain, 0.0, {"calibrated_airspeed": 100.0})
    before = chain.pointers[AIRSPEED]
    file = config / "calibration" / "airspeed.toml"
    file.write_text(file.read_text().replace("[100, 150, 150.8]", "[100, 150, 155.8]"))
    after = Chain(load_panel(path), given, chain)
    needle = after.pointers[AIRSPEED]
    assert needle.position == before.position
    assert needle.indication == before.indication
    limits = needle.pointer.drive
    was, speed = needle.position, needle.velocity
    for tick in range(300):
        after.step(time_s + tick / 100)
        assert abs(needle.position - was) <= limits.speed_steps_s / 100 + 1e-6
        assert abs(needle.velocity - speed) <= limits.acceleration_steps_s2 / 100 + 1e-6
        was, speed = needle.position, needle.velocity
    steps_deg = float(limits.steps_per_turn) / 360
    assert needle.position - before.position == pytest.approx(5 * steps_deg, abs=0.3 * steps_deg)


def test_after_a_reposition_the_hundreds_pointer_goes_the_short_way() -> None:
    chain = demo()
    time_s = settle(chain, 0.0, {"pressure_altitude": 1000.0, "altimeter_setting": 29.92126})
    stood = chain.pointers[HUNDREDS].position
    settle(chain, time_s, {"pressure_altitude": 29_100.0, "altimeter_setting": 29.92126})
    moved = chain.pointers[HUNDREDS].position - stood
    turn = float(chain.pointers[HUNDREDS].pointer.drive.steps_per_turn)
    assert moved == pytest.approx(0.1 * turn, abs=0.003 * turn), "a tenth of a turn, not twenty-eight"


def test_after_a_jump_in_the_telemetry_derived_readings_and_lags_start_afresh() -> None:
    chain = demo(frozenset({"pressure_altitude", "altimeter_setting"}))
    needle = chain.pointers["right", 1]  # vertical speed, derived from altitude here
    time_s = 0.0
    for tick in range(400):
        time_s = tick / 20
        chain.feed(time_s, {"pressure_altitude": 3000.0 + 10 * time_s, "altimeter_setting": 29.92})
    assert needle.indication == pytest.approx(600, abs=15)
    chain.start_afresh()
    for tick in range(1, 40):
        chain.feed(time_s + tick / 20, {"pressure_altitude": 3300.0, "altimeter_setting": 29.92})
    assert needle.indication == pytest.approx(0, abs=1), "the 100 ft between are no climb"


def test_an_instrument_that_stays_as_described_keeps_its_lag_when_its_place_or_face_changes(
    config: Path,
) -> None:
    def changed(old: str, new: str) -> Chain:
        text = (config / "panel.toml").read_text()
        assert old in text
        (config / "panel.toml").write_text(text.replace(old, new, 1))
        return Chain(load_panel(config / "panel.toml"), given, chain)

    def climb(chain: Chain, time_s: float) -> float:
        """The vertical speed shown when a climb of 600 ft/min has begun at 20 s."""
        altitude = 3000.0 + 10.0 * max(0.0, time_s - 20.0)
        chain.feed(time_s, {"pressure_altitude": altitude, "altimeter_setting": 29.92})
        return chain.pointers["right", 1].indication or 0.0

    given = frozenset({"pressure_altitude", "altimeter_setting"})
    chain = Chain(load_panel(config / "panel.toml"), given)
    late = [climb(chain, tick / 20) for tick in range(20 * 22)]
    assert 50.0 < late[-1] < 500.0, "it lags"
    moved = changed("place = [234, 142]", "place = [120, 142]")
    assert climb(moved, 22.0) - late[-1] == pytest.approx(late[-1] - late[-2], abs=2.0)
    made_anew = changed("lag_s = 2.5", "lag_s = 9.0")
    assert climb(made_anew, 22.05) == pytest.approx(600.0, abs=60.0), "its first reading has no lag"
