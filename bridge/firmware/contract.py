"""The C header with all that boards and host must know alike: `python -m bridge.firmware.contract`.

Writes core/contract.h anew from `bridge.boards` and `bridge.hardware`; a test holds the two equal.
"""

from __future__ import annotations

from collections.abc import Iterator
from enum import IntEnum
from pathlib import Path

from bridge.boards import behaviour, homing, messages
from bridge.hardware.microcontrollers import FASTEST_STEPS_S

HEADER = Path(__file__).parent / "core" / "contract.h"


def contract_h() -> str:
    """The text of core/contract.h."""
    major, minor = messages.FIRMWARE_VERSION
    return "\n".join(
        (
            "/* What boards and host must know alike. Written by python -m bridge.firmware.contract; what a",
            " * number means is in bridge/boards/messages.py, behaviour.py, homing.py: change it there. */",
            "#ifndef CONTRACT_H",
            "#define CONTRACT_H",
            "",
            f"#define FRAME_VERSION {messages.VERSION}",
            f"#define FRAME_LONGEST {messages.MAX_PAYLOAD} /* bytes of payload */",
            f"#define LATE_GAP {messages.LATE_GAP} /* sequences */",
            f"#define FIRMWARE_MAJOR {major}",
            f"#define FIRMWARE_MINOR {minor}",
            "",
            f"#define MOST_CHANNELS {messages.MAX_CHANNELS}",
            f"#define MOST_LAMPS {messages.MAX_LAMPS}",
            f"#define FASTEST_STEPS_S {FASTEST_STEPS_S}",
            f"#define CARRY_MS {behaviour.CARRY_MS}",
            f"#define HOLD_MS {behaviour.HOLD_MS}",
            f"#define CATCH_UP_DIVISOR {_divisor(behaviour.CATCH_UP_SHARE)}",
            f"#define SWITCHED_ON {messages.SWITCHED_ON} /* of 65,536 */",
            f"#define HOMING_DIVISOR {_divisor(homing.SPEED_SHARE)}",
            "",
            *_enum("frame_type", messages.FrameType, "0x{:02x}"),
            *_enum("refusal", messages.Reason, first="ACCEPTED = 0"),
            *_enum("output", messages.Output),
            *_enum("homing", messages.Homing),
            *_enum("lamp_output", messages.LampOutput),
            *_enum("state", messages.ChannelState),
            *_enum("event_kind", messages.EventKind, suffix="_EVENT"),
            *_enum("fault", messages.Fault),
            "#endif",
            "",
        )
    )


def _divisor(share: float) -> int:
    divisor = round(1 / share)
    assert divisor * share == 1.0
    return divisor


def _enum(
    name: str, members: type[IntEnum], number: str = "{}", first: str = "", suffix: str = ""
) -> Iterator[str]:
    rows = [first] if first else []
    rows += [f"{member.name}{suffix} = {number.format(member.value)}" for member in members]
    yield f"enum {name} {{"
    yield from (f"    {row}{',' if row != rows[-1] else ''}" for row in rows)
    yield "};"
    yield ""


if __name__ == "__main__":
    HEADER.write_text(contract_h(), encoding="utf-8")
