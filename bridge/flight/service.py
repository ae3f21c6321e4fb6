"""The live service: joins the stages, owns the parts, starts, reloads and stops them.

    sources --deliver--> running --tick--> boards
                          ^
    watched files --reload+--> state file, recording

Arrivals and ticks run as plain calls in the event loop, so nothing can come between a datagram and
the frames that it causes. A tick follows each arrival at once, and otherwise every 1/tick_hz seconds.
Each source, each board, the watch, the reloads and the state file are parts of a supervisor; one that
fails is logged and started again, the others fly on. Reloads have one owner, the part of that name: however
many descriptions come, they are taken one after the other, and a stop ends that part before the rest.
"""

from __future__ import annotations

import asyncio
import gc
import time
from collections.abc import Callable, Mapping, Sequence
from functools import partial
from pathlib import Path

import structlog

from bridge.boards.runner import Board
from bridge.flight.bench import Benches
from bridge.flight.calibration_saves import CalibrationSaves
from bridge.flight.chain import PointerAddress, homes
from bridge.flight.controls import Action, Record, Send, SwitchTo
from bridge.flight.hands import CommandSender, HandRecording
from bridge.flight.intake import Intake
from bridge.flight.links import Links
from bridge.flight.notice_log import NoticeLog
from bridge.flight.publisher import Publisher
from bridge.flight.running_panel import RunningPanel
from bridge.flight.service_snapshot import ReloadSnapshot, ServiceSnapshot, recording_of, senders_of
from bridge.flight.sources import DescribedSources, SourceMaker
from bridge.flight.state_file import StateFile
from bridge.flight.state_keeper import StateKeeper
from bridge.flight.supervisor import Part, Supervisor
from bridge.instruments.failures.scenario import Scenario
from bridge.logs import LogThrottle
from bridge.panel.load import Panel, load_panel
from bridge.panel.watch import changes
from bridge.telemetry.recorder import LogWriter
from bridge.telemetry.replay import ReplaySource
from bridge.telemetry.source import Arrival

_log = structlog.get_logger(__name__)

GIVEN_POLL_S = 0.5
"""Poll interval for the set of arriving quantities; a change counts once seen twice."""

# A stop takes at most the sum of these, END_PARTS_S counted twice (sources first, then the rest), and of
# LAST_STATE_S for the state file: 2.6 s.
COME_TO_REST_S = 1.5
"""Then REST is sent also to a board that has not reported its pointers in place: it stops them smoothly."""
END_PARTS_S = 0.4
"""For links to send what waits and to close."""


def _virtual_homes(panel: Panel) -> dict[PointerAddress, float]:
    """A virtual board's pointers are at home when it starts: there is no user to confirm it."""
    boards = panel.description.boards
    return {address: steps for address, steps in homes(panel).items() if boards[address[0]].is_virtual}


def _is_over(taken: asyncio.Future[None]) -> None:
    """Let whoever waits for a reload go on; it may have been cancelled meanwhile."""
    if not taken.done():
        taken.set_result(None)


