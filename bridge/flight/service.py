"""The running panel: joins the stages, owns the tasks, starts, reloads and stops them.

    sources --deliver--> running --tick--> boards
                          ^
    watched files --------+--> state file, recording

Arrivals and ticks run as plain calls in the event loop, so nothing can come between a datagram and
the frames that it causes. A tick follows each arrival at once, and otherwise every 1/tick_hz seconds.
Each source, each board, the watch and the state file have a task of their own; one that fails is logged
and started again, the others fly on.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable, Coroutine, Mapping, Sequence
from contextlib import suppress
from typing import Any

import structlog

from bridge.boards.link import Link
from bridge.boards.runner import Board
from bridge.boards.serial import SerialLink
from bridge.boards.virtual.link import VirtualLink
from bridge.errors import BridgeError, DescriptionError
from bridge.flight.chain import PointerAddress, homes
from bridge.flight.dry_run import virtual_board
from bridge.flight.notice_log import NoticeLog
from bridge.flight.running_panel import RunningPanel
from bridge.flight.state_file import StateFile
from bridge.logs import LogThrottle
from bridge.panel.load import Panel
from bridge.panel.watch import changes
from bridge.telemetry.recorder import LogWriter
from bridge.telemetry.source import Arrival, Source
from bridge.telemetry.time_base import TimeBase
from bridge.telemetry.udp import UdpSource

_log = structlog.get_logger(__name__)

_RESTART_DELAY_S = 1.0
_KEEP_STATE_S = 5.0
"""A memory card should outlive the panel; a clean stop keeps the state anyway."""
_GIVEN_POLL_S = 0.5
"""What arrives is looked at this often, and believed when it was the same twice."""
_BOARD_LAG_S = 0.1
"""A board's pointers are a few steps behind what it was told."""
_STOP_S = 4.0
"""Needles get at most this long to come to rest when the service stops."""


def udp_sources(panel: Panel) -> list[UdpSource]:
    """The sources that the panel description names."""
    return [
        UdpSource(s.host, s.port, [panel.layouts[name] for name in s.layouts], s.allow)
        for s in panel.description.sources
    ]


def link_to(panel: Panel, name: str) -> Link:
    """The link to this board, by its description."""
    described = panel.description.boards[name]
    if described.link == "serial":
        assert described.port
        return SerialLink(name, described.port, described.baud)
    return VirtualLink(virtual_board(panel, name))


def _virtual_homes(panel: Panel) -> dict[PointerAddress, float]:
    """A virtual board's pointers stand at home when it starts: nobody could be asked."""
    boards = panel.description.boards
    return {place: steps for place, steps in homes(panel).items() if boards[place[0]].link == "virtual"}


