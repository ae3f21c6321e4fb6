"""What the panel description expects of a board, and whether a board that introduces itself fits it."""

from __future__ import annotations

import shlex
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

from bridge.boards.messages import VERSION, ChannelLimits, Homing, Introduction, Output


@dataclass(frozen=True, slots=True)
class ExpectedChannel:
    """One channel as described, and how its index marks are audited.

    `steps_per_turn` is the exact distance between two index marks in steps, None without a sensor.
    A mark may be off by `audit_tolerance_steps` (edge of the sensor, backlash) before steps count as
    missed; more than `audit_limit_steps` missed since homing is a fault (default an eighth of a turn).
    """

    limits: ChannelLimits
    steps_per_turn: Fraction | None = None
    audit_tolerance_steps: float = 2.0
    audit_limit_steps: float | None = None


def firmware_command(board: str, panel_file: str) -> str:
    """The command that writes this board's firmware folder, as a shell takes it."""
    words = ("pointer-bridge", "firmware", board, "--panel", panel_file, "--out", f"firmware-{board}")
    return shlex.join(words)


def reflash(board: str, panel_file: str) -> str:
    """The cure for a board that runs the wrong firmware."""
    return f"Flash the firmware again: {firmware_command(board, panel_file)}"


def wrong_version(version: int, cure: str) -> str:
    """Why a board with another version of the frame format can't be used."""
    return f"speaks version {version} of the frame format, this program speaks {VERSION}. {cure}"


def incompatibility(
    introduction: Introduction, expected: Sequence[ExpectedChannel], board_id: bytes | None, cure: str
) -> str | None:
    """Why this board can't be used, with the cure (`reflash`); None when it fits."""
    if board_id is not None and introduction.board_id != board_id:
        return (
            f"is board {introduction.board_id.hex()}, expected {board_id.hex()}. "
            "Another board is at this port: swap the cables, or correct its id in the panel description"
        )
    if len(introduction.channels) != len(expected):
        return f"has {len(introduction.channels)} channels, expected {len(expected)}. {cure}"
    faults = [
        f"channel {number} {fault}"
        for number, (found, wanted) in enumerate(zip(introduction.channels, expected, strict=True))
        for fault in _faults(found, wanted.limits)
    ]
    return f"does not fit: {'; '.join(faults)}. {cure}" if faults else None


def _faults(found: ChannelLimits, wanted: ChannelLimits) -> list[str]:
    """A board may do more than described, never less."""
    faults = []
    if found.output != wanted.output:
        faults.append(f"drives {_output(found.output)}, expected {_output(wanted.output)}")
    if found.homing != wanted.homing:
        faults.append(f"homes by {_homing(found.homing)}, expected {_homing(wanted.homing)}")
    if found.speed < wanted.speed:
        faults.append(f"runs at {found.speed} steps/s at most, expected {wanted.speed}")
    if found.acceleration < wanted.acceleration:
        faults.append(f"accelerates at {found.acceleration} steps/s² at most, expected {wanted.acceleration}")
    if found.low > wanted.low or found.high < wanted.high:
        faults.append(
            f"travels from {found.low} to {found.high} steps, expected {wanted.low} to {wanted.high}"
        )
    return faults


def _output(number: int) -> str:
    return Output(number).name.lower().replace("_", " ") if number in set(Output) else f"output {number}"


def _homing(number: int) -> str:
    return Homing(number).name.lower().replace("_", " ") if number in set(Homing) else f"way {number}"
