"""Presence and freshness: what counts as a board that is there, and as a frame that is new."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from bridge.boards.messages import FrameType
from bridge.boards.mqtt.freshness import PAUSE_S, Freshness
from bridge.boards.mqtt.presence import Presence, encode_about, encode_state
from bridge.boards.mqtt.window import query_s
from bridge.boards.query_clock import LEAST_UNANSWERED
from bridge.boards.session import SILENCE_S

INTRODUCTION = bytes([2, FrameType.INTRODUCTION, 0]) + bytes(12)


def born(session: int) -> Presence:
    presence = Presence()
    presence.about(encode_about(session, INTRODUCTION))
    presence.state(encode_state(session, True))
    return presence


def test_a_board_is_there_once_it_is_introduced() -> None:
    assert not Presence().here
    assert born(1).here


def test_its_own_will_ends_it_and_tells_why() -> None:
    presence = born(1)
    presence.state(encode_state(1, False, "its cable is out"))
    assert not presence.here
    assert presence.why == "its cable is out"


def test_a_late_will_does_not_end_a_new_birth() -> None:
    presence = born(1)
    presence.about(encode_about(2, INTRODUCTION))
    presence.state(encode_state(2, True))
    presence.state(encode_state(1, False))
    assert presence.here
    assert presence.late_wills == 1


def test_who_hears_only_the_late_will_and_the_new_introduction_takes_the_board_as_there() -> None:
    """As a host that starts then: the late will has taken the place of the state at the broker."""
    for order in (("about", "state"), ("state", "about")):
        presence = Presence()
        for what in order:
            if what == "about":
                presence.about(encode_about(2, INTRODUCTION))
            else:
                presence.state(encode_state(1, False))
        assert presence.here, order


def test_a_board_that_is_found_again_in_the_same_session_is_there() -> None:
    presence = born(1)
    presence.state(encode_state(1, False, "its cable is out"))
    presence.about(encode_about(1, INTRODUCTION))
    assert not presence.here
    presence.state(encode_state(1, True))
    assert presence.here


def test_an_empty_introduction_takes_the_board_away() -> None:
    presence = born(1)
    presence.about(b"")
    assert not presence.here


@given(st.lists(st.tuples(st.booleans(), st.binary(max_size=300))))
def test_whatever_is_retained_there_is_no_error(messages: list[tuple[bool, bytes]]) -> None:
    presence = Presence()
    for is_about, payload in messages:
        (presence.about if is_about else presence.state)(payload)
    assert presence.here in (True, False)
    assert len(presence.why) <= 200


def frame(kind: FrameType) -> bytes:
    return bytes([2, kind, 0])


def test_frames_in_a_row_are_new() -> None:
    fresh = Freshness()
    fresh.renewed(0.0)
    assert not any(fresh.is_old(0.01 * n, frame(FrameType.MOVE)) for n in range(1000))


def test_after_a_pause_what_moves_is_old_until_the_host_has_asked_who_is_there() -> None:
    fresh = Freshness()
    fresh.renewed(0.0)
    assert not fresh.is_old(PAUSE_S, frame(FrameType.MOVE))
    assert fresh.is_old(10.0, frame(FrameType.MOVE))
    assert not fresh.is_old(10.0, frame(FrameType.QUERY))
    assert fresh.is_old(10.0, frame(FrameType.HOME))
    assert not fresh.is_old(10.0, frame(FrameType.IDENTIFY))
    assert not fresh.is_old(10.0, frame(FrameType.MOVE))


def test_a_new_connection_has_nothing_old_on_its_way() -> None:
    fresh = Freshness()
    fresh.renewed(0.0)
    assert fresh.is_old(10.0, frame(FrameType.MOVE))
    fresh.renewed(10.0)
    assert not fresh.is_old(10.1, frame(FrameType.MOVE))


def test_the_pause_is_longer_than_a_host_drives_a_board_that_does_not_answer() -> None:
    assert PAUSE_S > SILENCE_S >= LEAST_UNANSWERED * query_s(100.0)
