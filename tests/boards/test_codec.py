"""The payloads against the table in the developers' guide, and any bytes at all."""

from __future__ import annotations

from typing import get_args

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.boards import codec, messages
from bridge.errors import OutOfRangeError

u8, u16, u32 = (st.integers(0, 2**bits - 1) for bits in (8, 16, 32))
i32 = st.integers(-(2**31), 2**31 - 1)
channels = st.sets(st.integers(0, 11)).map(lambda found: tuple(sorted(found)))


def records(make: object, *fields: st.SearchStrategy[int]) -> st.SearchStrategy[tuple[object, ...]]:
    return channels.flatmap(
        lambda found: st.tuples(*(st.builds(make, st.just(channel), *fields) for channel in found))  # type: ignore[arg-type]
    )


limits = st.builds(messages.ChannelLimits, u8, u8, u32, u32, i32, i32)
any_message: st.SearchStrategy[messages.Message] = st.one_of(
    st.just(messages.Identify()),
    st.just(messages.Query()),
    st.builds(messages.Move, records(messages.Target, i32, u8, i32)),
    st.builds(messages.Home, channels),
    st.builds(messages.Adopt, records(messages.ChannelPosition, i32)),
    st.builds(messages.Rest, channels),
    st.builds(
        messages.Introduction,
        st.binary(min_size=8, max_size=8),
        u8,
        u8,
        u16,
        st.lists(limits, max_size=12).map(tuple),
    ),
    st.builds(
        messages.Status,
        u16,
        u16,
        u16,
        u16,
        u8,
        st.lists(st.builds(messages.ChannelStatus, u8, i32, i32), max_size=12).map(tuple),
    ),
    st.builds(messages.Event, u8, u8, i32),
    st.builds(messages.Refusal, u8, u8, u8),
)


@given(any_message, u8)
def test_every_message_comes_back_as_it_was(message: messages.Message, sequence: int) -> None:
    payload = codec.encode(message, sequence)
    assert codec.decode(payload) == (sequence, message)
    assert len(payload) <= messages.MAX_PAYLOAD


BYTES_OF_THE_TABLE = [
    (messages.Identify(), 7, "02 01 07"),
    (
        messages.Move((messages.Target(0, -2, 128, 256), messages.Target(3, 1000, 0, -1))),
        8,
        "02 02 08 0900 feffffff 80 00010000 e8030000 00 ffffffff",
    ),
    (messages.Home((1, 11)), 9, "02 03 09 0208"),
    (messages.Adopt((messages.ChannelPosition(2, -1),)), 10, "02 04 0a 0400 ffffffff"),
    (messages.Rest((0, 1)), 11, "02 05 0b 0300"),
    (messages.Query(), 255, "02 06 ff"),
    (
        messages.Introduction(b"HOBNAILS", 1, 2, 500, (messages.ChannelLimits(2, 3, 600, 5000, 0, 944),)),
        0,
        "02 81 00 484f424e41494c53 01 02 f401 01 02 03 58020000 88130000 00000000 b0030000",
    ),
    (
        messages.Status(1, 2, 3, 5, 4, (messages.ChannelStatus(2, 5, -256),)),
        1,
        "02 82 01 0100 0200 0300 0500 04 01 02 05000000 00ffffff",
    ),
    (
        messages.Light((messages.LampLevel(0, 65535, 0), messages.LampLevel(9, 258, 50))),
        12,
        "02 07 0c 0102 ffff 0000 0201 3200",
    ),
    (messages.Inquire(), 13, "02 08 0d"),
    (
        messages.Capabilities((messages.LampCapability(1, 12_070), messages.LampCapability(0, 0))),
        4,
        "02 85 04 02 01 262f 00 0000",
    ),
    (messages.Event(4, 0, -3), 2, "02 83 02 04 00 fdffffff"),
    (messages.Refusal(2, 5), 3, "02 84 03 02 05"),
    (messages.Refusal(2, 1, version=3), 3, "03 84 03 02 01"),
]


