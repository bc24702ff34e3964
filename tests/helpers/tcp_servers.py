"""Modbus TCP servers on loopback: the library's own, and one that sends whatever bytes a test wants."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from typing import Self

from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import SimDevice


@asynccontextmanager
async def simulated(
    devices: list[SimDevice], trace_packet: Callable[[bool, bytes], bytes] | None = None
) -> AsyncIterator[int]:
    """The library's server with these devices; gives its port."""
    server = ModbusTcpServer(devices, address=("127.0.0.1", 0), trace_packet=trace_packet)
    await server.serve_forever(background=True)
    try:
        yield server.transport.sockets[0].getsockname()[1]  # type: ignore[attr-defined]
    finally:
        await server.shutdown()  # type: ignore[no-untyped-call]


def frame(transaction: bytes, device_id: int, pdu: bytes) -> bytes:
    """A Modbus TCP frame; `transaction` are the two bytes of its number."""
    return transaction + b"\x00\x00" + (len(pdu) + 1).to_bytes(2, "big") + bytes((device_id,)) + pdu


Respond = Callable[[bytes, asyncio.StreamWriter], Awaitable[None]]


class ScriptedTcpServer:
    """Calls `respond(request, writer)` for every request of 12 bytes; counts connections."""

    def __init__(self, respond: Respond) -> None:
        self.respond = respond
        self.connections = 0
        self.port = 0
        self._writers: list[asyncio.StreamWriter] = []
        self._tasks: set[asyncio.Task[None]] = set()

    async def __aenter__(self) -> Self:
        self._server = await asyncio.start_server(self._serve, "127.0.0.1", self.port)
        self.port = self._server.sockets[0].getsockname()[1]
        return self

    async def __aexit__(self, *_: object) -> None:
        self._server.close()
        await self.hang_up()
        await self._server.wait_closed()

    async def hang_up(self) -> None:
        """Close all connections."""
        for writer in self._writers:
            writer.close()
        self._writers.clear()
        if self._tasks:
            await asyncio.wait(self._tasks)

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.connections += 1
        self._writers.append(writer)
        task = asyncio.current_task()
        assert task is not None
        self._tasks.add(task)
        try:
            while True:
                await self.respond(await reader.readexactly(12), writer)
        except (asyncio.IncompleteReadError, ConnectionError):
            return
        finally:
            writer.close()
            self._tasks.discard(task)
