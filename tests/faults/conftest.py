"""Flights that end on a busy machine."""

from __future__ import annotations

import pytest

from tests.faults.flight import PATIENT


@pytest.fixture
def patient(monkeypatch: pytest.MonkeyPatch) -> None:
    """More time to end cleanly than a person has to wait."""
    monkeypatch.setattr("tests.faults.flight.before_program", PATIENT)
