"""What happens, to every open page: server-sent events (WHATWG HTML, 9.2), and a sign of life every 2 s.

A page that does not read loses samples, then its connection; it holds up neither the others nor this process. A page
that comes back is told what is now, and takes what it missed from the record.
"""

import asyncio
import json
from collections import deque
from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from pathlib import Path
from typing import Any

from starlette.types import Receive, Send

from benchwarden.daemon import clock
from benchwarden.daemon.front.feed_reader import FeedReader
from benchwarden.daemon.guard.state_folder import GUARDIAN_SOCKET, WORKER_SOCKET
from benchwarden.daemon.serving import asking
from benchwarden.daemon.serving.messages import utc_ms

CLIENTS = 32
BEAT_S = 2.0
SEND_S = 5.0
LOOK_S, LOOK_AT_MOST_S = 1.0, 2.0
# Per page; at 10 samples a second from three bays, seven seconds.
LONGEST = 200
HEADERS = [
    (b"content-type", b"text/event-stream; charset=utf-8"),
    (b"cache-control", b"no-store"),
    (b"x-accel-buffering", b"no"),  # a reverse proxy would else keep events until it has enough of them
]


class Backlog:
    """What one page has still to get: when it is too much, its samples go and it is told that there is a gap."""

    def __init__(self, longest: int = LONGEST) -> None:
        self._longest = longest
        self._messages: deque[Mapping[str, Any]] = deque()
        self.awake = asyncio.Event()
        self.gap = False

    def put(self, message: Mapping[str, Any]) -> None:
        """Keep one message."""
        if len(self._messages) >= self._longest:
            self.gap = True
            self._messages = deque(one for one in self._messages if one.get("kind") != "sample")
            if len(self._messages) >= self._longest:
                self._messages.popleft()
        self._messages.append(message)
        self.awake.set()

    def take(self) -> list[Mapping[str, Any]]:
        """Return what waits, after a mark if something before it is missing."""
        found: list[Mapping[str, Any]] = [{"kind": "gap"}] if self.gap else []
        found += self._messages
        self._messages.clear()
        self.gap = False
        self.awake.clear()
        return found


class Hub:
    """Hands the feed to every open page; while one is open, asks worker and guardian whether they are there."""

    def __init__(self, reader: FeedReader, bench: str, bays: list[str], state: Path) -> None:
        self._reader, self._bench, self._bays, self._state = reader, bench, bays, state
        self._clients: set[Backlog] = set()
        self._heard_s: float | None = None
        self._guardian: Mapping[str, Any] = {}
        self._wanted = asyncio.Event()
        self._asking = ThreadPoolExecutor(2, thread_name_prefix="look")
        self.closing = False
        self.changed = 0  # counts what may have changed the morning's report
        reader.listeners.append(self.take)

    @property
    def clients(self) -> int:
        """How many pages are open."""
        return len(self._clients)

    def take(self, message: Mapping[str, Any]) -> None:
        """Pass one message of the feed on."""
        if message["kind"] != "lost":
            self._heard_s = asyncio.get_running_loop().time()
        if message["kind"] in ("state", "result", "found"):
            self.changed += 1
        for client in self._clients:
            client.put(message)

    def alive(self) -> dict[str, Any]:
        """Return how long ago the worker last said anything (s, None: never), and whether the guardian is there."""
        now_s = asyncio.get_running_loop().time()
        return {
            "utc": utc_ms(clock.unix_s()),
            "worker_age_s": None if self._heard_s is None else round(now_s - self._heard_s, 2),
            "connected": self._reader.connected,
            "guardian": self._guardian,
        }

    def now(self) -> dict[str, Any]:
        """Return all that is known now: of every bay its newest state and sample."""
        return {
            "bench": self._bench,
            "bays": {
                name: {"state": self._reader.states.get(name), "sample": self._reader.samples.get(name)}
                for name in self._bays
            },
            "pages": self.clients,
            **self.alive(),
        }

    def runs(self) -> dict[str, str | None]:
        """Return the run that each bay was last heard to have, None where none is known."""
        return {name: (self._reader.states.get(name) or {}).get("run") for name in self._bays}

    async def keep_looking(self) -> None:
        """Ask worker and guardian for ever, once a second while a page is open."""
        loop = asyncio.get_running_loop()
        while True:
            await self._wanted.wait()
            worker, guardian = await asyncio.gather(
                *(
                    loop.run_in_executor(self._asking, _asked, self._state / name)
                    for name in (WORKER_SOCKET, GUARDIAN_SOCKET)
                )
            )
            if worker is not None:
                self._heard_s = loop.time()
            outcomes = (guardian or {}).get("outcomes")  # what it answers once it has taken over
            self._guardian = {"there": guardian is not None, "took_over": outcomes}
            for client in self._clients:
                client.put({"kind": "beat", **self.alive()})
            await asyncio.sleep(LOOK_S)

    def close(self) -> None:
        """Let every open page go."""
        self.closing = True
        for client in self._clients:
            client.awake.set()
        self._asking.shutdown(wait=False, cancel_futures=True)

    async def serve(self, receive: Receive, send: Send, hello: Mapping[str, Any]) -> None:
        """Serve one page until it goes, does not read for `SEND_S`, or this process ends."""
        client = Backlog()
        self._clients.add(client)
        self._wanted.set()
        gone = asyncio.ensure_future(_gone(receive))
        try:
            await _sent(send, {"type": "http.response.start", "status": 200, "headers": HEADERS})
            await _said(send, [{"kind": "now", **self.now(), **hello}])
            beat_s = asyncio.get_running_loop().time()
            while not (gone.done() or self.closing):
                left_s = beat_s + BEAT_S - asyncio.get_running_loop().time()
                if left_s > 0:
                    with suppress(TimeoutError):
                        async with asyncio.timeout(left_s):
                            await client.awake.wait()
                    await _said(send, client.take())
                else:
                    beat_s = asyncio.get_running_loop().time()
                    await _said(send, [{"kind": "beat", **self.alive()}])
            await _sent(send, {"type": "http.response.body", "body": b"", "more_body": False})
        except (TimeoutError, OSError):
            pass  # it does not read; the listening socket's TCP_USER_TIMEOUT ends what is left of it
        finally:
            gone.cancel()
            self._clients.discard(client)
            if not self._clients:
                self._wanted.clear()


def _asked(path: Path) -> dict[str, Any] | None:
    try:
        return asking.ask(path, {"do": "status"}, LOOK_AT_MOST_S)
    except asking.NoAnswer:
        return None


async def _gone(receive: Receive) -> None:
    while (await receive())["type"] != "http.disconnect":
        pass


async def _said(send: Send, messages: list[Mapping[str, Any]]) -> None:
    if messages:
        text = "".join(f"data: {json.dumps(one, separators=(',', ':'))}\n\n" for one in messages)
        await _sent(send, {"type": "http.response.body", "body": text.encode(), "more_body": True})


async def _sent(send: Send, message: dict[str, Any]) -> None:
    async with asyncio.timeout(SEND_S):
        await send(message)
