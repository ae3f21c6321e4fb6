"""Failures compose in any order, and what is undone leaves no trace."""

from __future__ import annotations

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from bridge.errors import OutOfRangeError
from bridge.instruments.failures.kinds import KINDS, Failure, make_failure
from bridge.instruments.failures.stage import Failures
from tests.instruments.failures.flown import LEVEL, Flown

STATED = {
    "altimeter_misset": {"by_inhg": 0.5},
    "compass_errors": {"latitude_deg": 47.0},
    "heading_drift": {"latitude_deg": 47.0},
    "cold_air": {"deviation_k": -20.0},
}
ALL = [
    make_failure(name, STATED.get(name, {}), "altimeter.hundreds" if kind.of_a_needle else "")
    for name, kind in KINDS.items()
]
chosen = st.lists(st.sampled_from(ALL), unique_by=lambda failure: failure.name, max_size=6)
flights = st.lists(
    st.tuples(
        st.floats(0.0, 4.0),
        st.floats(-400.0, 20_000.0),
        st.floats(0.0, 200.0),
        st.floats(0.0, 359.0),
        st.floats(-40.0, 40.0),
    ),
    min_size=1,
    max_size=6,
)


def readings(altitude_ft: float, speed_kt: float, heading_deg: float, bank_deg: float) -> dict[str, float]:
    return {
        **LEVEL, "pressure_altitude": altitude_ft, "indicated_altitude": altitude_ft,
        "calibrated_airspeed": speed_kt, "indicated_airspeed": speed_kt,
        "heading_magnetic": heading_deg, "compass_heading": heading_deg, "bank": bank_deg,
    }  # fmt: skip


@settings(max_examples=25)
@given(chosen, st.randoms(use_true_random=False), flights)
def test_failures_compose_in_any_order(
    failures: list[Failure], random: object, flight: list[tuple[float, ...]]
) -> None:
    shuffled = list(failures)
    random.shuffle(shuffled)  # type: ignore[attr-defined]
    one, other = Failures(LEVEL), Failures(LEVEL)
    for stage, order in ((one, failures), (other, shuffled)):
        stage.feel(0.0, LEVEL)
        for failure in order:
            stage.switch_on(0.0, failure)
    time_s = 0.0
    for elapsed_s, *flown in flight:
        time_s += elapsed_s
        felt = [dict(stage.feel(time_s, readings(*flown))) for stage in (one, other)]
        assert felt[0] == felt[1]


@pytest.mark.slow
@settings(max_examples=40)
@given(st.lists(st.tuples(st.sampled_from(ALL), st.booleans())), flights, flights)
def test_what_is_undone_leaves_no_trace(
    switched: list[tuple[Failure, bool]], failed: list[tuple[float, ...]], after: list[tuple[float, ...]]
) -> None:
    stage = Failures(LEVEL)
    time_s = 0.0
    for (elapsed_s, *flown), (failure, on) in zip(
        failed, switched or [(ALL[0], True)] * len(failed), strict=False
    ):
        time_s += elapsed_s
        if on:
            stage.switch_on(time_s, failure)
        else:
            stage.undo(failure.name)
        stage.feel(time_s, readings(*flown))
    for name in list(stage.in_force):
        stage.undo(name)
    fresh = Failures(LEVEL)
    for elapsed_s, *flown in after:
        time_s += elapsed_s
        values = readings(*flown)
        assert stage.feel(time_s, values) is values
        assert stage.show("altimeter.hundreds", 4321.0, "indicated_altitude") == 4321.0
    # And what fails next fails as on the first day.
    for each in (stage, fresh):
        each.feel(time_s, values)
        for failure in ALL:
            each.switch_on(time_s, failure)
    assert dict(stage.feel(time_s + 1.0, LEVEL)) == dict(fresh.feel(time_s + 1.0, LEVEL))


@settings(max_examples=30)
@given(chosen, flights)
def test_undoing_one_of_two_systems_leaves_the_other_as_it_is(
    failures: list[Failure], flight: list[tuple[float, ...]]
) -> None:
    """Suction and electricity have nothing to do with the pressures."""
    both, alone = Failures(LEVEL), Failures(LEVEL)
    pressures = [f for f in failures if f.kind.startswith(("pitot", "static", "alternate", "cold"))]
    others = [make_failure("suction_lost"), make_failure("electrical_lost")]
    for stage in (both, alone):
        stage.feel(0.0, LEVEL)
        for failure in pressures:
            stage.switch_on(0.0, failure)
    for failure in others:
        both.switch_on(0.0, failure)
    time_s = 0.0
    for i, (elapsed_s, *flown) in enumerate(flight):
        time_s += elapsed_s
        if i == len(flight) // 2:
            for failure in others:
                both.undo(failure.name)
        felt, expected = both.feel(time_s, readings(*flown)), alone.feel(time_s, readings(*flown))
    assert dict(felt) == dict(expected)


