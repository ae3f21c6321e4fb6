"""Boards behind a real broker: the conformance suite through relay, broker and link, and what breaks on the way."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from tests.boards import conformance
from tests.boards.mqtt.subjects import MqttSubject
from tests.mqtt.broker import RunningBroker, running

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def broker() -> Iterator[RunningBroker]:
    with running() as made:
        yield made


@pytest.mark.parametrize("check", conformance.CHECKS, ids=lambda check: check.__name__)
async def test_it_conforms_over_a_broker(check: conformance.Check, broker: RunningBroker) -> None:
    await conformance.run(check, MqttSubject(broker.broker))