class Service:
    """One panel, flying.

    `sources` makes the telemetry sources of a description. `confirmed` holds positions that the user
    confirms. `replayed` marks the flight of a log, which lacks the quantities in `assumed`; `scenario` has
    the failures of the flight. `load` reads the panel again when its files change. Its clock is that of the
    event loop, in seconds.
    """

    def __init__(
        self,
        panel: Panel,
        *,
        sources: SourceMaker | None = None,
        state: StateFile | None = None,
        confirmed: Mapping[PointerAddress, float] | None = None,
        replayed: bool = False,
        assumed: frozenset[str] = frozenset(),
        scenario: Scenario | None = None,
        load: Callable[[Path], Panel] = load_panel,
    ) -> None:
        self._load = load
        self._parts = Supervisor(end_s=END_PARTS_S)
        self.intake = Intake(
            panel, sources or DescribedSources(), self._parts, self.clock, self._arrived, self.stop
        )
        self.running = RunningPanel(
            panel,
            self.intake.given,
            {**(confirmed or {}), **_virtual_homes(panel)},
            setting_inhg=state.read().setting_inhg if state else None,
            replayed=replayed,
            assumed=assumed,
            scenario=scenario,
        )
        self._commands = CommandSender(panel.commands, replayed)
        self._sources_of_gauges: dict[str, str] = {}  # that a hand has chosen
        self._by_hand = HandRecording(self._recorded_columns, lambda: self.running.panel.catalogue)
        self._records: asyncio.Queue[Path] = asyncio.Queue()
        self.benches = Benches(self.running)
        """Gauges at the bench, and the stop of all needles; they outlive reloads."""
        self.saves = CalibrationSaves(self.benches)
        self._links = Links(self.clock)
        self.boards = {name: self._board(panel, name) for name in self.running.sessions}
        self.started = asyncio.Event()
        """Set when every source is open and every part runs."""
        self._state = StateKeeper(state, lambda: self.running) if state else None
        self._recording: LogWriter | None = None
        self._publisher: Publisher | None = None
        self._timer: asyncio.TimerHandle | None = None
        self._ticked_s = 0.0
        self._reloads: asyncio.Queue[tuple[Panel, asyncio.Future[None]]] = asyncio.Queue()
        self._stopping = asyncio.Event()
        self._throttle = LogThrottle()
        self._notice_log = NoticeLog()
        self._onlookers: dict[str, Part] = {}
        self._reloaded: ReloadSnapshot | None = None

    @staticmethod
    def clock() -> float:
        """The time of everything in the service: the running event loop's, in seconds."""
        return asyncio.get_running_loop().time()

    def _board(self, panel: Panel, name: str) -> Board:
        return Board(self.running.sessions[name], self._links.make(panel, name), self.clock)

    def _start_board(self, name: str) -> None:
        self._parts.start(f"board {name}", self.boards[name].run)

    @property
    def parts(self) -> tuple[str, ...]:
        """The names of the parts that run."""
        return self._parts.names

    @property
    def replay(self) -> ReplaySource | None:
        """The flight log that is the source of telemetry, and can be controlled; None in a live flight."""
        return next((source for source in self.intake.sources if isinstance(source, ReplaySource)), None)

    def snapshot(self, time_s: float) -> ServiceSnapshot:
        """The service as it is at this time."""
        return ServiceSnapshot(
            self.running.snapshot(time_s),
            tuple(source.name for source in self.intake.sources),
            senders_of(self.intake.sources, time_s),
            {host: count for source in self.intake.sources for host, count in source.refused.items()},
            recording_of(self._recording),
            self._reloaded,
            self.benches.stopped,
        )

    @property
    def ticked_s(self) -> float:
        """When frames were last sent to the boards, by the service's clock."""
        return self._ticked_s

    def add_part(self, name: str, part: Part) -> None:
        """Run this as well while the service flies: an onlooker, which fails and restarts alone."""
        self._onlookers[name] = part

    def record(self, recording: LogWriter) -> None:
        """From now on, every arrival is recorded there."""
        self._recording = recording

    def publish(self, publisher: Publisher) -> None:
        """From now on, every arrival goes out to other panels as well."""
        self._publisher = publisher
        self.add_part("publisher", publisher.run)

    def stop(self) -> None:
        """Ask the service to bring the pointers to rest and end."""
        self._stopping.set()

    async def run(self) -> None:
        """Fly until `stop` is called or a source that ends by itself has ended.

        Raises DescriptionErrors with every source that can't be opened at the start.
        """
        await self.intake.open()
        if not self.intake.sources:
            _log.warning(
                "nothing to listen to", cure="describe where telemetry comes from, under [[sources]]"
            )
        try:
            async with self._parts:
                self.intake.start()
                for name in self.boards:
                    self._start_board(name)
                self._parts.start("files", self._watch_files)
                self._parts.start("reloads", self._take_reloads)
                self._parts.start("telemetry", self._watch_given)
                self._parts.start("recordings", self._take_records)
                self._parts.start("saves", self.saves.run)
                if self._state is not None:
                    self._parts.start("state", self._state.run)
                for name, part in self._onlookers.items():
                    self._parts.start(name, part)
                self._tick()
                # What is there now stays: collections in flight need not look at it again.
                gc.collect()
                gc.freeze()
                self.started.set()
                await self._stopping.wait()
                await self._come_to_rest()
        finally:
            if self._timer is not None:
                self._timer.cancel()
            self._commands.close()
            await self.intake.close()
            await self._by_hand.close()
        if self._state is not None:
            await self._state.keep_last()
        _log.info("stopped")

    # -- the way of the data ----------------------------------------------------------------------

    def _arrived(self, arrival: Arrival) -> None:
        time_s = arrival.arrival_s - arrival.age_s
        self.running.feed(time_s, arrival.readings, arrival.jumped, arrival.flight_s, arrival.between)
        for recording in (self._recording, self._by_hand.log):
            if recording is not None and arrival.arrived:
                recording.record(arrival.arrival_s, self.running.recorded(arrival.readings))
        if self._publisher is not None:
            shown = {**arrival.between, **self.running.recorded(arrival.readings)}
            self._publisher.take(shown, arrival.jumped)
        # A sender faster than the boards' lines is not followed frame by frame.
        if self.clock() - self._ticked_s >= 0.25 / self.running.panel.description.tick_hz:
            self._tick()

    def _tick(self) -> None:
        """Advance to now, send, and come back after one tick's time unless an arrival is sooner."""
        if self._timer is not None:
            self._timer.cancel()
        now_s = self._ticked_s = self.clock()
        tick_s = 1.0 / self.running.panel.description.tick_hz
        self._timer = asyncio.get_running_loop().call_later(tick_s, self._tick)
        if self.replay is not None:
            self.running.set_pace(now_s, self.replay.pace)
        try:
            self.benches.tick(now_s)
        except Exception:  # the gauges that are not at the bench fly on
            self._throttle.exception("bench not advanced", "bench", now_s)
        moves = self.running.tick(now_s)
        for name, positions, velocities in moves:
            self._send(
                name,
                now_s,
                "move not sent",
                partial(Board.move, time_s=now_s, positions=positions, velocities=velocities),
            )
        for name, levels in self.running.lights():
            self._send(name, now_s, "light not sent", partial(Board.light, time_s=now_s, levels=levels))
        if actions := self.running.take_actions():
            self._act(actions)
        self._commands.send_due(now_s)
        self._notice_log.log(now_s, [*self.running.take_notices(), *self.benches.take_notices()])

    def _act(self, actions: Sequence[Action]) -> None:
        """Do what hands at knobs and buttons have asked for."""
        for action in actions:
            match action:
                case Send():
                    self._commands.add(action)
                case Record(folder):
                    self._records.put_nowait(Path(folder))
                case SwitchTo(gauge, quantity):
                    self._sources_of_gauges[gauge] = quantity
                    panel = self.running.panel.switched(self._sources_of_gauges)
                    self._fly(RunningPanel(panel, self.running.chain.given, before=self.running))
                    _log.info("gauge switched", gauge=gauge, shows=quantity)

    def _recorded_columns(self) -> frozenset[str]:
        return self.running.chain.given | self.running.recorded({}).keys()

    async def _take_records(self) -> None:
        while True:
            await self._by_hand.toggle(await self._records.get())

    def _send(self, name: str, now_s: float, failure: str, send: Callable[[Board], None]) -> None:
        board = self.boards.get(name)
        # A board whose description has just changed is left out until it is swapped.
        if board is not None and board.session is self.running.sessions[name]:
            try:
                send(board)
            except Exception:  # the other boards get theirs
                self._throttle.exception(failure, name, now_s, board=name)

    def _fly(self, running: RunningPanel) -> None:
        self.running = running
        self.benches.fly(running)

    async def _watch_given(self) -> None:
        """Plan again when other quantities arrive than were planned with.

        A layout may name what its sender never sends; what a gauge needs may be had another way then.
        """
        before: frozenset[str] = frozenset()
        while True:
            given = self.intake.given
            if given == before != self.running.chain.given:
                _log.info("quantities arriving", quantities=sorted(given))
                self._fly(RunningPanel(self.running.panel, given, before=self.running))
            before = given
            await asyncio.sleep(GIVEN_POLL_S)

    async def _come_to_rest(self) -> None:
        await self._parts.end("files", "reloads", "telemetry", *self.intake.parts)
        self.running.telemetry.end()
        if self._recording is not None:
            self._recording.finish()
        self.benches.halt()
        if self.running.panel.description.rest.behaviour == "park":
            self.running.park()
        tick_s = 1.0 / self.running.panel.description.tick_hz
        until_s = self.clock() + COME_TO_REST_S
        while True:
            await asyncio.sleep(tick_s)
            if self.running.arrived:
                break
            if self.clock() >= until_s:
                _log.warning("stopped before every pointer was reported at rest")
                break
        if self._timer is not None:
            self._timer.cancel()
        for board in self.boards.values():
            board.rest()

    # -- reloads ----------------------------------------------------------------------------------

    async def _watch_files(self) -> None:
        async for panel in changes(lambda: self.running.panel, self._load, self._note_reload):
            await self.reload(panel)

    def _note_reload(self, mistakes: str) -> None:
        self._reloaded = ReloadSnapshot(time.strftime("%H:%M:%S"), not mistakes, mistakes)

    def read_again(self, assumed: frozenset[str]) -> None:
        """The log that is replayed reads otherwise from now on, and lacks the quantities in `assumed`."""
        if self.replay is not None:
            self.replay.read_again()
        self._fly(RunningPanel(self.running.panel, self.intake.given, before=self.running, assumed=assumed))

    async def reload(self, panel: Panel) -> None:
        """Swap the description in between two ticks; returns when that is done, or when a stop comes before.

        Sources that can't be opened leave all as it was, which is logged with its cure.
        """
        if self._stopping.is_set():
            return
        taken: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        self._reloads.put_nowait((panel, taken))
        await taken

    async def _take_reloads(self) -> None:
        try:
            while True:
                panel, taken = await self._reloads.get()
                try:
                    await self._take(panel)
                finally:
                    _is_over(taken)
        except asyncio.CancelledError:
            while not self._reloads.empty():  # nobody will take them any more
                _is_over(self._reloads.get_nowait()[1])
            raise

    async def _take(self, panel: Panel) -> None:
        refused = await self.intake.swap(self.running.panel, panel)
        if refused is not None:
            cure = "the panel flies on with the description before"
            _log.error("description not taken", cure=cure, why=str(refused))
            self._note_reload(str(refused))
            return
        before = self.running
        panel = panel.switched(self._sources_of_gauges)
        self._commands.use(panel.commands)
        self._fly(RunningPanel(panel, self.intake.given, _virtual_homes(panel), before))
        changed = [n for n, board in self.boards.items() if self.running.sessions.get(n) is not board.session]
        await self._parts.end(*(f"board {name}" for name in changed))
        for name in changed:
            del self.boards[name]
        for name in self.running.sessions.keys() - self.boards.keys():
            self.boards[name] = self._board(panel, name)
            self._start_board(name)
        _log.info("description taken", panel=str(panel.path))
        self._note_reload("")
        gc.freeze()
