"""The counters, read as a monitor reads them: by the parser of the OpenMetrics client library."""

from __future__ import annotations

import asyncio
import urllib.error
import urllib.request
from pathlib import Path

import pytest
from prometheus_client.openmetrics.parser import text_string_to_metric_families

from bridge.operation.metrics import Metrics
from bridge.page.access import Address
from bridge.page.http import bind
from tests.conftest import PATIENCE_S, until
from tests.page.served import served


def fetch(url: str, host: str | None = None) -> tuple[int, str, str]:
    """Status, content type and text."""
    asked = urllib.request.Request(url, headers={} if host is None else {"Host": host})
    try:
        with urllib.request.urlopen(asked, timeout=PATIENCE_S) as answer:
            return answer.status, answer.headers["Content-Type"], answer.read().decode()
    except urllib.error.HTTPError as error:
        with error:
            return error.code, "", error.read().decode()


@pytest.mark.slow
async def test_a_monitor_reads_the_counters_of_a_flight(panel: Path) -> None:
    async with served(panel) as (service, _):
        listener = bind(Address("127.0.0.1", 0), exactly=True, option="--metrics")
        host, port = listener.getsockname()
        metrics = Metrics(lambda: service.snapshot(service.clock()), listener)
        part = asyncio.create_task(metrics.run())
        try:
            await until(
                lambda: service.snapshot(service.clock()).panel.telemetry_age_s is not None, "telemetry"
            )
            url = f"http://{host}:{port}/metrics"
            status, kind, text = await asyncio.to_thread(fetch, url)
            refused, _, words = await asyncio.to_thread(fetch, url, "evil.example")
        finally:
            part.cancel()
            await asyncio.wait([part])
            metrics.close()
        snapshot = service.snapshot(service.clock())
    assert status == 200 and kind.startswith("application/openmetrics-text")
    parsed = text_string_to_metric_families(text)  # type: ignore[no-untyped-call]
    families = {family.name: family for family in parsed}
    sent = {s.labels["board"]: s.value for s in families["pointer_bridge_board_frames_sent"].samples}
    assert sent.keys() == {board.name for board in snapshot.panel.boards}
    assert all(0 < sent[board.name] <= board.sent for board in snapshot.panel.boards)
    ready = families["pointer_bridge_board_ready"].samples
    assert [sample.value for sample in ready] == [1.0] * len(sent)
    (age,) = families["pointer_bridge_telemetry_age_seconds"].samples
    assert 0 <= age.value < 60
    datagrams = families["pointer_bridge_telemetry_datagrams"].samples
    assert sum(sample.value for sample in datagrams) > 0
    assert families["pointer_bridge_pointer_error"].samples
    assert families["pointer_bridge_process_open_fds"].samples
    assert refused == 403 and "evil.example" in words
