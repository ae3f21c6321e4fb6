"""Endless pointers behind a target too fast for them: right again as soon as can be, and no dithering."""

from __future__ import annotations

import random
from collections.abc import Callable

import pytest
from ruckig import InputParameter, Ruckig, Trajectory

from bridge.flight.chain import Chain
from bridge.flight.driven_pointer import DrivenPointer
from bridge.panel.load import load_panel
from tests.conftest import ROOT

ALTIMETER = {"hundreds": (("left", 0), 1_000), "thousands": (("left", 1), 10_000)}
TEN_THOUSANDS = ("left", 2)
CARD = ("right", 2)
TICK_S = 0.01


def demo(*given: str) -> Chain:
    return Chain(load_panel(ROOT / "config" / "panel.toml"), frozenset(given))


def fly(
    chain: Chain,
    place: tuple[str, int],
    name: str,
    at: Callable[[float], float],
    start_s: float,
    end_s: float,
) -> list[tuple[float, float, float, float]]:
    """Time (s), position (steps), velocity (steps/s), and how far it is from its face position (steps).

    Telemetry 20 times a second, up to 30 ms late, one in fifty lost.
    """
    driven = chain.pointers[place]
    chance = random.Random(1)
    arrivals = [
        (due_s + chance.uniform(0.0, 0.03), due_s)
        for due_s in (start_s + n / 20 for n in range(round((end_s - start_s) * 20)))
        if chance.random() >= 0.02
    ]
    rows = []
    for n in range(round((end_s - start_s) / TICK_S)):
        time_s = start_s + n * TICK_S
        while arrivals and arrivals[0][0] <= time_s:
            arrived_s, due_s = arrivals.pop(0)
            chain.feed(arrived_s, {name: at(due_s)})
        chain.step(time_s)
        right = driven.pointer.nearest(
            driven.pointer.position(at(time_s), driven.direction.falling), driven.position
        )
        rows.append((time_s, driven.position, driven.motion.velocity, driven.position - right))
    return rows


def half_a_turn_s(driven: DrivenPointer, velocity: float) -> float:
    """The quickest move over half a turn against this velocity (steps/s), by ruckig (no limit of jerk)."""
    request = InputParameter(1)
    request.current_position, request.target_position = (
        [0.0],
        [-float(driven.pointer.drive.steps_per_turn) / 2],
    )
    request.current_velocity = [velocity]
    request.max_velocity = [driven.pointer.drive.speed_steps_s]
    request.max_acceleration = [driven.pointer.drive.acceleration_steps_s2]
    trajectory = Trajectory(1)
    Ruckig(1).calculate(request, trajectory)
    return float(trajectory.duration)


def right_after_s(rows: list[tuple[float, float, float, float]], since_s: float) -> float:
    """Seconds from then until the pointer is within a step of its face position and stays there."""
    return max((time_s for time_s, _, _, off in rows if abs(off) > 1.0), default=since_s) - since_s


@pytest.mark.parametrize("climb_s", [60.0, 61.0, 62.0, 63.0, 64.0])
@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_after_a_climb_at_400_ft_s_the_altimeter_is_right_within_half_a_turns_time(
    climb_s: float, sign: float
) -> None:
    """It would have to unwind 10.8 turns of the hundreds pointer the way it came."""
    chain = demo("indicated_altitude")

    def altitude_ft(time_s: float) -> float:
        return 30_000.0 + sign * 400.0 * min(max(time_s, 0.0), climb_s)

    hundreds = chain.pointers[ALTIMETER["hundreds"][0]]
    fly(chain, ALTIMETER["hundreds"][0], "indicated_altitude", altitude_ft, -10.0, 0.0)
    rows = fly(chain, ALTIMETER["hundreds"][0], "indicated_altitude", altitude_ft, 0.0, climb_s + 8.0)
    bound_s = (
        1.2 * half_a_turn_s(hundreds, hundreds.pointer.drive.speed_steps_s) + 0.5
    )  # telemetry and prediction
    assert right_after_s(rows, climb_s) < bound_s
    for place, per_turn_ft in (*ALTIMETER.values(), (TEN_THOUSANDS, 100_000)):
        driven = chain.pointers[place]
        shown_ft = driven.pointer.face_deg(driven.position) % 360 / 360 * per_turn_ft
        off_ft = (shown_ft - altitude_ft(1e9) + per_turn_ft / 2) % per_turn_ft - per_turn_ft / 2
        assert abs(off_ft) <= per_turn_ft / 4_000, place


