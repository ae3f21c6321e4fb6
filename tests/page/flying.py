"""A service and its page in a thread of their own, and the eye of somebody who looks at a needle."""

from __future__ import annotations

import asyncio
import threading
from collections import Counter, deque
from collections.abc import Callable
from concurrent.futures import Future
from pathlib import Path
from types import TracebackType
from typing import Self, TypeVar

from bridge.boards.virtual.link import VirtualLink
from bridge.flight.service import Service
from bridge.flight.snapshot import PanelSnapshot
from bridge.flight.sources import FixedSources
from bridge.gauges.pointer import Pointer
from bridge.logs import LogTail
from bridge.page.access import Address
from bridge.page.http import bind
from bridge.page.server import Page
from bridge.panel.load import load_panel
from bridge.telemetry.flightlog import read_log
from bridge.telemetry.replay import ReplaySource
from tests.calibration.crooked import CrookedLinkage
from tests.conftest import PATIENCE_S, wait_until

T = TypeVar("T")
HERE = Address("127.0.0.1", 0)
_SNAPSHOT_S = 0.02
_SNAPSHOTS = 100


class Flying:
    """A recorded flight on the live service, with its page. Its event loop runs in a thread of its own."""

    def __init__(self, panel_file: Path, log_file: Path, start_s: float, address: Address = HERE) -> None:
        self.panel_file = panel_file
        self.address = address
        self.url = ""
        self.token: str | None = None
        self.snapshots: deque[PanelSnapshot] = deque(maxlen=_SNAPSHOTS)
        """The last two seconds, the newest last."""
        self._flight = log_file, start_s
        self._ready: Future[None] = Future()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._service: Service
        self._loop: asyncio.AbstractEventLoop
        self._watched: list[Callable[[], None]] = []

    def __enter__(self) -> Self:
        self._thread.start()
        self._ready.result(PATIENCE_S)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stop()

    def stop(self) -> None:
        """End the service and the page."""
        if self._thread.is_alive():
            self._loop.call_soon_threadsafe(self._service.stop)
            self._thread.join(PATIENCE_S)
            assert not self._thread.is_alive(), "the service did not stop"

    def ask(self, question: Callable[[Service], T]) -> T:
        """The answer to a question about the service, asked in its own loop."""
        answer: Future[T] = Future()

        def call() -> None:
            try:
                answer.set_result(question(self._service))
            except BaseException as error:
                answer.set_exception(error)

        self._loop.call_soon_threadsafe(call)
        return answer.result(PATIENCE_S)

    def watch(self, look: Callable[[], None]) -> None:
        """From now on, call this in the loop every few milliseconds."""
        self.ask(lambda _: self._watched.append(look))

    def _run(self) -> None:
        try:
            asyncio.run(self._fly())
        except BaseException as error:
            if self._ready.done():
                raise
            self._ready.set_exception(error)

    async def _fly(self) -> None:
        self._loop = asyncio.get_running_loop()
        panel = load_panel(self.panel_file)
        log_file, start_s = self._flight
        source = ReplaySource(read_log(log_file, panel.catalogue), 1.0, start_s, clock=Service.clock)
        source.stays = lambda: True
        self._service = Service(panel, sources=FixedSources(source), replayed=True)
        page = Page(self._service, bind(self.address, exactly=True, option="--page"), LogTail())
        self._service.add_part("page", page.run)
        self.address, self.token = page.address, page.access.token
        self.url = f"http://127.0.0.1:{page.address.port}/"
        looking = asyncio.create_task(self._look())
        try:
            await self._service.run()
        finally:
            looking.cancel()
            page.close()

    async def _look(self) -> None:
        await self._service.started.wait()
        self._ready.set_result(None)
        taken_s = 0.0
        while True:
            now_s = Service.clock()
            if now_s - taken_s >= _SNAPSHOT_S:
                taken_s = now_s
                self.snapshots.append(self._service.running.snapshot(now_s))
            for look in self._watched:
                look()
            await asyncio.sleep(0.004)


class Frames:
    """Counts from now on the service's ticks, and the frames with positions that each board is sent."""

    def __init__(self, flying: Flying) -> None:
        self._flying = flying
        self._ticks = 0
        self._sent: Counter[str] = Counter()
        flying.ask(self._count)

    def _count(self, service: Service) -> None:
        tick = service.running.tick

        def counted(time_s: float) -> list[tuple[str, list[float], list[float]]]:
            self._ticks += 1
            return tick(time_s)

        service.running.tick = counted  # type: ignore[method-assign]
        for name, board in service.boards.items():
            board.link.send = self._counting(name, board.link.send)  # type: ignore[method-assign]

    def _counting(self, name: str, send: Callable[..., None]) -> Callable[..., None]:
        def counted(payload: bytes, *, replaceable: bool = False) -> None:
            self._sent[name] += replaceable
            send(payload, replaceable=replaceable)

        return counted

    def missing(self) -> dict[str, int]:
        """For each board, how many frames fewer than ticks it was sent; waits for a hundred ticks first."""
        before = self._ticks
        wait_until(lambda: self._ticks > before + 100, "ticks go on")
        return self._flying.ask(lambda s: {name: self._ticks - self._sent[name] for name in s.boards})


class Eye:
    """Somebody who looks at a needle that a crooked linkage turns, behind a motor of a virtual board."""

    def __init__(self, flying: Flying, key: str, linkage: CrookedLinkage) -> None:
        self.flying = flying
        self.linkage = linkage
        self.key = key
        flying.watch(self._follow)

    @property
    def pointer(self) -> Pointer:
        """The pointer as the description in force has it."""
        return self.flying.ask(lambda service: self._pointer(service))

    def _pointer(self, service: Service) -> Pointer:
        return next(p for p in service.running.panel.pointers if p.key == self.key)

    def _follow(self) -> None:
        service = self.flying._service
        pointer = self._pointer(service)
        link = service.boards[pointer.board].link
        assert isinstance(link, VirtualLink)
        if link.board.running:
            place = link.board.channel(pointer.channel).place
            self.linkage.drive_to(pointer.drive_deg(place))

    def off_deg(self, reading: float) -> float:
        """How far the needle, at rest, is short of the mark of this reading, clockwise positive."""

        def still(service: Service) -> bool:
            self._follow()  # it may have moved since the last look, which a busy machine delays
            pointer = self._pointer(service)
            link = service.boards[pointer.board].link
            assert isinstance(link, VirtualLink)
            driven = service.running.chain.pointers[pointer.board, pointer.channel]
            place = link.board.channel(pointer.channel).place
            return driven.motion.at_rest and abs(place - driven.position) < 0.01

        wait_until(lambda: self.flying.ask(still), "the needle at rest")
        return self.flying.ask(lambda service: self._pointer(service).face(reading) - self.linkage.needle_deg)
