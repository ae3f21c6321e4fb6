"""Conditions on readings: how they are written, hysteresis, delay."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.description import MistakeError
from bridge.instruments.condition import Condition, Watch, parse_condition
from bridge.quantities.units import convert


def test_a_condition_is_in_the_quantitys_own_unit() -> None:
    assert parse_condition("suction < 4.5") == Condition("suction", False, 4.5)
    assert parse_condition(" oil_pressure<25psi ", 2.0, 1.5) == Condition(
        "oil_pressure", False, 25.0, 2.0, 1.5
    )
    hot = parse_condition("oil_temperature > 240 degF", hysteresis=9.0)
    assert hot.above
    assert hot.limit == pytest.approx(convert(240.0, "degF", "degC"))
    assert hot.hysteresis == pytest.approx(5.0)  # a difference: 9 degF are 5 K, whatever the zero


@pytest.mark.parametrize(
    ("text", "found", "help_with"),
    [
        ("suction", "'suction'", "suction < 4.5 inHg"),
        ("suction = 4.5", "'suction = 4.5'", "above 0.5"),
        ("suction < 4.5 and suction > 1", "'suction < 4.5 and suction > 1'", "apart"),
        ("4.5 > suction", "'4.5 > suction'", "a quantity, < or >"),
        ("sucktion < 4.5", "an unknown quantity 'sucktion'", "Did you mean suction?"),
        ("suction < 4.5 kt", "suction in 'kt'", "a unit of pressure, or none. Known: Pa, bar, hPa"),
        ("suction < 4.5 parsec", "suction in 'parsec'", "Known: Pa, bar, hPa, inHg"),
        ("suction < 4.5 inHG", "suction in 'inHG'", "Did you mean inHg"),
        ("indicated_airspeed < 60 KTS", "indicated_airspeed in 'KTS'", "Did you mean kt or"),
        ("suction < -5", "suction < -5 inHg", "no reading could ever cross it"),
        ("suction > 900", "suction > 900 inHg", "-1 to 30 inHg"),
        ("suction > 30", "suction > 30 inHg", "no reading could ever cross it"),
        ("suction < " + "9" * 400, "suction < inf inHg", "no reading"),
    ],
)
def test_what_is_no_condition_is_answered_with_the_form(text: str, found: str, help_with: str) -> None:
    with pytest.raises(MistakeError) as caught:
        parse_condition(text)
    assert found in caught.value.found
    assert help_with in str(caught.value)


def test_hysteresis_keeps_it_until_the_reading_is_back_by_as_much() -> None:
    low = Watch(parse_condition("suction < 4.5", hysteresis=0.25))
    readings = [5.0, 4.5, 4.4, 4.6, 4.74, 4.75, 4.6, 4.49]
    assert [low.update(i, r) for i, r in enumerate(readings)] == [
        False, False, True, True, True, False, False, True,
    ]  # fmt: skip
    high = Watch(parse_condition("oil_temperature > 118", hysteresis=2.0))
    assert [high.update(i, r) for i, r in enumerate([118, 119, 117, 116, 117.5])] == [
        False, True, True, False, False,
    ]  # fmt: skip


def test_a_change_shows_after_it_lasted_for_the_delay_either_way() -> None:
    watch = Watch(parse_condition("suction < 4.5", delay_s=2.0))
    flight = [
        (0, 5.0),
        (1, 4.0),
        (2, 4.0),
        (2.5, 5.0),
        (3, 4.0),
        (4.9, 4.0),
        (5, 4.0),
        (6, 5),
        (7, 5),
        (8, 5),
    ]
    assert [watch.update(time_s, reading) for time_s, reading in flight] == [
        False, False, False, False, False, False, True, True, True, False,
    ]  # fmt: skip


def test_the_first_reading_and_a_jump_back_count_at_once() -> None:
    watch = Watch(parse_condition("suction < 4.5", delay_s=5.0))
    assert watch.held is None
    assert watch.update(100.0, 1.0)
    assert watch.update(101.0, 5.0)
    assert not watch.update(20.0, 5.0), "a replay was sought: what it shows there is so at once"
    assert not watch.update(19.9, 1.0), "a late reading is no jump"


@given(
    st.lists(st.tuples(st.floats(0, 1), st.floats(-1, 30)), min_size=1, max_size=40),
    st.floats(0, 5),
    st.floats(0, 3),
)
def test_it_never_contradicts_a_reading_that_lasted(
    steps: list[tuple[float, float]], hysteresis: float, delay_s: float
) -> None:
    watch = Watch(Condition("suction", False, 4.5, hysteresis, delay_s))
    time_s = 0.0
    beyond_s: float | None = None  # since when the reading has been over the limit
    back_s: float | None = None  # since when it has been back by the hysteresis
    for elapsed_s, reading in steps:
        time_s += elapsed_s
        beyond_s = None if reading >= 4.5 else time_s if beyond_s is None else beyond_s
        back_s = None if reading < 4.5 + hysteresis else time_s if back_s is None else back_s
        shown = watch.update(time_s, reading)
        if beyond_s is not None and time_s - beyond_s >= delay_s:
            assert shown
        if back_s is not None and time_s - back_s >= delay_s:
            assert not shown
