"""The firmware's tests build C programs and run them: all are slow, and the workers share what is built."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

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
