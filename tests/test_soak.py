"""The soaks, short: what they count is counted, and a step that is lost shows."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.firmware.avr.soak import soaking
from tests.soak import Soak

pytestmark = pytest.mark.slow


def test_two_minutes_lose_no_step_and_one_that_is_lost_shows() -> None:
    soak = Soak()
    accounts = soak.accounts(every_s=120.0)
    account = next(accounts)
    assert account.flown_s == pytest.approx(120.0)
    assert account.marks > 0
    assert (account.missing_steps, account.frames_lost) == (0, 0)
    assert account.off_steps <= 1.0
    soak.dry_run.boards["left"].board.channel(0).lose(30)
    after = next(accounts)
    assert after.missing_steps == pytest.approx(30, abs=1)  # the mark lies between two steps
    assert after.off_steps > 1.0


async def test_on_a_chip_some_seconds_lose_no_step_and_one_that_is_lost_shows(tmp_path: Path) -> None:
    async with soaking(tmp_path, start_s=434.0) as soak:  # two pointers pass their marks 5 s later
        accounts = soak.accounts(every_s=1.0)
        while (account := await anext(accounts)).marks < 2 or (account.frames_lost and not account.breaks):
            # A frame on its way counts until it has arrived; one that is lost always.
            assert account.flown_s < 30.0, f"{account.marks} marks, {account.frames_lost} frames lost"
        lost = (account.missing_steps, account.jumps, account.slots_lost, account.homes)
        assert lost == (0, 0, 0, 0)
        await soak.subject.emulator.tell("lose 0 30")
    assert soak.off_steps == 30, "and none besides"
