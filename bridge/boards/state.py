"""The states of a board session and every way from one to another.

Diagram of `TRANSITIONS` (`python -m tests.boards.state_diagram` prints it; a test compares the two):

    absent
        link opened, a frame heard -> introducing
    introducing
        link lost, silence -> absent
        introduction fits -> homing
        introduction does not fit, answers can't be used -> faulted
    homing
        link lost, silence -> absent
        every channel known or faulted -> ready
        introduction does not fit, answers can't be used, every channel faulted -> faulted
    ready
        link lost, silence -> absent
        introduction fits, a position is unknown -> homing
        introduction does not fit, answers can't be used, every channel faulted -> faulted
    faulted
        link lost, silence -> absent
        introduction fits, a position is unknown -> homing
        every channel known or faulted -> ready

absent: the link is closed, or open and nothing answers. introducing: IDENTIFY is sent with growing pauses.
homing: introduced; a channel's position is asked, searched or confirmed; known channels are driven.
ready: every channel is known or faulted by itself. faulted: the board does not fit (it is asked once in a
while, so that a board flashed again is taken), its answers can't be used, or none of its channels can.
"""

from __future__ import annotations

from enum import Enum


class State(Enum):
    """Where the session with a board is; the words are those that the user reads."""

    ABSENT = "absent"
    INTRODUCING = "introducing"
    HOMING = "homing"
    READY = "ready"
    FAULTED = "faulted"


class Trigger(Enum):
    """What can change the state; the words are those that the user reads."""

    LINK_OPENED = "link opened"
    LINK_LOST = "link lost"
    HEARD = "a frame heard"
    SILENT = "silence"
    FITS = "introduction fits"
    MISFITS = "introduction does not fit"
    UNUSABLE = "answers can't be used"
    UNSETTLED = "a position is unknown"
    SETTLED = "every channel known or faulted"
    ALL_FAULTED = "every channel faulted"


_A, _I, _H, _R, _F = State
_ROWS: dict[Trigger, tuple[State | None, ...]] = {
    # from              absent introducing homing ready faulted; None: can't happen
    Trigger.LINK_OPENED: (_I, None, None, None, None),
    Trigger.LINK_LOST: (_A, _A, _A, _A, _A),
    Trigger.HEARD: (_I, _I, _H, _R, _F),
    Trigger.SILENT: (_A, _A, _A, _A, _A),
    Trigger.FITS: (None, _H, _H, _H, _H),
    Trigger.MISFITS: (None, _F, _F, _F, _F),
    Trigger.UNUSABLE: (None, _F, _F, _F, _F),
    Trigger.UNSETTLED: (None, None, _H, _H, _H),
    Trigger.SETTLED: (None, None, _R, _R, _R),
    Trigger.ALL_FAULTED: (None, None, _F, _F, _F),
}
TRANSITIONS: dict[tuple[State, Trigger], State] = {
    (state, trigger): after
    for trigger, row in _ROWS.items()
    for state, after in zip(State, row, strict=True)
    if after is not None
}
"""Every pair that can happen, staying included."""


def next_state(state: State, trigger: Trigger) -> State:
    """The state after this trigger; raises RuntimeError for a pair that can't happen (the caller's error)."""
    after = TRANSITIONS.get((state, trigger))
    if after is None:
        raise RuntimeError(f"a session that is {state.value} can't take the trigger '{trigger.value}'")
    return after