class Service:
    """One panel, flying.

    `make_sources` returns the telemetry sources of a description. `confirmed` holds positions that the user
    confirms. Times come from `clock`, in seconds. `replayed` marks the flight of a log.
    """

    def __init__(
        self,
        panel: Panel,
        *,
        make_sources: Callable[[Panel], Sequence[Source]] = udp_sources,
        state: StateFile | None = None,
        confirmed: Mapping[PointerAddress, float] | None = None,
        clock: Callable[[], float] = time.monotonic,
        replayed: bool = False,
    ) -> None:
        self._clock = clock
        self._make_sources = make_sources
        self.sources: list[Source] = list(make_sources(panel))
        self.running = RunningPanel(
            panel,
            self._given(),
            {**(confirmed or {}), **_virtual_homes(panel)},
            setting_inhg=state.read().setting_inhg if state else None,
            replayed=replayed,
        )
        self.boards = {name: self._board(panel, name) for name in self.running.sessions}
        self._state = state
        self._recording: LogWriter | None = None
        self._timer: asyncio.TimerHandle | None = None
        self._ticked_s = 0.0
        self._group = asyncio.TaskGroup()
        self._tasks: dict[str, asyncio.Task[None]] = {}
        self._stopping = asyncio.Event()
        self._throttle = LogThrottle()
        self._notice_log = NoticeLog()

    def _given(self) -> frozenset[str]:
        """What really arrives; before anything has, what the sources could give."""
        senders = [sender for source in self.sources for sender in source.senders]
        arriving = frozenset[str]().union(*(sender.readings for sender in senders))
        return arriving or frozenset[str]().union(*(source.given for source in self.sources))

    def _board(self, panel: Panel, name: str) -> Board:
        return Board(self.running.sessions[name], link_to(panel, name), self._clock)

    @property
    def parts(self) -> tuple[str, ...]:
        """The names of the parts that run."""
        return tuple(self._tasks)

    def record(self, recording: LogWriter) -> None:
        """From now on, every arrival is recorded there."""
        self._recording = recording

    def stop(self) -> None:
        """Ask the service to bring the needles to rest and end."""
        self._stopping.set()

    async def run(self) -> None:
        """Fly until `stop` is called or a source that ends by itself has ended.

        Raises DescriptionError when a source can't be opened at the start.
        """
        await self._open(self.sources)
        if not self.sources:
            _log.warning(
                "nothing to listen to", cure="describe where telemetry comes from, under [[sources]]"
            )
        try:
            async with self._group:
                for source in self.sources:
                    self._start_source(source)
                for name in self.boards:
                    self._start_board(name)
                self._start("files", self._watch_files)
                self._start("telemetry", self._watch_given)
                if self._state is not None:
                    self._start("state", self._keep_state)
                self._tick()
                await self._stopping.wait()
                await self._come_to_rest()
                for task in self._tasks.values():
                    task.cancel()
        finally:
            for source in self.sources:
                await source.__aexit__(None, None, None)
        if self._state is not None:
            self._state.keep(self._real_positions(), self.running.knob_setting_inhg)
        _log.info("stopped")

    # -- tasks ------------------------------------------------------------------------------------

    def _start(self, name: str, part: Callable[[], Coroutine[Any, Any, None]]) -> None:
        self._tasks[name] = self._group.create_task(self._keep_going(name, part), name=name)

    async def _keep_going(self, name: str, part: Callable[[], Coroutine[Any, Any, None]]) -> None:
        """Run a part until it ends; one that fails is said and started again, and hurts no other."""
        while True:
            try:
                await part()
                return
            except Exception:
                _log.exception("part failed", part=name, again_in_s=_RESTART_DELAY_S)
                await asyncio.sleep(_RESTART_DELAY_S)

    def _start_source(self, source: Source) -> None:
        base = TimeBase()

        def deliver(arrival: Arrival) -> None:
            try:
                self._arrived(arrival, base)
            except Exception:  # one arrival that can't be shown must not end the source
                if (count := self._throttle.due(source.name, self._clock())) is not None:
                    _log.exception("arrival not shown", source=source.name, **count)

        async def fly() -> None:
            try:
                await source.run(deliver)
            except DescriptionError as error:  # a log that goes wrong halfway would do so again
                _log.error("source ended", source=source.name, why=str(error))
            self.stop()  # only a replay ends by itself

        self._start(f"source {source.name}", fly)

    def _start_board(self, name: str) -> None:
        self._start(f"board {name}", self.boards[name].run)

    async def _end(self, name: str) -> None:
        task = self._tasks.pop(name, None)
        if task is None:  # ended by somebody else already, as when a stop meets a swap
            return
        task.cancel()
        with suppress(asyncio.CancelledError):
            await task

    # -- the way of the data ----------------------------------------------------------------------

    def _arrived(self, arrival: Arrival, base: TimeBase) -> None:
        time_s = base.to_local(arrival.arrival_s, arrival.source_time_s)
        self.running.feed(time_s, arrival.readings, arrival.jumped)
        if self._recording is not None:
            self._recording.record(arrival.arrival_s, self.running.recorded(arrival.readings))
        # A sender faster than the boards' lines is not followed frame by frame.
        if self._clock() - self._ticked_s >= 0.25 / self.running.panel.description.tick_hz:
            self._tick()

    def _tick(self) -> None:
        """Move on to now, send, and come back after one tick's time unless an arrival is sooner."""
        if self._timer is not None:
            self._timer.cancel()
        now_s = self._ticked_s = self._clock()
        tick_s = 1.0 / self.running.panel.description.tick_hz
        self._timer = asyncio.get_running_loop().call_later(tick_s, self._tick)
        moves = self.running.tick(now_s)
        self._notice_log.log(now_s, self.running.take_notices())
        for name, positions, velocities in moves:
            board = self.boards.get(name)
            # A board whose description has just changed is left out until it is swapped.
            if board is not None and board.session is self.running.sessions[name]:
                try:
                    board.move(now_s, positions, velocities)
                except Exception:  # the other boards get theirs
                    if (count := self._throttle.due(("move", name), now_s)) is not None:
                        _log.exception("move not sent", board=name, **count)

    async def _watch_given(self) -> None:
        """Plan anew when telemetry gives other quantities than were planned with.

        A layout may name what its sender never sends; what a gauge needs may be had another way then.
        """
        before: frozenset[str] = frozenset()
        while True:
            given = self._given()
            if given == before != self.running.chain.given:
                _log.info("telemetry gives", quantities=sorted(given))
                self.running = RunningPanel(self.running.panel, given, before=self.running)
            before = given
            await asyncio.sleep(_GIVEN_POLL_S)

    async def _come_to_rest(self) -> None:
        for source in self.sources:
            await self._end(f"source {source.name}")
        if self.running.panel.description.rest.behaviour == "park":
            self.running.park()
        tick_s = 1.0 / self.running.panel.description.tick_hz
        for _ in range(round(_STOP_S / tick_s)):
            await asyncio.sleep(tick_s)
            if self.running.still:
                break
        else:
            _log.warning("stopped before every needle had come to rest")
        await asyncio.sleep(_BOARD_LAG_S)
        if self._timer is not None:
            self._timer.cancel()
        for board in self.boards.values():
            board.rest()

    # -- files ------------------------------------------------------------------------------------

    async def _keep_state(self) -> None:
        assert self._state is not None
        while True:
            await asyncio.sleep(_KEEP_STATE_S)
            await asyncio.to_thread(self._state.keep, self._real_positions(), self.running.knob_setting_inhg)

    def _real_positions(self) -> dict[PointerAddress, float]:
        boards = self.running.panel.description.boards
        return {
            place: steps
            for place, steps in self.running.positions().items()
            if boards[place[0]].link != "virtual"
        }

    async def _watch_files(self) -> None:
        async for panel in changes(self.running.panel):
            await self.take(panel)

    async def take(self, panel: Panel) -> None:
        """Swap the description in between two ticks; a source that can't be opened leaves all as it was."""
        try:
            await self._swap_sources(self.running.panel, panel)
        except BridgeError as error:
            _log.error("description not taken", cure="the panel flies on as before", why=str(error))
            return
        before = self.running
        self.running = RunningPanel(panel, self._given(), _virtual_homes(panel), before)
        for name, board in list(self.boards.items()):
            if self.running.sessions.get(name) is not board.session:
                await self._end(f"board {name}")
                del self.boards[name]
        for name in self.running.sessions.keys() - self.boards.keys():
            self.boards[name] = self._board(panel, name)
            self._start_board(name)

    async def _swap_sources(self, old: Panel, new: Panel) -> None:
        """Open the new description's sources if they differ; the old ones come back when that fails."""
        if self._make_sources is not udp_sources:
            return
        if new.description.sources == old.description.sources and new.layouts == old.layouts:
            return
        before = self.sources
        for source in before:
            await self._end(f"source {source.name}")
            await source.__aexit__(None, None, None)
        fresh: list[Source] = list(self._make_sources(new))
        try:
            await self._open(fresh)
            self.sources = fresh
        except BridgeError:
            await self._open(before)
            raise
        finally:
            for source in self.sources:
                self._start_source(source)

    @staticmethod
    async def _open(sources: Sequence[Source]) -> None:
        """Open all of them, or none: raises DescriptionError for the first that can't be."""
        for number, source in enumerate(sources):
            try:
                await source.__aenter__()
            except BridgeError:
                for opened in sources[:number]:
                    await opened.__aexit__(None, None, None)
                raise
