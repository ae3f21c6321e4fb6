"""A channel of the firmware whose position is outside its stops comes back inside, within its speed."""

from __future__ import annotations

from itertools import pairwise

import pytest

from bridge.boards import messages
from bridge.boards.messages import ChannelState
from tests.firmware.script import Script
from tests.firmware.test_limits import GRID_S, LIMITS, board

CHANNEL = 2


@pytest.mark.parametrize("outside", [-300, -1, 1, 300])
@pytest.mark.parametrize("share", [0.0, 0.4, 1.0])
@pytest.mark.parametrize("velocity", [0.0, 200.0, -200.0])
def test_from_outside_its_stops_a_channel_goes_to_its_target(
    outside: int, share: float, velocity: float
) -> None:
    """As after a change of its stops. The target moves for 0.1 s and then stops."""
    row = board()[CHANNEL]
    start = (row.high if outside > 0 else row.low) + outside
    script = Script(LIMITS)
    script.send(messages.Adopt((messages.ChannelPosition(CHANNEL, start),)))
    script.advance(0.02)
    goal = row.low + share * (row.high - row.low)
    script.move([goal], [velocity], 1 << CHANNEL)
    script.advance(8.0)
    script.send(messages.Query())
    log = script.run()
    status = log.last_status().channels[CHANNEL]
    end = max(row.low, min(row.high, goal + 0.1 * velocity))
    assert (status.state, status.velocity) == (ChannelState.READY, 0)
    assert abs(status.position - end) <= 1.5
    steps = log.steps[CHANNEL]
    inward = -1 if outside > 0 else 1
    assert all(way == inward for _, way in steps[: abs(outside)])
    for (before_s, _), (after_s, _) in pairwise(steps):
        assert after_s - before_s >= 1.0 / row.speed - GRID_S
