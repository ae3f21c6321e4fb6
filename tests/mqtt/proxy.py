"""A network between a party and the broker that does what networks do: it delays, stalls and breaks off."""

from __future__ import annotations

import asyncio
from collections import deque
from types import TracebackType
from typing import Self


class Proxy:
    """Listens at a port of its own and passes on to `to_port`, both ways, `delay_s` later.

    While `stalled` nothing goes on, as when a cable is out; `cut` breaks all connections off.
    """

    def __init__(self, to_port: int) -> None:
        self.to_port = to_port
        self.delay_s = 0.0
        self._goes_on = asyncio.Event()
        self._goes_on.set()
        self._writers: set[asyncio.StreamWriter] = set()
        self._tasks: set[asyncio.Task[None]] = set()
        self._server: asyncio.Server

    @property
    def port(self) -> int:
        return int(self._server.sockets[0].getsockname()[1])

    async def __aenter__(self) -> Self:
        self._server = await asyncio.start_server(self._connected, "127.0.0.1", 0)
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._server.close()
        self.stall(False)
        self.cut()
        if self._tasks:
            await asyncio.wait(self._tasks)

    def stall(self, stalled: bool) -> None:
        if stalled:
            self._goes_on.clear()
        else:
            self._goes_on.set()

    def cut(self) -> None:
        for writer in self._writers:
            writer.transport.abort()
        self._writers.clear()

    async def _connected(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)
        try:
            far_reader, far_writer = await asyncio.open_connection("127.0.0.1", self.to_port)
        except OSError:
            writer.transport.abort()
            return
        self._writers |= {writer, far_writer}
        try:
            async with asyncio.TaskGroup() as ways:
                ways.create_task(self._pass(reader, far_writer))
                ways.create_task(self._pass(far_reader, writer))
        except* OSError:
            pass
        finally:
            for end in (writer, far_writer):
                end.transport.abort()
                self._writers.discard(end)

    async def _pass(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """Until one side ends; raises OSError then, so that both ways end."""
        waiting: deque[tuple[float, bytes]] = deque()
        loop = asyncio.get_running_loop()
        arrived = asyncio.Event()

        async def take() -> None:
            while data := await reader.read(65_536):
                waiting.append((loop.time() + self.delay_s, data))
                arrived.set()
            raise ConnectionResetError

        async def give() -> None:
            while True:
                arrived.clear()
                while waiting:
                    due_s, data = waiting.popleft()
                    await asyncio.sleep(max(0.0, due_s - loop.time()))
                    await self._goes_on.wait()
                    writer.write(data)
                    await writer.drain()
                await arrived.wait()

        async with asyncio.TaskGroup() as both:
            both.create_task(take())
            both.create_task(give())
