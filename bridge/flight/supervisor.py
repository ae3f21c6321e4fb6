"""The supervisor: owns the tasks of the parts of a service, starts them again, ends them.

A part is a coroutine function that runs until it is cancelled or done. One that fails is logged and started
again after a delay; the others are not affected. Whoever ends a part waits for it without swallowing a
cancellation of its own: the task's outcome is never awaited, only that it is done.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Coroutine
from types import TracebackType
from typing import Any, Self

import structlog

_log = structlog.get_logger(__name__)

Part = Callable[[], Coroutine[Any, Any, None]]


class Supervisor:
    """Parts by name, while the `async with` lasts; at its end those that still run are ended together.

    `restart_delay_s` passes between a part's failure and its next start; `end_s` is how long a part may take
    to end: one that takes longer is reported and left to itself.
    """

    def __init__(self, restart_delay_s: float = 1.0, end_s: float = 1.0) -> None:
        self._restart_delay_s = restart_delay_s
        self._end_s = end_s
        self._tasks: dict[str, asyncio.Task[None]] = {}

    async def __aenter__(self) -> Self:
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        await self.end(*self._tasks)

    @property
    def names(self) -> tuple[str, ...]:
        """The parts that run, in the order of their start."""
        return tuple(self._tasks)

    def start(self, name: str, part: Part) -> None:
        """Run a part as a task; raises ValueError when one of that name runs."""
        if name in self._tasks:
            raise ValueError(f"the part {name!r} runs already")
        self._tasks[name] = asyncio.create_task(self._run(name, part), name=name)

    async def end(self, *names: str) -> None:
        """Cancel these parts and wait until they are done; names of none are ignored."""
        tasks = {name: self._tasks.pop(name) for name in names if name in self._tasks}
        for task in tasks.values():
            task.cancel()
        if not tasks:
            return
        _, left = await asyncio.wait(tasks.values(), timeout=self._end_s)
        for task in left:
            _log.warning("part does not end", part=task.get_name(), waited_s=self._end_s)

    async def _run(self, name: str, part: Part) -> None:
        while True:
            try:
                await part()
            except Exception:
                _log.exception("part failed", part=name, restart_in_s=self._restart_delay_s)
                await asyncio.sleep(self._restart_delay_s)
            else:
                if self._tasks.get(name) is asyncio.current_task():
                    del self._tasks[name]
                return
