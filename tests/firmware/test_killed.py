"""The host port leaves nothing behind, however it ends."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest

from tests.conftest import wait_until
from tests.firmware import built


@pytest.mark.slow
def test_a_board_that_is_killed_takes_its_firmware_along() -> None:
    with subprocess.Popen(
        [built.program("host")], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout and process.stdout.readline().startswith("/dev/")
        children = Path(f"/proc/{process.pid}/task/{process.pid}/children")
        wait_until(lambda: children.read_text().split(), "the firmware's process")
        (child,) = children.read_text().split()
        process.kill()

    def gone() -> bool:
        try:
            return Path(f"/proc/{child}/stat").read_text().split()[2] == "Z"  # nobody may reap it here
        except FileNotFoundError:
            return True

    wait_until(gone, "the end of the firmware's process")
