"""What all browsers are sent: panel, needles, health and bench, made and encoded once, while one watches."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from bridge.flight.service import Service
from bridge.flight.snapshot import BenchSnapshot
from bridge.logs import LogTail
from bridge.page.drawing import DrawnGauge, draw, panel_message
from bridge.page.health import Health, as_shown
from bridge.page.hub import Browser, Hub, encode
from bridge.page.live import Needles, needles_message, rounded
from bridge.page.training import training_message
from bridge.panel.load import Panel
from bridge.telemetry.replay import ReplaySource, Survey
from bridge.threads import in_thread

if TYPE_CHECKING:  # a page that tests nothing need not load what draws sheets
    from bridge.proof.desk import Desk

NEEDLES_S = 1.0 / 30.0
"""Between two messages `needles`."""
STILL_S = 0.5
"""The same while nothing changes."""
HEALTH_S = 0.5
BENCH_S = 0.1


class Feed:
    """Watches one service and posts to the browsers of one hub."""

    def __init__(self, service: Service, hub: Hub, tail: LogTail, desk: Desk | None = None) -> None:
        self._desk = desk
        self._service = service
        self._hub = hub
        self._tail = tail
        self._health = Health()
        self._panel: Panel | None = None
        self._drawn: Mapping[str, DrawnGauge] = {}
        self._revision = 0
        self._needles: Needles | None = None
        self._survey: tuple[ReplaySource, int, Survey] | None = None
        self._bench: dict[str, Any] | None = None

    def layer(self, gauge: str, number: int) -> str | None:
        """The SVG of one layer of a gauge, as the present description has it; None where there is none."""
        drawn = self._drawn.get(gauge)
        return drawn.layers[number].svg if drawn and number < len(drawn.layers) else None

    def renew_bench(self) -> None:
        """Send `bench` again: somebody goes by another name."""
        self._bench = None

    async def run(self) -> None:
        """Until cancelled."""
        async with asyncio.TaskGroup() as tasks:
            tasks.create_task(self._send_needles())
            tasks.create_task(self._send_health())
            tasks.create_task(self._send_bench())
            tasks.create_task(self._send_training())
            if self._desk is not None:
                tasks.create_task(self._send_test(self._desk))

    async def _send_needles(self) -> None:
        before: dict[str, Any] = {}
        sent_s = 0.0
        while True:
            await self._hub.watched.wait()
            begun_s = self._service.clock()
            needles = await self._follow_panel()
            snapshot = self._service.running.snapshot(self._service.clock())
            message = needles_message(needles, snapshot, _playback(self._service.replay))
            now = {**message, "time_s": None}
            if now != before or begun_s - sent_s >= STILL_S or "needles" not in self._hub.latest:
                before, sent_s = now, begun_s
                await self._hub.post_all("needles", encode(message))
            await asyncio.sleep(max(0.0, begun_s + NEEDLES_S - self._service.clock()))

    async def _follow_panel(self) -> Needles:
        """Draw the panel again when its description has changed, and tell everybody."""
        panel, source = self._service.running.panel, self._service.replay
        if source is not None and (self._survey is None or self._survey[:2] != (source, source.revision)):
            self._survey = source, source.revision, await source.survey()
            self._hub.latest.pop("panel", None)
        if panel is not self._panel or self._needles is None:
            self._drawn = await in_thread("drawing", lambda: draw(panel))
            self._panel, self._needles = panel, Needles(panel)
            self._revision += 1
            self._hub.latest.pop("panel", None)
        if "panel" not in self._hub.latest:
            replay = self._replay()
            message = panel_message(panel, self._drawn, self._revision, replay)
            # How high it really is at each time is not for a trainee.
            watched = {**message, "replay": replay and {**replay, "altitude": None}}
            await self._hub.post_all("panel", encode(message), encode(watched))
        return self._needles

    def _replay(self) -> dict[str, Any] | None:
        if self._survey is None:
            return None
        replay, _, survey = self._survey
        altitude = {"quantity": survey.quantity, "unit": survey.unit, "points": survey.points}
        return {
            "file": replay.name,
            "start_s": survey.start_s,
            "end_s": survey.end_s,
            "altitude": altitude if survey.points else None,
        }

    async def _send_health(self) -> None:
        while True:
            await self._hub.watched.wait()
            snapshot = self._service.snapshot(self._service.clock())
            await asyncio.sleep(0)
            message = self._health.message(snapshot, self._tail.lines)
            await asyncio.sleep(0)
            watched = {**message, **as_shown(snapshot.panel, self._tail.lines)}
            await self._hub.post_all("health", encode(message), encode(watched))
            await asyncio.sleep(HEALTH_S)

    async def _send_bench(self) -> None:
        while True:
            await self._hub.watched.wait()
            benches = self._service.benches
            snapshots = benches.snapshot(self._service.clock())
            message = _bench_message(snapshots, benches.stopped)
            if message != self._bench or "bench" not in self._hub.latest:
                self._bench = message
                holders = {bench.holder for bench in snapshots}
                self._hub.latest["bench"] = common = encode(message)
                for browser in self._hub:
                    own = browser.name in holders
                    text = encode(_bench_message(snapshots, benches.stopped, browser.name)) if own else common
                    browser.post("bench", text)
                    await asyncio.sleep(0)
            await asyncio.sleep(BENCH_S)

    async def _send_training(self) -> None:
        """To those alone who may switch failures."""
        sent: dict[Browser, str] = {}
        while True:
            await self._hub.watched.wait()
            instructors = [browser for browser in self._hub if browser.may_move]
            if instructors:
                text = encode(training_message(self._service.running.snapshot(self._service.clock())))
                for browser in instructors:
                    if sent.get(browser) != text:
                        browser.post("training", text)
                    await asyncio.sleep(0)
                sent = dict.fromkeys(instructors, text)
            await asyncio.sleep(HEALTH_S)

    async def _send_test(self, desk: Desk) -> None:
        while True:
            await self._hub.watched.wait()
            text = encode({"type": "test", **asdict(desk.snapshot())})
            if self._hub.latest.get("test") != text:
                await self._hub.post_all("test", text)
            await asyncio.sleep(BENCH_S)


def _playback(replay: ReplaySource | None) -> dict[str, Any] | None:
    if replay is None:
        return None
    now = replay.playback
    return {"time_s": round(now.time_s, 2), "playing": now.playing, "speed": now.speed}


def _bench_message(
    snapshots: tuple[BenchSnapshot, ...], stopped: str | None, for_whom: str = ""
) -> dict[str, Any]:
    """The message `bench`, as it is for a browser of this name."""
    gauges = {
        bench.gauge: {**_short(asdict(bench)), "yours": bench.holder == for_whom} for bench in snapshots
    }
    return {"type": "bench", "stopped": stopped, "gauges": gauges}


def _short(value: Any) -> Any:
    """The same with no more digits than anybody reads."""
    if isinstance(value, float):
        return rounded(value, 3)
    if isinstance(value, dict):
        return {key: _short(item) for key, item in value.items()}
    return [_short(item) for item in value] if isinstance(value, list | tuple) else value
