"""The way to the broker: one connection after another, a clean session each, and nobody waits for any of them."""

import asyncio
import logging
import random
import secrets
import socket
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any, Self

import aiomqtt

from benchwarden.daemon.bench import Bench
from benchwarden.daemon.front.feed_reader import FeedReader
from benchwarden.daemon.front.mqtt_back_off import BackOff
from benchwarden.daemon.front.mqtt_guardian import keep_watching
from benchwarden.daemon.front.mqtt_login import Login
from benchwarden.daemon.front.mqtt_news import News
from benchwarden.daemon.front.mqtt_orders import Orders
from benchwarden.daemon.front.mqtt_topics import Topics

PUBLISH_S = 2.0
CONNECT_S = 3.0
KEEPALIVE_S = 10
# The guardian allows 5 s for all of leaving.
LOOK_LAST_S, SETTLE_S, FLUSH_S, LEAVE_S = 0.7, 0.5, 1.5, 3.0
# From here on a broker's answer to a subscription is a refusal (MQTT 3.1.1, 3.9.3).
REFUSED = 0x80

# Lines of the library; what matters of them is told in our own words.
_SILENT = logging.getLogger("benchwarden.mqtt")
_SILENT.addHandler(logging.NullHandler())
_SILENT.propagate = False


class _Client(aiomqtt.Client):
    """A client that leaves no connection behind where connecting failed half-way.

    Otherwise a broker that froze would later find it still open, and tell its last will when it ends.
    """

    async def __aenter__(self) -> Self:
        try:
            return await super().__aenter__()
        except BaseException:
            self._client.disconnect()
            raise

    async def __aexit__(self, *error: Any) -> None:
        await super().__aexit__(*error)
        if self._disconnected.done() and not self._disconnected.cancelled():
            self._disconnected.exception()  # told by whoever noticed it first; asyncio would tell it again


