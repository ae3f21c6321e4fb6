"""Does what browsers ask for: on the bench, the replay, failures for training, and the stop of all needles.

What moves a pointer, writes a file or controls the replay needs the right to (`Browser.may_move`); `stop`
and a name do not. Everything raises `BridgeError` with a sentence that tells why it was not done.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from bridge.description import near
from bridge.flight.service import Service
from bridge.instruments.failures.kinds import make_failure
from bridge.logs import printable
from bridge.page import messages
from bridge.page.access import Access, AccessError
from bridge.page.hub import Browser, Hub
from bridge.telemetry.replay import ReplaySource

if TYPE_CHECKING:  # a page that tests nothing need not load what draws sheets
    from bridge.proof.desk import Desk

_NEEDS_TOKEN = "This browser may only watch. Open the link that was printed when the program started."
WRONG_TOKEN = "This is not the token of this start of the program. Open the link that it printed."


class Controls:
    """The commands of all browsers on one service."""

    def __init__(self, service: Service, access: Access, hub: Hub, desk: Desk | None = None) -> None:
        self._desk = desk
        self._service = service
        self._access = access
        self._hub = hub

    async def do(self, browser: Browser, command: messages.Command) -> None:
        """Do it, for this browser. Only saving takes a while."""
        service, holder = self._service, browser.name
        if browser.may_move:  # who may only watch keeps no gauge by taking the name of one who has vanished
            service.benches.heard(holder, service.clock())
        match command:
            case messages.Enter():
                self._enter(browser, command)
                return
            case messages.Stop():
                service.benches.stop_all(holder)
                return
            case messages.Alive():
                return
        if not browser.may_move:
            raise AccessError(_NEEDS_TOKEN)
        match command:
            case messages.GoOn():
                service.benches.go_on(holder)
            case messages.BenchCommand():
                await self._at_the_bench(holder, command)
            case messages.Fail() | messages.Repair() | messages.Tap():
                self._train(holder, command)
            case messages.DeskCommand():
                self._at_the_desk(command)
            case messages.Play():
                self._replay.play()
            case messages.Pause():
                self._replay.pause()
            case messages.Seek(time_s=time_s):
                self._replay.seek(time_s)
            case messages.Speed(factor=factor):
                self._replay.set_speed(factor)
            case _:
                raise AssertionError(f"nobody does {command!r}")

    def _train(self, holder: str, command: messages.Fail | messages.Repair | messages.Tap) -> None:
        chain = self._service.running.chain
        pointer = "" if isinstance(command, messages.Repair) else command.pointer
        known = [driven.pointer.key for driven in chain.pointers.values()]
        if pointer and pointer not in known:
            raise AccessError(f"There is no needle {pointer!r}. {near(pointer, known)}.")
        match command:
            case messages.Fail(kind=kind, parameters=parameters):
                failure = make_failure(kind, parameters, pointer)
                lacks = chain.training.failures.lacks(failure)
                if lacks:
                    raise AccessError(f"{kind} would have no effect: {lacks}.")
                chain.training.switch_on(failure, holder)
            case messages.Repair(failure=name):
                chain.training.undo(name, holder)
            case messages.Tap():
                chain.training.failures.tap(pointer)

    def _at_the_desk(self, command: messages.DeskCommand) -> None:
        desk = self._desk
        if desk is None:
            raise AccessError("No gauge is being tested.")
        match command:
            case messages.Read(value=value):
                desk.read(value)
            case messages.Unreadable():
                desk.unreadable()
            case messages.ReadAgain():
                desk.again()
            case messages.IsSet():
                desk.is_set()
            case _:
                raise AssertionError(f"nobody does {command!r}")

    def _enter(self, browser: Browser, command: messages.Enter) -> None:
        if command.name is not None:
            name = self._hub.free_name(printable(command.name.strip()), browser)
            if name and name != browser.name:
                self._rename(browser, name)
        if command.token is not None and not browser.may_move:
            if not self._access.is_token(command.token):
                browser.wrong_tokens += 1
                raise AccessError(WRONG_TOKEN)
            browser.may_move = True
            self._hub.post_latest(browser)

    def _rename(self, browser: Browser, name: str) -> None:
        held = [
            b.gauge for b in self._service.benches.snapshot(self._service.clock()) if b.holder == browser.name
        ]
        if held:
            raise AccessError(
                f"You hold {', '.join(held)} as {browser.name}. Give it back before you change your name."
            )
        browser.name = name

    async def _at_the_bench(self, holder: str, command: messages.BenchCommand) -> None:
        service, gauge = self._service, command.gauge
        benches, now_s = service.benches, service.clock()
        match command:
            case messages.Take(pointer=pointer):
                benches.take(gauge, holder, now_s, pointer)
                return
            case messages.Release():
                benches.release(gauge, holder)
                return
            case messages.Save():
                await service.saves.save(gauge, holder)
                return
        bench = benches.at(gauge, holder)
        match command:
            case messages.Jog(by=by, unit=unit):
                bench.jog(by, unit)
            case messages.Turn(way=way, fast=fast):
                bench.turn(way, fast, now_s)
            case messages.Go(reading=reading):
                bench.go(reading)
            case messages.Sweep():
                bench.sweep()
            case messages.Halt():
                bench.halt()
            case messages.Home():
                bench.home()
            case messages.Here(reading=reading):
                bench.here(reading)
            case messages.Mark(by=by):
                bench.mark(by)
            case messages.OtherSide():
                bench.other_side()
            case messages.Capture(reading=reading):
                bench.capture(reading)
            case messages.Undo():
                bench.undo()
            case _:
                raise AssertionError(f"nobody does {command!r}")

    @property
    def _replay(self) -> ReplaySource:
        replay = self._service.replay
        if replay is None:
            raise AccessError("This flight is live: there is nothing to play, pause or seek.")
        return replay
