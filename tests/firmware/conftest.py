"""The firmware's tests build C programs and run them: all are slow, and the workers share what is built."""

from __future__ import annotations

import os
from functools import partial
from pathlib import Path

import pytest

from bridge.boards.session import BoardSession
from tests.conftest import PATIENCE_S
from tests.firmware import built

_HERE = Path(__file__).parent


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    for item in items:
        if _HERE in item.path.parents:
            item.add_marker(pytest.mark.slow)


@pytest.fixture(scope="session", autouse=True)
def shared_builds(tmp_path_factory: pytest.TempPathFactory) -> None:
    base = tmp_path_factory.getbasetemp()
    built.share((base.parent if "PYTEST_XDIST_WORKER" in os.environ else base) / "firmware")


@pytest.fixture
def patient_host(monkeypatch: pytest.MonkeyPatch) -> None:
    """A service that takes no board for dead by its silence, and does not hurry at the end.

    On a busy machine a board that is emulated, or a process, may be seconds behind the clock of the service.
    """
    session = partial(BoardSession, silence_s=PATIENCE_S)
    monkeypatch.setattr("bridge.flight.running_panel.BoardSession", session)
    monkeypatch.setattr("bridge.flight.service.COME_TO_REST_S", PATIENCE_S)
    monkeypatch.setattr("bridge.flight.service.END_PARTS_S", PATIENCE_S)
    monkeypatch.setattr("bridge.boards.serial.CLOSE_S", PATIENCE_S)
    monkeypatch.setattr("bridge.boards.serial_line._DRAIN_S", PATIENCE_S)
