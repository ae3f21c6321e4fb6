"""The states of a board session and every way from one to another.

    +--------+ link opened, a frame heard  +-------------+    it fits    +--------+
    | absent | --------------------------> | introducing | ------------> | homing | <-------+
    +--------+                             +-------------+               +--------+         |
        ^                                         |                        |   |            | a position
        | link lost, silence                      | it does not fit        |   | every      | is unknown
        | (from every state)                      v                        |   | channel    |
        |                                    +---------+   every channel   |   | known or   |
        +------------------------------------| faulted | <-----------------+   | faulted    |
                                             +---------+      faulted          v            |
                                                  ^                          +-------+      |
                                                  +--------------------------| ready | -----+
                                                   every channel faulted     +-------+
    faulted to homing: it fits now, or a channel homes again.
    homing and ready to faulted also: it introduces itself anew and does not fit any more.

absent: the link is closed, or open and nothing answers. introducing: IDENTIFY is sent with growing pauses.
homing: introduced; a channel's position is asked, searched or confirmed; known channels are driven.
ready: every channel is known or faulted by itself. faulted: the board does not fit (it is asked once in a
while, so that a board flashed again is taken), or none of its channels can be used.
"""

from __future__ import annotations

from enum import Enum


class State(Enum):
    ABSENT = "absent"
    INTRODUCING = "introducing"
    HOMING = "homing"
    READY = "ready"
    FAULTED = "faulted"


class Trigger(Enum):
    LINK_OPENED = "link opened"
    LINK_LOST = "link lost"
    HEARD = "a frame heard"
    SILENT = "silence"
    FITS = "introduction fits"
    MISFITS = "introduction does not fit"
    UNSETTLED = "a position is unknown"
    SETTLED = "every channel known or faulted"
    ALL_FAULTED = "every channel faulted"


TRANSITIONS: dict[tuple[State, Trigger], State] = {
    (State.ABSENT, Trigger.LINK_OPENED): State.INTRODUCING,
    (State.ABSENT, Trigger.HEARD): State.INTRODUCING,
    (State.INTRODUCING, Trigger.FITS): State.HOMING,
    (State.HOMING, Trigger.SETTLED): State.READY,
    (State.HOMING, Trigger.ALL_FAULTED): State.FAULTED,
    (State.READY, Trigger.ALL_FAULTED): State.FAULTED,
    (State.READY, Trigger.UNSETTLED): State.HOMING,
    (State.FAULTED, Trigger.FITS): State.HOMING,
    (State.FAULTED, Trigger.UNSETTLED): State.HOMING,
    **{(state, Trigger.MISFITS): State.FAULTED for state in (State.INTRODUCING, State.HOMING, State.READY)},
    **{(state, Trigger.SILENT): State.ABSENT for state in State if state is not State.ABSENT},
    **{(state, Trigger.LINK_LOST): State.ABSENT for state in State if state is not State.ABSENT},
}
