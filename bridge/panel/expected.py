"""What a board must be able to do for the pointers that the panel hangs on it."""

from __future__ import annotations

from math import ceil, floor

from bridge.boards import homing
from bridge.boards.compatibility import ExpectedChannel
from bridge.boards.messages import ENDLESS_HIGH, ENDLESS_LOW, ChannelLimits, Homing, LampCapability, Output
from bridge.gauges.pointer import Pointer
from bridge.panel.hardware import Channel
from bridge.panel.load import Panel

_HOMING = {
    "last": Homing.LAST_POSITION,
    "index": Homing.INDEX,
    "stop": Homing.STOP,
    "sweep": Homing.SWEEP,
}


def expected_channels(panel: Panel, board: str) -> tuple[ExpectedChannel, ...]:
    """The channels of this board in ascending order, with the limits of the drives on them."""
    channels = panel.description.boards[board].channels
    return tuple(_expected(p, channels[p.channel]) for p in panel.board_pointers(board))


def expected_lamps(panel: Panel, board: str) -> tuple[LampCapability, ...]:
    """The lamps of this board in ascending order."""
    return tuple(lamp.capability for lamp in panel.board_lamps(board))


def longest_homing_s(panel: Panel, board: str) -> dict[int, float]:
    """How long each channel of this board takes at most to find its home position, in seconds."""
    expected = expected_channels(panel, board)
    return {
        pointer.channel: homing.longest_homing_s(channel.limits, pointer.mark_steps)
        for pointer, channel in zip(panel.board_pointers(board), expected, strict=True)
    }


def _expected(pointer: Pointer, channel: Channel) -> ExpectedChannel:
    low = ENDLESS_LOW if pointer.reach_low_steps is None else floor(pointer.reach_low_steps)
    high = ENDLESS_HIGH if pointer.reach_high_steps is None else ceil(pointer.reach_high_steps)
    limits = ChannelLimits(
        Output[channel.output.upper()],
        _HOMING[channel.homing],
        ceil(pointer.drive.speed_steps_s),
        ceil(pointer.drive.acceleration_steps_s2),
        low,
        high,
    )
    audited = channel.index is not None and pointer.endless
    return ExpectedChannel(limits, pointer.mark_steps if audited else None)
