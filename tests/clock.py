"""A clock for tests that jumps to the next timer when nothing else is due: minutes in milliseconds.

For code whose only clock is the event loop's. Sockets, pipes and worker threads are waited for in real time:
while a call in a thread is under way nothing jumps, and what is ready to be read comes before any timer.
"""

from __future__ import annotations

import asyncio
import functools
import selectors
import threading
from collections.abc import Callable, Coroutine
from typing import Any, ParamSpec

from bridge.threads import Call

P = ParamSpec("P")

_THREAD_LOOK_S = 0.01


class JumpingLoop(asyncio.SelectorEventLoop):
    """An event loop whose time moves by its own timers, and by a microsecond each time round; from 1,000 s.

    Without the latter a task that is a rounding error too early would ask for ever whether it is time.
    """

    def __init__(self) -> None:
        self._now_s = 1000.0
        self._calls_in_threads = 0
        super().__init__(_JumpingSelector(self))

    def went_round(self) -> None:
        self._now_s += 1e-6

    def time(self) -> float:
        return self._now_s

    def pause(self, pause_s: float) -> None:
        """Let time pass with nothing done, as when the machine was suspended."""
        self._now_s += pause_s

    def idle(self, timeout_s: float) -> float:
        """Nothing is ready for `timeout_s` of the loop's time: how long to wait for real instead."""
        if self._calls_in_threads or any(isinstance(thread, Call) for thread in threading.enumerate()):
            return _THREAD_LOOK_S
        self._now_s += timeout_s
        return 0.0

    def run_in_executor(self, executor: Any, func: Any, *args: Any) -> asyncio.Future[Any]:  # type: ignore[override]
        self._calls_in_threads += 1
        future = super().run_in_executor(executor, func, *args)
        future.add_done_callback(self._thread_done)
        return future

    def _thread_done(self, _: asyncio.Future[Any]) -> None:
        self._calls_in_threads -= 1


class _JumpingSelector(selectors.DefaultSelector):
    def __init__(self, loop: JumpingLoop) -> None:
        super().__init__()
        self._loop = loop

    def select(self, timeout: float | None = None) -> list[tuple[selectors.SelectorKey, int]]:
        self._loop.went_round()
        ready = super().select(0.0)
        if ready or timeout == 0.0:
            return ready
        if timeout is None:  # no timer: only I/O or a thread can go on
            return super().select(None)
        wait_s = self._loop.idle(timeout)
        return super().select(wait_s) if wait_s else []


def on_jumping_clock(test: Callable[P, Coroutine[Any, Any, None]]) -> Callable[P, None]:
    """Run an asynchronous test on a loop of its own whose clock jumps."""

    @functools.wraps(test)
    def run(*args: P.args, **kwargs: P.kwargs) -> None:
        with asyncio.Runner(loop_factory=JumpingLoop) as runner:
            runner.run(test(*args, **kwargs))

    return run
