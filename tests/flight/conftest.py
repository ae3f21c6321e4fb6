"""Flights that end on a busy machine."""

from __future__ import annotations

import pytest

from tests.conftest import PATIENCE_S


@pytest.fixture(autouse=True)
def patient_disk(monkeypatch: pytest.MonkeyPatch) -> None:
    """Write the last positions however long it takes; in flight a slow disk is not waited for."""
    monkeypatch.setattr("bridge.flight.state_keeper.LAST_STATE_S", PATIENCE_S)
