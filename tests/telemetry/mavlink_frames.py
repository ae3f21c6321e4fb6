"""MAVLink frames written out by hand, independent of the decoder and of pymavlink.

CRC-16/MCRF4XX bit by bit; the seeds (CRC_EXTRA) are those of the published definitions, common.xml.
"""

from __future__ import annotations

SEEDS = {0: 50, 24: 24, 29: 115, 30: 39, 33: 104, 74: 20, 105: 93}
# VFR_HUD of system 1, component 1: 51.5 m/s through the air, 53 over the ground, 270 deg, 65 %, 1524 m,
# climbing 2.54 m/s; made by pymavlink 2.4.50, and its all-zero sister.
MAVLINK_EXAMPLE = bytes.fromhex("fd1300000001014a000000004e42000054420080be445c8f22400e0141ddc3")
MAVLINK_ZERO = bytes.fromhex("fd0100000001014a0000006be5")


def checksum(data: bytes) -> int:
    crc = 0xFFFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = crc >> 1 ^ (0x8408 if crc & 1 else 0)
    return crc


def mavlink_frame(
    number: int, payload: bytes, system: int = 1, component: int = 1, version: int = 2, flags: int = 0
) -> bytes:
    """One frame; in version 2 without the zeros at the payload's end."""
    if version == 2:
        payload = payload.rstrip(b"\0") or payload[:1]
        head = bytes((len(payload), flags, 0, 0, system, component)) + number.to_bytes(3, "little")
        start = b"\xfd"
    else:
        head = bytes((len(payload), 0, system, component, number))
        start = b"\xfe"
    body = head + payload
    return start + body + checksum(body + bytes((SEEDS[number],))).to_bytes(2, "little")