@pytest.mark.parametrize("share", [0.8, 0.95, 0.99, 1.01, 1.1, 1.5, 2.0, 5.0])
@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_behind_a_steady_climb_the_pointer_never_turns_back(share: float, sign: float) -> None:
    """Climbs at shares of what the drive can do, also where it falls behind by many turns."""
    chain = demo("indicated_altitude")
    place = ALTIMETER["hundreds"][0]
    drive = chain.pointers[place].pointer.drive
    climb_ft_s = sign * share * drive.speed_steps_s / float(drive.steps_per_turn) * 1_000
    start_ft = 50_000.0 - sign * 40_000.0
    fly(chain, place, "indicated_altitude", lambda _: start_ft, -10.0, 0.0)
    rows = fly(chain, place, "indicated_altitude", lambda s: start_ft + climb_ft_s * s, 0.0, 25.0)
    started = [sign * velocity for time_s, _, velocity, _ in rows if time_s > 1.0]
    # Where datagrams get lost the target seems at rest for a moment, and the pointer slows down a little.
    assert min(started) > 0.4 * min(share, 1.0) * drive.speed_steps_s


@pytest.mark.parametrize("spin_deg_s", [60.0, 75.0, 90.0, 120.0, 300.0, -100.0])
def test_a_compass_card_in_a_spin_turns_on_and_is_right_soon_after(spin_deg_s: float) -> None:
    """The demo card's drive makes 79 degrees a second."""
    chain = demo("heading_magnetic")
    drive = chain.pointers[CARD].pointer.drive

    def heading_deg(time_s: float) -> float:
        return 40.0 + spin_deg_s * min(max(time_s, 0.0), 30.0)

    def wrapped(time_s: float) -> float:
        return heading_deg(time_s) % 360.0

    fly(chain, CARD, "heading_magnetic", wrapped, -8.0, 0.0)
    rows = fly(chain, CARD, "heading_magnetic", wrapped, 0.0, 38.0)
    turning = [velocity for time_s, _, velocity, _ in rows if 1.0 < time_s < 30.0]
    assert min(turning) * max(turning) > 0.0  # never back
    bound_s = 1.2 * half_a_turn_s(chain.pointers[CARD], drive.speed_steps_s) + 0.5
    assert right_after_s(rows, 30.0) < bound_s


def test_a_jump_of_the_simulator_while_the_pointer_lags_takes_the_short_way() -> None:
    chain = demo("indicated_altitude")
    place = ALTIMETER["hundreds"][0]

    def altitude_ft(time_s: float) -> float:
        return 20_000.0 + 400.0 * time_s if time_s < 20.0 else 3_456.0

    fly(chain, place, "indicated_altitude", lambda _: 20_000.0, -10.0, 0.0)
    rows = fly(chain, place, "indicated_altitude", altitude_ft, 0.0, 28.0)
    driven = chain.pointers[place]
    assert right_after_s(rows, 20.0) < 1.2 * half_a_turn_s(driven, driven.pointer.drive.speed_steps_s) + 0.5


def test_when_telemetry_stops_in_a_climb_too_fast_the_pointer_does_not_unwind_either() -> None:
    chain = demo("indicated_altitude")
    place = ALTIMETER["hundreds"][0]
    driven = chain.pointers[place]
    fly(chain, place, "indicated_altitude", lambda _: 10_000.0, -10.0, 0.0)
    fly(chain, place, "indicated_altitude", lambda s: 10_000.0 + 400.0 * s, 0.0, 30.0)
    for n in range(round((0.5 + half_a_turn_s(driven, driven.pointer.drive.speed_steps_s) * 1.2) / TICK_S)):
        chain.step(30.0 + n * TICK_S)
    assert driven.motion.at_rest
    assert driven.target is not None
    assert driven.position == driven.target
