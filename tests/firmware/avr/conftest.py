"""The firmware's programs, built once for all tests."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from tests.firmware.avr import emulator

Build = Callable[..., Path]


@pytest.fixture(scope="session")
def runner(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return built(emulator.build_runner, tmp_path_factory.mktemp("runner"))


@pytest.fixture(scope="session")
def example(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The example board of the firmware's folder, for an atmega328p."""
    return built(emulator.build_firmware, tmp_path_factory.mktemp("example"), "atmega328p")


def built(build: Build, *arguments: object) -> Path:
    """What `build` builds; a missing tool fails the test, in words."""
    try:
        return build(*arguments)
    except emulator.ToolMissing as error:
        pytest.fail(str(error))
