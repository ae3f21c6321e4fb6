"""The counters of a running service in OpenMetrics text form, where `--metrics` asks for them.

Times are seconds; counters count since the program's start (those of a board since its session began).
Names and units follow the OpenMetrics 1.0 specification.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from socket import socket

from prometheus_client import CollectorRegistry, ProcessCollector
from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, Metric
from prometheus_client.openmetrics import exposition
from prometheus_client.registry import Collector
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import PlainTextResponse, Response
from starlette.routing import Route

from bridge.boards.state import State
from bridge.flight.service_snapshot import ServiceSnapshot
from bridge.flight.snapshot import BoardSnapshot
from bridge.page.access import Access, AccessError
from bridge.page.http import Server

PATH = "/metrics"
_PREFIX = "pointer_bridge_"
_BOARD_COUNTERS: dict[str, tuple[str, Callable[[BoardSnapshot], int]]] = {
    "board_frames_sent": ("Frames sent to the board", lambda board: board.sent),
    "board_frames_lost": ("Frames that the board missed", lambda board: board.lost),
    "board_frames_corrupted": ("Frames that reached the board corrupted", lambda board: board.corrupted),
    "board_answers_corrupted": ("Frames of the board that arrived corrupted", lambda b: b.corrupted_here),
    "board_answers_disbelieved": ("Reports that can not be true", lambda board: board.disbelieved),
    "board_answers_undecodable": ("Payloads that no frame type fits", lambda board: board.undecodable),
    "board_queries_unanswered": ("Queries without an answer", lambda board: board.unanswered),
    "board_frames_refused": ("Frames that the board refused", lambda board: board.refused),
    "board_resets": ("Restarts of the board in flight", lambda board: board.resets),
    "board_watchdog_trips": ("Times the board stopped by itself", lambda board: board.watchdog_trips),
}


class ServiceCollector(Collector):
    """Makes metrics of `snapshot()`, taken anew each time that they are asked for."""

    def __init__(self, snapshot: Callable[[], ServiceSnapshot]) -> None:
        self._snapshot = snapshot

    def collect(self) -> Iterator[Metric]:
        """Every metric of the service, at this moment."""
        service = self._snapshot()
        yield from _telemetry(service)
        yield from _boards(service.panel.boards)
        yield from _pointers(service)
        if (recording := service.recording) is not None:
            yield _counter("recording_rows", "Rows recorded", [], [((), recording.rows)])
            yield _counter("recording_rows_lost", "Rows that the disk refused", [], [((), recording.lost)])


def _telemetry(service: ServiceSnapshot) -> Iterator[Metric]:
    labels = ["source", "sender", "layout"]
    senders = [((s.source, s.address, s.layout), s) for s in service.senders]
    yield _counter(
        "telemetry_datagrams", "Datagrams heard", labels, [(key, s.datagrams) for key, s in senders]
    )
    yield _counter(
        "telemetry_unused",
        "Datagrams, or fields of them, that were not used",
        [*labels, "cause"],
        [((*key, cause), count) for key, s in senders for cause, count in s.causes.items()],
    )
    yield _counter(
        "telemetry_refused",
        "Datagrams of hosts that are not allowed",
        ["host"],
        [((host,), count) for host, count in service.refused.items()],
    )
    age_s = service.panel.telemetry_age_s
    ages = [] if age_s is None else [((), age_s)]
    yield _gauge("telemetry_age", "Age of the last reading that arrived", [], ages, "seconds")


def _boards(boards: tuple[BoardSnapshot, ...]) -> Iterator[Metric]:
    for name, (text, count) in _BOARD_COUNTERS.items():
        yield _counter(name, text, ["board"], [((board.name,), count(board)) for board in boards])
    yield _gauge(
        "board_ready",
        "Whether the board is driven: 1 or 0",
        ["board"],
        [((board.name,), float(board.state == State.READY.value)) for board in boards],
    )
    yield _gauge(
        "board_round_trip",
        "From the last query to its answer",
        ["board"],
        [((board.name,), board.round_trip_s) for board in boards],
        "seconds",
    )


def _pointers(service: ServiceSnapshot) -> Iterator[Metric]:
    pointers = service.panel.pointers
    yield _gauge(
        "pointer_error",
        "What the pointer shows, less what it should show, in its own unit",
        ["pointer", "unit_of_pointer"],
        [((p.key, p.unit), p.error) for p in pointers if p.error is not None],
    )
    yield _gauge(
        "pointer_missed_steps",
        "Steps found missing at index marks since the pointer was homed",
        ["pointer"],
        [((p.key,), float(p.missed_steps)) for p in pointers if p.missed_steps is not None],
    )


_Values = Sequence[tuple[tuple[str, ...], float]]
"""Label values in the order of the labels, and the value for them."""


def _counter(name: str, text: str, labels: list[str], values: _Values) -> Metric:
    metric = CounterMetricFamily(_PREFIX + name, text, labels=labels)
    for key, value in values:
        metric.add_metric(key, value)
    return metric


def _gauge(name: str, text: str, labels: list[str], values: _Values, unit: str = "") -> Metric:
    metric = GaugeMetricFamily(_PREFIX + name, text, labels=labels, unit=unit)
    for key, value in values:
        metric.add_metric(key, value)
    return metric


def metrics_text(registry: CollectorRegistry) -> str:
    """Every metric as OpenMetrics text."""
    text: bytes = exposition.generate_latest(registry)  # type: ignore[no-untyped-call]
    return text.decode()


class Metrics:
    """Serves the metrics of a service at `listener` (see `bridge.page.http.bind`). `run` is a part of it."""

    def __init__(self, snapshot: Callable[[], ServiceSnapshot], listener: socket) -> None:
        self._listener = listener
        self._access = Access(listener.getsockname()[0])
        self._registry = CollectorRegistry()
        self._registry.register(ServiceCollector(snapshot))
        ProcessCollector(namespace=_PREFIX.rstrip("_"), registry=self._registry)

    async def run(self) -> None:
        """Serve until cancelled."""
        server = Server(Starlette(routes=[Route(PATH, self._answer)]))
        with self._listener.dup() as listener:  # its own is kept for the next start
            try:
                await server.serve([listener])
            finally:
                await server.close()

    def close(self) -> None:
        """Give the port back."""
        self._listener.close()

    async def _answer(self, request: Request) -> Response:
        try:
            self._access.check(request.headers.get("host"), request.headers.get("origin"))
        except AccessError as refusal:
            return PlainTextResponse(str(refusal), 403)
        return Response(metrics_text(self._registry), media_type=exposition.CONTENT_TYPE_LATEST)
