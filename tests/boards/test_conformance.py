"""The conformance suite on the virtual board, in this process and over a serial line."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.boards import conformance
from tests.boards.lamp_conformance import LAMP_CHECKS
from tests.boards.subjects import PtySubject, VirtualSubject


@pytest.mark.parametrize("check", conformance.CHECKS + LAMP_CHECKS, ids=lambda check: check.__name__)
async def test_the_virtual_board_conforms(check: conformance.Check) -> None:
    await conformance.run(check, VirtualSubject())


@pytest.mark.slow
@pytest.mark.parametrize("check", conformance.CHECKS, ids=lambda check: check.__name__)
async def test_it_conforms_over_a_serial_line(check: conformance.Check, tmp_path: Path) -> None:
    await conformance.run(check, PtySubject(tmp_path))