@pytest.mark.parametrize(("message", "sequence", "hexadecimal"), BYTES_OF_THE_TABLE)
def test_bytes_are_as_in_the_table_of_the_developers_guide(
    message: messages.Message, sequence: int, hexadecimal: str
) -> None:
    """Bytes worked out by hand from the table in DEVELOPERS.md."""
    assert codec.encode(message, sequence).hex() == hexadecimal.replace(" ", "")
    assert codec.decode(bytes.fromhex(hexadecimal)) == (sequence, message)


def test_no_kind_of_message_is_missing_from_the_table_by_hand() -> None:
    assert {type(message) for message, _, _ in BYTES_OF_THE_TABLE} == set(get_args(messages.Message))


@given(
    st.lists(st.tuples(st.floats(-(2**30), 2**30), st.floats(-(2**20), 2**20)), max_size=12),
    st.integers(0, 1000),
)
def test_the_quick_move_rounds_to_the_nearest_256th_of_a_step(
    wanted: list[tuple[float, float]], sequence: int
) -> None:
    payload = codec.encode_move(
        sequence, [position for position, _ in wanted], [speed for _, speed in wanted]
    )
    got_sequence, move = codec.decode(payload)
    assert isinstance(move, messages.Move)
    assert got_sequence == sequence % 256
    assert [target.channel for target in move.targets] == list(range(len(wanted)))
    for target, (position, velocity) in zip(move.targets, wanted, strict=True):
        assert abs(target.position + target.fraction / 256 - position) <= 1 / 512
        assert abs(target.velocity / 256 - velocity) <= 1 / 512
    assert codec.encode(move, sequence) == payload
    flat = [n for target in move.targets for n in (target.position, target.fraction, target.velocity)]
    assert list(codec.unpack_move(payload)[4:]) == flat


def test_a_move_for_some_channels_carries_their_mask() -> None:
    _, move = codec.decode(codec.encode_move(0, [1.0, -0.25], [0.0, 2.0], mask=0b101))
    assert move == messages.Move((messages.Target(0, 1, 0, 0), messages.Target(2, -1, 192, 512)))


@pytest.mark.parametrize(
    ("positions", "velocities"),
    [([float("nan")], [0.0]), ([0.0], [float("inf")]), ([3e9], [0.0]), ([0.0], []), ([0.0] * 13, [0.0] * 13)],
)
def test_a_move_that_cannot_be_carried_is_refused(positions: list[float], velocities: list[float]) -> None:
    with pytest.raises(OutOfRangeError):
        codec.encode_move(0, positions, velocities)


@pytest.mark.parametrize(
    "message",
    [
        messages.Event(1, 0, 2**31),
        messages.Home((3, 1)),
        messages.Home((16,)),
        messages.Adopt((messages.ChannelPosition(-1, 0),)),
    ],
)
def test_a_number_that_does_not_fit_is_refused(message: messages.Message) -> None:
    with pytest.raises(OutOfRangeError):
        codec.encode(message, 0)


@pytest.mark.parametrize(
    ("payload", "reason"),
    [
        (b"", messages.Reason.WRONG_LENGTH),
        (b"\x02\x06", messages.Reason.WRONG_LENGTH),
        (b"\x02\x06\x00\x00", messages.Reason.WRONG_LENGTH),
        (b"\x03\x06\x00", messages.Reason.VERSION_NOT_SPOKEN),
        (b"\x02\x7f\x00", messages.Reason.UNKNOWN_TYPE),
        (b"\x02\x02\x00\x03\x00" + bytes(9), messages.Reason.WRONG_LENGTH),
        (b"\x02\x03\x00\x03", messages.Reason.WRONG_LENGTH),
    ],
)
def test_a_payload_off_the_table_is_refused_with_its_reason(payload: bytes, reason: messages.Reason) -> None:
    with pytest.raises(codec.FrameError) as refused:
        codec.decode(payload)
    assert refused.value.reason == reason


@given(st.binary(max_size=300))
def test_any_payload_is_a_message_or_a_frame_error(payload: bytes) -> None:
    for read in (codec.decode, codec.unpack_move):
        try:
            read(payload)
        except codec.FrameError as error:
            assert error.reason in messages.Reason
