"""Calls that may block for ever (a FIFO, a hung disk), in threads that nothing waits for."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Callable
from contextlib import suppress
from typing import Any, TypeVar

T = TypeVar("T")


class Call(threading.Thread):
    """The thread of one call that somebody waits for."""


async def in_thread(name: str, call: Callable[[], T]) -> T:
    """What `call` returns or raises, from a daemon thread of its own.

    Unlike asyncio's executor, a thread that hangs keeps neither the event loop nor the program from
    ending: cancelling the wait leaves the call to itself.
    """
    loop = asyncio.get_running_loop()
    done: asyncio.Future[T] = loop.create_future()

    def settle(result: Any, error: BaseException | None) -> None:
        if done.done():
            return
        if error is not None:
            done.set_exception(error)
        else:
            done.set_result(result)

    def work() -> None:
        result, failure = None, None
        try:
            result = call()
        except BaseException as error:  # whatever it is belongs to the one who waits
            failure = error
        with suppress(RuntimeError):  # the loop has ended
            loop.call_soon_threadsafe(settle, result, failure)

    Call(target=work, name=name, daemon=True).start()
    return await done
