"""The page as it is served, on a free port, with a real feed and a real record.

Only what answers at worker's and guardian's sockets is pretended: `Sockets` says what, and keeps what was asked.
"""

import asyncio
import json
import socket
from collections.abc import AsyncIterator, Coroutine, Mapping
from contextlib import asynccontextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import httpx

from benchwarden.daemon.bench import read_bench
from benchwarden.daemon.front.feed_reader import FeedReader
from benchwarden.daemon.front.page import serve_page
from benchwarden.daemon.serving.feed import Feed
from benchwarden.daemon.serving.messages import state_message
from benchwarden.daemon.serving.worker_socket import WorkerSocket
from tests.synthetic_run import discharge_run
from tests.test_bench import BENCH, SECOND

VIEW, OPERATE = "look-only-0123456789", "operator-0123456789"
RUN = "heron/2026-11-25T21-04-11Z_capacity"
OFF = {"confirmed": True, "current_a": {"load": 0.02}, "why": "", "utc": "", "words": "off confirmed (load 0.020 A)"}
LIST = {
    "format": 1,
    "bay": "left",
    "pack": "/nowhere/heron.toml",
    "pack_name": "Heron",
    "stand": "idle",
    "why": "",
    "heat": "no",
    "tests": [],
}
STATE = {"list": LIST, "now": None, "question": None, "off": OFF}


def run(work: Coroutine[Any, Any, None]) -> None:
    async def in_time() -> None:
        async with asyncio.timeout(60.0):
            await work

    asyncio.run(in_time())


@dataclass
class Sockets:
    """What worker and guardian were asked, and what they answer by what is to be done."""

    asked: list[tuple[str, Mapping[str, Any]]] = field(default_factory=list)
    worker: dict[str, Mapping[str, Any]] = field(
        default_factory=lambda: {
            "status": {"ok": True, "bays": {"left": STATE}},
            "stop": {"ok": True, "off": True, "by": "worker", "bays": {"left": OFF}},
        }
    )
    guardian: dict[str, Mapping[str, Any]] = field(
        default_factory=lambda: {"status": {"armed": {}}, "stop": {"off": True, "by": "worker"}}
    )
    slow: asyncio.Event | None = None

    def did(self, what: str) -> list[Mapping[str, Any]]:
        """Return the worker's requests of one kind."""
        return [request for who, request in self.asked if who == "worker" and request.get("do") == what]

    async def handle(self, who: str, request: Mapping[str, Any]) -> Mapping[str, Any]:
        self.asked.append((who, request))
        if request["do"] == "stop" and self.slow:
            await self.slow.wait()
        answers = self.worker if who == "worker" else self.guardian
        return answers.get(str(request["do"]), {"error": "not in this test"})


@dataclass
class PageBench:
    """A page that is being served."""

    folder: Path
    port: int
    sockets: Sockets
    feed: Feed
    client: httpx.AsyncClient

    def journal(self) -> list[dict[str, Any]]:
        path = self.folder / "state" / "control.jsonl"
        return [json.loads(line) for line in path.read_text().splitlines()] if path.exists() else []

    async def post(self, path: str, data: Any = None, token: str | None = None, **headers: str) -> httpx.Response:
        more = {"Authorization": f"Bearer {token}"} if token else {}
        named = {name.replace("_", "-"): value for name, value in headers.items()}
        return await self.client.post(path, json=data, headers={**more, **named})

    async def get(self, path: str, token: str | None = None, **headers: str) -> httpx.Response:
        more = {"Authorization": f"Bearer {token}"} if token else {}
        return await self.client.get(path, headers={**more, **headers})


@asynccontextmanager
async def page_on(folder: Path, *, tokens: bool = False, more: str = "") -> AsyncIterator[PageBench]:
    """Serve a page of a bench with the bays left and right, one finished run, and nothing running."""
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]
    text = f'{BENCH}[[bay]]{SECOND}[page]\nat = "127.0.0.1:{port}"\n{more}\n'
    if tokens:
        secret = folder / "page-tokens"
        secret.write_text(f"view = {VIEW}\noperate = {OPERATE}\n")
        secret.chmod(0o600)
        text += 'tokens_file = "page-tokens"\n'
    path, state = folder / "bench.toml", folder / "state"
    path.write_text(text)
    state.mkdir(exist_ok=True)
    discharge_run(every_s=10.0).finish(folder / "runs" / RUN)
    bench, sockets = read_bench(text, str(path)), Sockets()
    said = [state_message("boat shed", "left", 1795640651.0, STATE, None)]
    reader = FeedReader(state / "feed.sock")
    async with (
        WorkerSocket(state / "worker.sock", lambda request: sockets.handle("worker", request)),
        WorkerSocket(state / "guardian.sock", lambda request: sockets.handle("guardian", request)),
        Feed(state / "feed.sock", lambda: said) as feed,
        httpx.AsyncClient(base_url=f"http://127.0.0.1:{port}", trust_env=False, timeout=60.0) as client,
    ):
        tasks = [
            asyncio.create_task(reader.keep_reading()),
            asyncio.create_task(serve_page(bench, path, state, folder / "runs", reader)),
        ]
        try:
            await _served(client)
            yield PageBench(folder, port, sockets, feed, client)
        finally:
            for task in tasks:
                task.cancel()
            await asyncio.wait(tasks)


async def _served(client: httpx.AsyncClient) -> None:
    while True:
        with suppress(httpx.TransportError):
            await client.get("/")
            return
        await asyncio.sleep(0.02)


async def until(what: Any) -> Any:
    """Return the first true answer; the test's own time limit ends it."""
    while True:
        found = what()
        if found:
            return found
        await asyncio.sleep(0.01)
