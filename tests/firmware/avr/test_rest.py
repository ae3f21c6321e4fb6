"""What is left of a movement when the board is told to rest, at the coils of the emulated chip."""

from __future__ import annotations

from pathlib import Path

from bridge.boards import messages
from bridge.boards.messages import ChannelState
from tests.boards.host import Host
from tests.firmware.avr.subjects import ExampleBoard

FOUR_WIRE = 1


async def test_a_motor_keeps_its_current_until_it_has_arrived(tmp_path: Path) -> None:
    """Told to rest at any moment of a movement; a step whose current is cut at once is a step lost."""
    board = ExampleBoard("atmega328p", tmp_path)
    host = Host(board, await board.start())
    try:
        await host.make_known(FOUR_WIRE)
        status, counts = await host.status(), await board.emulator.counts()
        zero = counts.motors[FOUR_WIRE].walk - status.channels[FOUR_WIRE].position
        for turn in range(20):
            host.move(c1=(2000.0 if turn % 2 else 1000.0, 0.0))
            await board.elapse(0.2 + turn * 0.0007)
            host.send(messages.Rest((FOUR_WIRE,)))
            status = await host.until(
                lambda status: status.channels[FOUR_WIRE].state == ChannelState.RESTING, "rest", 5.0
            )
            motor = (await board.emulator.counts()).motors[FOUR_WIRE]
            assert not motor.current
            assert motor.walk - zero == status.channels[FOUR_WIRE].position
            assert motor.cuts == 0
    finally:
        await board.stop()
