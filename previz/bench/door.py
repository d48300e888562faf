"""The door of the bench: how many connections it takes at once, and how long one may stay that asks nothing."""

from __future__ import annotations

import asyncio
import socket
from typing import Final

from aiohttp import web

# connections at once: eight pages with six each, and as many again
MOST: Final = 96

# s that a connection may take until it has asked something, and stay after it has been answered
PATIENCE_S: Final = 10.0


class Spoken:
    """Connections that wait for their first request; one that has asked in time is left alone."""

    def __init__(self) -> None:
        self._waiting: dict[asyncio.BaseTransport, asyncio.TimerHandle] = {}
        self.open = 0

    def wait_for(self, transport: asyncio.Transport) -> None:
        """Close a connection that has asked nothing in time."""
        loop = asyncio.get_running_loop()
        self._waiting[transport] = loop.call_later(PATIENCE_S, transport.abort)

    def by(self, transport: asyncio.BaseTransport | None) -> None:
        """A request has come, or the connection is gone."""
        timer = self._waiting.pop(transport, None) if transport is not None else None
        if timer is not None:
            timer.cancel()


class _Guarded(asyncio.Protocol):
    """A connection: handed on to the server behind where there is room for it, closed at once where there is none."""

    def __init__(self, behind: asyncio.Protocol, spoken: Spoken) -> None:
        self._behind = behind
        self._spoken = spoken
        self._transport: asyncio.Transport | None = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport)
        if self._spoken.open >= MOST:
            transport.abort()
            return
        self._transport = transport
        self._spoken.open += 1
        self._spoken.wait_for(transport)
        self._behind.connection_made(transport)

    def data_received(self, data: bytes) -> None:
        if self._transport is not None:
            self._behind.data_received(data)

    def eof_received(self) -> bool | None:
        return None if self._transport is None else self._behind.eof_received()

    def pause_writing(self) -> None:
        self._behind.pause_writing()

    def resume_writing(self) -> None:
        self._behind.resume_writing()

    def connection_lost(self, exc: Exception | None) -> None:
        if self._transport is None:
            return
        self._spoken.by(self._transport)
        self._spoken.open -= 1
        self._behind.connection_lost(exc)
        self._transport = None


async def opened_door(runner: web.AppRunner, line: socket.socket, spoken: Spoken) -> asyncio.Server:
    """Serve what ``runner`` has set up on a bound socket. The server's own patience is that of ``runner``."""
    server = runner.server
    assert server is not None
    return await asyncio.get_running_loop().create_server(lambda: _Guarded(server(), spoken), sock=line, backlog=128)
