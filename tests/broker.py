"""A real mosquitto on this machine only, and a client that keeps what it publishes: for tests of MQTT."""

import asyncio
import json
import os
import signal
import socket
import subprocess
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager, suppress
from pathlib import Path
from typing import Any, NamedTuple

import aiomqtt

from tests.needs import needs, program
from tests.shed import wait_for

needs_mosquitto = needs("mosquitto")


def free_port() -> int:
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        port: int = one.getsockname()[1]
        return port


class Broker:
    """One mosquitto; `settings` is its configuration file's text, by default anybody on this machine may do anything.

    Started by `start`; may be killed, started again with nothing remembered, and frozen.
    """

    def __init__(self, folder: Path, settings: str | None = None, port: int | None = None) -> None:
        self.port = port or free_port()
        self._file = folder / "mosquitto.conf"
        text = settings or f"listener {self.port} 127.0.0.1\nallow_anonymous true\n"
        # As root it would turn into a user that may not read the test's files.
        self._file.write_text(text + ("user root\n" if os.geteuid() == 0 else ""))
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> "Broker":
        mosquitto = program("mosquitto")
        assert mosquitto
        self._process = subprocess.Popen([mosquitto, "-c", str(self._file)], stderr=subprocess.DEVNULL)
        wait_for(self._listens, 60)
        return self

    def _listens(self) -> bool:
        assert self._process
        assert self._process.poll() is None, "mosquitto ended"
        with suppress(OSError), socket.create_connection(("127.0.0.1", self.port), 1.0):
            return True
        return False

    def freeze(self) -> None:
        assert self._process
        self._process.send_signal(signal.SIGSTOP)

    def thaw(self) -> None:
        assert self._process
        self._process.send_signal(signal.SIGCONT)

    def kill(self) -> None:
        if self._process:
            self._process.kill()
            self._process.wait(60)
            self._process = None


class Got(NamedTuple):
    """One message as it came."""

    topic: str
    data: dict[str, Any]
    retained: bool


class Watcher:
    """A client that keeps everything below `benchwarden/` and may publish."""

    def __init__(self, client: aiomqtt.Client) -> None:
        self._client = client
        self.got: list[Got] = []

    async def publish(self, topic: str, data: Any, *, retain: bool = False) -> None:
        payload = data if isinstance(data, (bytes, str)) else json.dumps(data)
        await self._client.publish(topic, payload, 1, retain)

    async def keep(self) -> None:
        with suppress(aiomqtt.MqttError):
            async for one in self._client.messages:
                assert isinstance(one.payload, bytes)
                with suppress(ValueError):  # what a test floods with is no JSON
                    self.got.append(Got(one.topic.value, json.loads(one.payload), one.retain))

    def of(self, ending: str) -> list[dict[str, Any]]:
        """Return the messages of the topics that end so."""
        return [one.data for one in self.got if one.topic.endswith(f"/{ending}")]


@asynccontextmanager
async def watching(
    port: int, topic: str = "benchwarden/#", *, host: str = "127.0.0.1", **more: Any
) -> AsyncIterator[Watcher]:
    """Watch a broker meanwhile."""
    async with aiomqtt.Client(host, port, **more) as client:
        watcher = Watcher(client)
        await client.subscribe(topic, 1)
        keeping = asyncio.create_task(watcher.keep())
        try:
            yield watcher
        finally:
            keeping.cancel()
            await asyncio.wait({keeping})
            if client._disconnected.done():  # by a test that killed the broker, which knows
                client._disconnected.exception()


async def until(what: Callable[[], object], seconds: float = 40.0) -> Any:
    """Return the first true answer; fails after `seconds`."""
    async with asyncio.timeout(seconds):
        while not (found := what()):  # noqa: ASYNC110  nobody tells
            await asyncio.sleep(0.01)
        return found
