"""Home is found at the same place every time, wherever the search begins: counted at the pins of the core."""

from __future__ import annotations

import pytest

from bridge.boards import messages
from bridge.boards.messages import ChannelState, EventKind
from tests.firmware.script import Log, Script

STOP = 1  # the channel of the example board (bridge/firmware/config.h) that has an end stop


def homed(start: int, times: int) -> Log:
    """Home that channel so often, its pointer at first `start` steps from where the stop closes."""
    script = Script()
    script.lines.append(f"at {STOP} {start}")
    for _ in range(times):
        script.send(messages.Home((STOP,)))
        for _ in range(40):
            script.advance(0.5)
            script.send(messages.Query())
    return script.run()


@pytest.mark.parametrize("start", [-15, -1, 0, 1, 40, 3000])
@pytest.mark.parametrize("times", [1, 3])
def test_a_stop_is_found_at_the_same_step_from_anywhere_and_again(start: int, times: int) -> None:
    log = homed(start, times)
    status = log.last_status().channels[STOP]
    assert status.state == ChannelState.READY
    place = start + log.place(STOP, 1e9)
    assert abs(status.position - place) <= 1  # the stop closes at 0, seen a step later
    told = [m for m in log.sent if isinstance(m, messages.Event) and m.source == STOP]
    assert [m.kind for m in told] == [EventKind.STOP, EventKind.HOMED] * times
    olds = [m.value for m in told if m.kind == EventKind.HOMED]
    assert all(abs(old) <= 1 for old in olds)  # no step was lost: what is zero now was zero before


def test_a_stop_that_never_opens_is_a_fault_after_a_quarter_of_the_search() -> None:
    script = Script()
    script.lines.append(f"at {STOP} -100000")
    script.send(messages.Home((STOP,)))
    for _ in range(30):
        script.advance(0.5)
        script.send(messages.Query())
    log = script.run()
    assert log.last_status().channels[STOP].state == ChannelState.FAULT
    assert messages.Event(EventKind.FAULT, STOP, 2) in log.sent
    assert log.place(STOP, 1e9) < 5025 / 4 + 10  # config.h: .search
    assert log.current[STOP][-1][1] == 0
