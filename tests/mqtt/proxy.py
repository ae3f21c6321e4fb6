"""What is between a party and the broker: it delays, stalls and breaks off as networks do, and loses frames
as bridges may."""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Iterator
from types import TracebackType
from typing import Self

_TYPE_AND_QOS, _PUBLISH_0 = 0xF6, 0x30


class Proxy:
    """Listens at a port of its own and passes on to `to_port`, both ways, `delay_s` later.

    While `stalled` nothing goes on, as when a cable is out; `cut` breaks all connections off. Every so many
    PUBLISH of QoS 0, `loses_every`, one is lost; 0 for none.
    """

    def __init__(self, to_port: int) -> None:
        self.to_port = to_port
        self.delay_s = 0.0
        self.loses_every = 0
        self.lost = 0
        self._frames = 0
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
            whole = bytearray()
            while data := await reader.read(65_536):
                whole += data
                if data := b"".join(packet for packet in _taken(whole) if not self._loses(packet)):
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

    def _loses(self, packet: bytes) -> bool:
        if self.loses_every == 0 or packet[0] & _TYPE_AND_QOS != _PUBLISH_0:
            return False
        self._frames += 1
        is_lost = self._frames % self.loses_every == 0
        self.lost += is_lost
        return is_lost


def _taken(data: bytearray) -> Iterator[bytes]:
    """The whole packets at the beginning of the data, which are taken away (MQTT 3.1.1, 2.2.3)."""
    while True:
        length = place = 0
        for place in range(1, min(5, len(data))):
            length |= (data[place] & 0x7F) << 7 * (place - 1)
            if not data[place] & 0x80:
                break
        else:
            return
        end = place + 1 + length
        if len(data) < end:
            return
        yield bytes(data[:end])
        del data[:end]
