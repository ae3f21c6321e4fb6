"""Connections to a broker on a busy machine."""

from __future__ import annotations

import pytest

from tests.conftest import PATIENCE_S


@pytest.fixture(autouse=True)
def patient(monkeypatch: pytest.MonkeyPatch) -> None:
    """A broker may answer seconds late: in flight it is tried again, in these tests it is not."""
    monkeypatch.setattr("bridge.mqtt.connection.OPEN_S", PATIENCE_S)
    monkeypatch.setattr("bridge.mqtt.retained.TIMEOUT_S", PATIENCE_S)
