"""What every board with lamps does, as `conformance` has it for pointers: run with `conformance.run`.

A subject has three lamps that are dimmed and two that are switched; the first and the fourth are lit when no
host is heard (`LAMPS`).
"""

from __future__ import annotations

from collections.abc import Sequence

from bridge.boards import messages
from bridge.boards.line import to_line
from bridge.boards.messages import (
    FULL_LEVEL,
    ChannelState,
    FrameType,
    LampCapability,
    LampLevel,
    LampOutput,
    Light,
    Reason,
)
from tests.boards.conformance import Check
from tests.boards.host import Host, Subject, middle

LAMPS = (
    LampCapability(LampOutput.DIMMED, 12_071),
    LampCapability(LampOutput.DIMMED, 0),
    LampCapability(LampOutput.DIMMED, 0),
    LampCapability(LampOutput.SWITCHED, FULL_LEVEL),
    LampCapability(LampOutput.SWITCHED, 0),
)
"""12,071 is 18.418 % of the light, the luminance of lightness 50 (CIE 15)."""
WITHOUT_HOST = [lamp.when_lost for lamp in LAMPS]

LAMP_CHECKS: list[Check] = []


def _check(check: Check) -> Check:
    LAMP_CHECKS.append(check)
    return check


async def _light(subject: Subject, host: Host, *levels: tuple[int, int, int]) -> None:
    """Lamp, level and fade (ms) each; returns when the board has taken them."""
    host.send(Light(tuple(LampLevel(*each) for each in levels)))
    await host.status()


async def _shows(subject: Subject, wanted: Sequence[int], tolerance: int = 0) -> None:
    found = await subject.lamp_levels()
    tolerance = max(tolerance, subject.lamp_tolerance)
    assert all(abs(a - b) <= tolerance for a, b in zip(found, wanted, strict=True)), (found, wanted)


@_check
async def answers_an_inquiry_with_its_lamps(subject: Subject, host: Host) -> None:
    host.send(messages.Inquire())
    await host.status()
    assert host.capabilities == [messages.Capabilities(LAMPS)]


@_check
async def is_lit_as_stated_until_a_host_lights_it(subject: Subject, host: Host) -> None:
    await _shows(subject, WITHOUT_HOST)
    await _light(subject, host, (1, FULL_LEVEL, 0), (2, 30_000, 0), (4, FULL_LEVEL, 0))
    await _shows(subject, [12_071, FULL_LEVEL, 30_000, FULL_LEVEL, FULL_LEVEL])
    await _light(subject, host, (0, 0, 0), (1, 0, 0), (3, 0, 0))
    await _shows(subject, [0, 0, 30_000, 0, FULL_LEVEL])


@_check
async def fades_evenly_and_a_repeated_frame_does_not_begin_again(subject: Subject, host: Host) -> None:
    await _light(subject, host, (1, 60_000, 1600))
    await subject.elapse(0.4)
    await _light(subject, host, (1, 60_000, 1600))
    await subject.elapse(0.4)
    level = (await subject.lamp_levels())[1]
    assert 0.4 * 60_000 < level < 0.65 * 60_000  # reading it takes some of the board's time
    await subject.elapse(1.0)
    await _shows(subject, [12_071, 60_000, 0, FULL_LEVEL, 0])


@_check
async def is_lit_as_stated_when_the_host_falls_silent(subject: Subject, host: Host) -> None:
    await _light(subject, host, *((lamp, 20_000 if lamp < 3 else 0, 0) for lamp in range(5)))
    await subject.elapse(subject.watchdog_ms / 1000 + 0.5)
    await host.status()
    await _shows(subject, WITHOUT_HOST)
    await _light(subject, host, (0, FULL_LEVEL, 0))
    await _shows(subject, [FULL_LEVEL, *WITHOUT_HOST[1:]])


@_check
async def refuses_a_lamp_that_it_lacks_and_lights_none(subject: Subject, host: Host) -> None:
    await _light(subject, host, (1, FULL_LEVEL, 0), (5, FULL_LEVEL, 0))
    await _light(subject, host, (15, FULL_LEVEL, 0))
    assert host.refusals == [messages.Refusal(FrameType.LIGHT, Reason.NO_SUCH_CHANNEL)] * 2
    await _shows(subject, WITHOUT_HOST)


@_check
async def refuses_a_light_of_the_wrong_length(subject: Subject, host: Host) -> None:
    await subject.raw(to_line(bytes([messages.VERSION, FrameType.LIGHT, 0, 1, 0, 255, 255])))
    await host.until(lambda _: bool(host.refusals), "a refusal")
    assert host.refusals == [messages.Refusal(FrameType.LIGHT, Reason.WRONG_LENGTH)]
    await _shows(subject, WITHOUT_HOST)


@_check
async def lights_while_it_moves(subject: Subject, host: Host) -> None:
    await host.make_known(0)
    goal = middle(subject.channels[0]) + subject.channels[0].speed // 2
    host.move(c0=(goal, 0.0))
    for level in (10_000, 40_000):
        await _light(subject, host, (2, level, 50))
        await subject.elapse(0.1)
        await _shows(subject, [12_071, 0, level, FULL_LEVEL, 0])
    status = await host.settled(0, goal, "its target")
    assert status.channels[0].state == ChannelState.READY