_STATIC_LINE = {"static_blocked", "static_leak", "alternate_static", "cold_air", "position_error"}
_PITOT_LINE = {"pitot_blocked", "pitot_drain_blocked", "pitot_leak", "cold_air", "position_error"}
_SHARED = (_STATIC_LINE, _PITOT_LINE, {"suction_lost", "attitude_not_erected"})
"""What shares a line of air, or a gyro: air that one has let in stays when the other has closed the line."""


@settings(max_examples=60)
@given(st.sampled_from(ALL), st.sampled_from(ALL), flights)
def test_what_is_undone_leaves_no_trace_in_whatever_else_has_failed(
    stays: Failure, undone: Failure, flight: list[tuple[float, ...]]
) -> None:
    assume(not any({stays.kind, undone.kind} <= shared for shared in _SHARED))
    both, alone = Failures(LEVEL), Failures(LEVEL)
    for stage, failures in ((both, (undone, stays)), (alone, (stays,))):
        stage.feel(0.0, LEVEL)
        for failure in failures:
            stage.switch_on(0.0, failure)
    time_s = 0.0
    for i, (elapsed_s, *flown) in enumerate(flight):
        time_s += elapsed_s
        if i == len(flight) // 2 and stays != undone:
            both.undo(undone.name)
        felt, expected = both.feel(time_s, readings(*flown)), alone.feel(time_s, readings(*flown))
    assert dict(felt) == pytest.approx(dict(expected), rel=1e-9, abs=1e-9)


def test_a_needle_sticks_until_it_is_tapped_and_sticks_there_again() -> None:
    flight = Flown()
    stuck = make_failure("needle_sticks", pointer="altimeter.hundreds")
    flight.fail(stuck)

    def shown(indication: float) -> float:
        return flight.failures.show("altimeter.hundreds", indication, "indicated_altitude")

    assert (shown(5000.0), shown(5100.0)) == (5000.0, 5000.0)
    flight.failures.tap("airspeed.needle")
    assert shown(5100.0) == 5000.0
    flight.failures.tap("altimeter.hundreds")
    assert (shown(5120.0), shown(5200.0)) == (5120.0, 5120.0)
    flight.failures.tap()
    assert shown(5210.0) == 5210.0
    flight.failures.undo(stuck.name)
    assert shown(5300.0) == 5300.0


def test_friction_pulls_the_needle_along_behind_its_indication() -> None:
    """14 CFR 43 App. E Table III lets the pointer change by 70 ft on vibration at 1,000 to 5,000 ft."""
    flight = Flown()
    flight.fail(make_failure("needle_sticks", {"friction": 70.0}, "altimeter.hundreds"))
    show = flight.failures.show
    shown = [show("altimeter.hundreds", ft, "indicated_altitude") for ft in (5000.0, 5060.0, 5200.0, 5190.0)]
    assert shown == [5000.0, 5000.0, 5130.0, 5130.0]
    flight.fail(make_failure("needle_sticks", {"friction": 10.0}, "heading.card"))
    cards = [show("heading.card", deg, "heading_magnetic") for deg in (355.0, 4.0, 8.0)]
    assert cards == [355.0, 355.0, 358.0]


@pytest.mark.parametrize(
    ("kind", "parameters", "pointer", "found"),
    [
        ("pitot_blockd", {}, "", "Did you mean pitot_blocked"),
        ("pitot_blocked", {"over": 1.0}, "", "has no 'over'"),
        ("altimeter_misset", {}, "", "needs by_inhg"),
        ("cold_air", {"deviation_k": -300.0}, "", "outside -80 to 50 K"),
        ("needle_sticks", {}, "", "needs pointer"),
        ("suction_lost", {}, "altimeter.hundreds", "has no pointer"),
    ],
)
def test_a_failure_that_is_described_wrong_is_refused(
    kind: str, parameters: dict[str, float], pointer: str, found: str
) -> None:
    with pytest.raises(OutOfRangeError, match=found):
        make_failure(kind, parameters, pointer)