class Publisher:
    """Publishes what a bench does and takes STOP, until told to leave; a broker that is not there changes nothing."""

    def __init__(
        self,
        bench: Bench,
        login: Login,
        reader: FeedReader,
        runs: Path,
        state: Path,
        say: Callable[[str], None],
        draw: Callable[[], float] = random.random,
    ) -> None:
        """`runs`: where run folders lie; `state`: the folder of the sockets; `draw`: see `BackOff`.

        FolderError for a name without letters.
        """
        assert bench.mqtt
        self._login, self._reader, self._state, self._say = login, reader, state, say
        self._topics = Topics.of(bench.name, [bay.name for bay in bench.bay])
        boot = secrets.token_hex(4)
        # One name for all connections of this process: the broker then ends the one before, and its last will comes
        # before what the next one says.
        self.identifier = f"benchwarden-{socket.gethostname()}-{self._topics.name}-{boot}"
        self._news = News(self._topics, reader, runs, bench.mqtt.every_s, boot, say)
        self._orders = Orders(self._topics, state, self._news, say)
        self._awake = asyncio.Event()
        self._news.wake = self._awake.set
        self._leaving = asyncio.Event()
        self._back_off = BackOff(draw)
        self._connected_s: float | None = None
        self._trouble = ""
        reader.listeners.append(self._news.hear)
        self._tasks = [
            asyncio.create_task(self._keep_publishing(), name="mqtt"),
            asyncio.create_task(self._news.keep_looking(), name="mqtt record"),
            asyncio.create_task(keep_watching(reader, state, self._news.alarm), name="mqtt guardian"),
        ]

    async def leave(self) -> None:
        """Publish what waits and that the bench is offline, disconnect, and return within 5 s in any case."""
        with suppress(TimeoutError):
            async with asyncio.timeout(LOOK_LAST_S):
                await self._news.look()
        await self._orders.settle(SETTLE_S)
        self._leaving.set()
        self._awake.set()
        await asyncio.wait(self._tasks[:1], timeout=LEAVE_S)
        for task in self._tasks:
            task.cancel()
        await asyncio.wait(self._tasks)
        self._reader.listeners.remove(self._news.hear)

    async def _keep_publishing(self) -> None:
        loop = asyncio.get_running_loop()
        while not self._leaving.is_set():
            self._connected_s = None
            try:
                await self._connect()
            except aiomqtt.MqttError as error:
                self._say_trouble(str(error))
            except Exception as error:  # noqa: BLE001  whatever is wrong here, it is tried again
                self._say_trouble(f"a fault of this program: {error!r}")
            lived_s = 0.0 if self._connected_s is None else loop.time() - self._connected_s
            with suppress(TimeoutError):
                async with asyncio.timeout(self._back_off.next_s(lived_s)):
                    await self._leaving.wait()

    def _say_trouble(self, text: str) -> None:
        if text != self._trouble:
            self._trouble = text
            self._say(f"mqtt: broker {self._login.host}:{self._login.port}: {text}; it is tried again")

    async def _connect(self) -> None:
        will = self._news.status("offline")
        client = _Client(
            self._login.host,
            self._login.port,
            username=self._login.user,
            password=self._login.password,
            tls_context=self._login.tls,
            identifier=self.identifier,
            will=aiomqtt.Will(will.topic, will.payload, will.qos, will.retain),
            clean_session=True,
            keepalive=KEEPALIVE_S,
            timeout=CONNECT_S,
            logger=_SILENT,
            queue_type=_straight_to(self._orders),
        )
        async with client:
            self._connected_s = asyncio.get_running_loop().time()
            if self._trouble:
                self._say(f"mqtt: broker {self._login.host}:{self._login.port}: connected again")
                self._trouble = ""
            self._news.snapshot()
            publishing = asyncio.create_task(self._serve(client), name="mqtt publish")
            hearing = asyncio.create_task(_until_lost(client), name="mqtt hear")
            try:
                await asyncio.wait({publishing, hearing}, return_when=asyncio.FIRST_COMPLETED)
            finally:
                for task in (publishing, hearing):
                    task.cancel()
                await asyncio.wait({publishing, hearing})
            for task in (publishing, hearing):
                if not task.cancelled():
                    task.result()

    async def _serve(self, client: aiomqtt.Client) -> None:
        await self._subscribe(client)
        loop = asyncio.get_running_loop()
        until_s = float("inf")
        while True:
            if self._leaving.is_set():
                until_s = min(until_s, loop.time() + FLUSH_S)
            self._awake.clear()
            found = self._news.next(loop.time())
            if found and loop.time() < until_s:
                one, sent = found
                await client.publish(one.topic, one.payload, one.qos, one.retain, timeout=PUBLISH_S)
                sent()
            elif self._leaving.is_set():
                will = self._news.status("offline")
                await client.publish(will.topic, will.payload, will.qos, will.retain, timeout=PUBLISH_S)
                return
            else:
                with suppress(TimeoutError):
                    async with asyncio.timeout(max(self._news.due_s() - loop.time(), 0.01)):
                        await self._awake.wait()

    async def _subscribe(self, client: aiomqtt.Client) -> None:
        """Listen for STOP, and for what is to be refused aloud; a broker may forbid that and need not tell."""
        stops = self._topics.heard()
        granted = await client.subscribe([(topic, 1) for topic in stops])
        if any(_code(one) >= REFUSED for one in granted):
            self._say(f"mqtt: the broker lets nobody of this name listen to {', '.join(stops)}: no STOP comes that way")
        await client.subscribe([(topic, 1) for topic in self._topics.refused()])


def _code(granted: Any) -> int:
    """Return a subscription's answer as a number, in whichever form the library has it."""
    return int(getattr(granted, "value", granted))


def _straight_to(orders: Orders) -> type[asyncio.Queue[aiomqtt.Message]]:
    """Return a queue that keeps nothing: every message is taken where it is read from the socket."""

    class Straight(asyncio.Queue[aiomqtt.Message]):
        def put_nowait(self, item: aiomqtt.Message) -> None:
            payload = item.payload if isinstance(item.payload, bytes) else b""
            orders.take(item.topic.value, payload, retained=item.retain)

    return Straight


async def _until_lost(client: aiomqtt.Client) -> None:
    """Wait for the connection's end, which comes as MqttError; nothing else ever comes here."""
    async for _ in client.messages:
        pass
