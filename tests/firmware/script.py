"""The firmware's core as a calculation: frames and times in, edges at the pins out.

No process that runs by the clock, no chip: `core/stepped.c` advances slot by slot as the script says.
"""

from __future__ import annotations

import struct
import subprocess
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from bridge.boards import codec, messages
from bridge.boards.line import FrameReader, to_line
from tests.firmware import built

SLOT_S = 128e-6
STEP, CURRENT, PULSE, SENT = range(4)
_RECORD = struct.Struct("<QiBBxx")


@dataclass(frozen=True, slots=True)
class Log:
    """By channel, (time in seconds, value): values as in core/stepped.h. `sent`: the board's messages, `gaps`
    how many its count skipped before each that has one of its own."""

    steps: dict[int, list[tuple[float, int]]]
    current: dict[int, list[tuple[float, int]]]
    pulses: dict[int, list[tuple[float, int]]]
    sent: list[messages.Message]
    gaps: list[int]

    def place(self, channel: int, time_s: float) -> int:
        """Steps made until then, clockwise less counter-clockwise."""
        return sum(way for at_s, way in self.steps.get(channel, []) if at_s <= time_s)

    def last_status(self) -> messages.Status:
        return [message for message in self.sent if isinstance(message, messages.Status)][-1]


@dataclass
class Script:
    """What happens to one board, from power on."""

    config: Path = built.FIRMWARE
    lines: list[str] = field(default_factory=list)
    sequence: int = 0

    def send(self, message: messages.Message) -> None:
        self._payload(codec.encode(message, self.sequence))

    def move(self, positions: Sequence[float], velocities: Sequence[float], mask: int | None = None) -> None:
        self._payload(codec.encode_move(self.sequence, positions, velocities, mask))

    def advance(self, seconds_s: float) -> None:
        self.lines.append(f"advance {round(seconds_s / SLOT_S)}")

    def again(self) -> None:
        """The last frame comes once more."""
        self.lines.append(self.lines[-1])

    def _payload(self, payload: bytes) -> None:
        self.lines.append(f"bytes {to_line(payload).hex()}")
        self.sequence = codec.sequence_after(self.sequence)

    def run(self) -> Log:
        done = subprocess.run(
            [str(built.script(self.config))],
            input="\n".join(self.lines).encode() + b"\n",
            capture_output=True,
            check=False,
        )
        assert done.returncode == 0, done.stderr.decode()
        return _log(_RECORD.iter_unpack(done.stdout))


def _log(records: Iterator[tuple[int, ...]]) -> Log:
    log = Log({}, {}, {}, [], [])
    expected: int | None = None
    reader = FrameReader()
    rows = {STEP: log.steps, CURRENT: log.current, PULSE: log.pulses}
    for time, value, channel, kind in records:
        if kind == SENT:
            for payload in reader.feed(bytes([value])):
                sequence, message = codec.decode(payload)
                log.sent.append(message)
                if not isinstance(message, messages.Status):
                    log.gaps.append(codec.sequence_gap(expected, sequence) or 0)
                    expected = codec.sequence_after(sequence)
        else:
            rows[kind].setdefault(channel, []).append((time / 256 * SLOT_S, value))
    assert reader.bad == 0
    return log
