"""The conformance suite on the virtual board."""

from __future__ import annotations

import pytest

from tests.boards import conformance
from tests.boards.subjects import VirtualSubject


@pytest.mark.parametrize("check", conformance.CHECKS, ids=lambda check: check.__name__)
async def test_the_virtual_board_conforms(check: conformance.Check) -> None:
    await conformance.run(check, VirtualSubject())
