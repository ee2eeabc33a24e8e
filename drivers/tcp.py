"""A line over a raw TCP socket, set so that a dead link is known within seconds and drops what it still
holds.
"""

import asyncio
import os
import socket
import struct
from collections.abc import Sequence
from typing import Any

from benchwarden.drivers.descriptor import DescriptorLine

USER_TIMEOUT_MS = 3000
"""Unacknowledged data is dropped after this: a command must not be delivered minutes after an outage."""

_OPTIONS = (
    (socket.IPPROTO_TCP, socket.TCP_NODELAY, 1),
    (socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT, USER_TIMEOUT_MS),
    (socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1),
    (socket.IPPROTO_TCP, socket.TCP_KEEPIDLE, 2),
    (socket.IPPROTO_TCP, socket.TCP_KEEPINTVL, 1),
    (socket.IPPROTO_TCP, socket.TCP_KEEPCNT, 3),
)


class TcpLine(DescriptorLine):
    """A raw SCPI socket: `host`, `port`, `terminator` ends a line; `connect_s` (seconds) bounds opening."""

    def __init__(self, host: str, port: int, *, terminator: str = "\n", connect_s: float = 3.0) -> None:
        super().__init__(f"TCPIP::{host}::{port}::SOCKET", terminator)
        self._host = host
        self._port = port
        self._connect_s = connect_s
        self._socket: socket.socket | None = None

    async def _connect(self) -> int:
        loop = asyncio.get_running_loop()
        try:
            async with asyncio.timeout(self._connect_s):
                try:  # a numeric address must not wait for a name server, nor for the pool of threads
                    found = socket.getaddrinfo(
                        self._host, self._port, type=socket.SOCK_STREAM, flags=socket.AI_NUMERICHOST
                    )
                except socket.gaierror:
                    found = await loop.getaddrinfo(self._host, self._port, type=socket.SOCK_STREAM)
                wire = await self._first_that_answers(found)
        except TimeoutError as error:
            if error.errno is not None:
                raise  # the system's own verdict, with its own words
            raise OSError(f"no connection within {self._connect_s:g} s") from error
        self._socket = wire
        return wire.fileno()

    @staticmethod
    async def _first_that_answers(found: Sequence[tuple[Any, ...]]) -> socket.socket:
        """Connect to one address after the other: a name may stand for two, and an instrument listen at one."""
        last: OSError | None = None
        for family, kind, protocol, _, where in found:
            wire = socket.socket(family, kind, protocol)
            try:
                wire.setblocking(False)
                for level, option, value in _OPTIONS:
                    wire.setsockopt(level, option, value)
                await asyncio.get_running_loop().sock_connect(wire, where)
            except OSError as error:
                wire.close()
                last = error
            except BaseException:
                wire.close()
                raise
            else:
                return wire
        raise last or OSError("the name stands for no address")

    def _disconnect(self, *, abandon: bool) -> None:
        wire, self._socket = self._socket, None
        if wire is None:
            return
        try:
            if abandon:  # reset instead of lingering: nothing that was written may arrive later
                wire.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
            else:
                wire.shutdown(socket.SHUT_RDWR)
        except OSError:
            os.close(wire.detach())
            return
        wire.close()
