"""The soak, short: what it counts is counted, and a step that is lost shows."""

from __future__ import annotations

import pytest

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
