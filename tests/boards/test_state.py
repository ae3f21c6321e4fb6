"""The table of a session's states: nothing is missing by oversight, and its diagram is true."""

from __future__ import annotations

from textwrap import indent

import pytest

from bridge.boards import state as table
from bridge.boards.state import TRANSITIONS, State, Trigger, next_state
from tests.boards.state_diagram import diagram


def test_the_diagram_in_the_docstring_is_the_table() -> None:
    assert table.__doc__ is not None
    assert indent(diagram(), "    ") in table.__doc__


def test_every_state_can_be_left_and_every_state_can_be_reached() -> None:
    for state in State:
        assert any(before is state is not after for (before, _), after in TRANSITIONS.items())
        assert any(before is not state is after for (before, _), after in TRANSITIONS.items())


@pytest.mark.parametrize("state", State)
def test_a_link_can_be_lost_and_a_board_fall_silent_in_every_state(state: State) -> None:
    assert next_state(state, Trigger.LINK_LOST) is State.ABSENT
    assert next_state(state, Trigger.SILENT) is State.ABSENT


@pytest.mark.parametrize("state", State)
@pytest.mark.parametrize("trigger", Trigger)
def test_a_pair_that_is_not_in_the_table_is_an_error(state: State, trigger: Trigger) -> None:
    if (state, trigger) in TRANSITIONS:
        assert next_state(state, trigger) is TRANSITIONS[state, trigger]
    else:
        with pytest.raises(RuntimeError, match=f"a session that is {state.value} can't take"):
            next_state(state, trigger)
