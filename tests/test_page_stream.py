"""Fault 59, a frozen or hostile browser: it loses samples, then its connection, and holds nobody up."""

import asyncio
import json
import socket
from pathlib import Path
from typing import Any

import pytest

from benchwarden.daemon.front import page_stream
from benchwarden.daemon.front.page_stream import CLIENTS, Backlog
from tests.page_bench import PageBench, page_on, run, until


def test_a_backlog_drops_samples_and_says_that_there_is_a_gap() -> None:
    async def work() -> None:
        backlog = Backlog(longest=4)
        backlog.put({"kind": "state", "number": 0})
        for number in range(6):
            backlog.put({"kind": "sample", "seq": number})
        backlog.put({"kind": "event", "number": 1})
        found = backlog.take()
        assert found[0] == {"kind": "gap"}
        assert [one["kind"] for one in found].count("state") == 1
        assert found[-1] == {"kind": "event", "number": 1}
        assert len(found) <= 5
        backlog.put({"kind": "sample", "seq": 9})
        assert backlog.take() == [{"kind": "sample", "seq": 9}]

    run(work())


def test_without_samples_the_oldest_goes() -> None:
    async def work() -> None:
        backlog = Backlog(longest=3)
        for number in range(10):
            backlog.put({"kind": "event", "number": number})
        assert [one.get("number") for one in backlog.take()] == [None, 7, 8, 9]

    run(work())


def frozen(port: int) -> socket.socket:
    """A browser that asks for the stream and never reads."""
    client = socket.socket()
    client.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 2048)
    client.connect(("127.0.0.1", port))
    client.sendall(f"GET /api/stream HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\n\r\n".encode())
    return client


def listening(page: PageBench) -> "asyncio.Task[list[dict[str, Any]]]":
    """Start a page that reads what comes until it was told of an event."""

    async def read() -> list[dict[str, Any]]:
        found: list[dict[str, Any]] = []
        async with page.client.stream("GET", "/api/stream") as answer:
            async for line in answer.aiter_lines():
                if line.startswith("data: "):
                    found.append(json.loads(line.removeprefix("data: ")))
                    if found[-1]["kind"] == "event":
                        return found
        return found

    return asyncio.create_task(read())


def test_a_frozen_browser_is_let_go_and_others_miss_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(page_stream, "SEND_S", 3.0)

    async def work() -> None:
        async with page_on(tmp_path) as page:
            await until(lambda: page.feed.heard)
            stuck = frozen(page.port)
            reading = listening(page)
            await until(lambda: page.sockets.did("status"))
            text, sent = "x" * 2000, 0
            while (await page.get("/api/status")).json()["pages"] > 1:  # what it does not read fills the kernel first
                for _ in range(100):
                    page.feed.tell({"kind": "sample", "bay": "left", "run": "a/b", "seq": sent, "text": text})
                    sent += 1
                    await asyncio.sleep(0.001)
                assert sent < 20000, "a page that reads nothing still has its connection"
            page.feed.tell({"kind": "event", "bay": "left", "run": "a/b", "seq": 1})
            found = await reading
            seqs = [one["seq"] for one in found if one["kind"] == "sample"]
            assert seqs == list(range(seqs[0], sent))
            assert not [one for one in found if one["kind"] in ("gap", "dropped")]
            stuck.close()

    run(work())


def test_more_pages_than_are_served_are_told_so_and_stop_still_works(tmp_path: Path) -> None:
    async def work() -> None:
        async with page_on(tmp_path) as page:
            stuck = [frozen(page.port) for _ in range(200)]

            async def pages() -> int:
                return int((await page.get("/api/status")).json()["pages"])

            while await pages() < CLIENTS:  # noqa: ASYNC110  nobody tells
                await asyncio.sleep(0.02)
            assert (await page.get("/api/stream")).status_code == 503
            assert (await page.post("/api/stop", {})).json()["off"] is True
            for client in stuck:
                client.close()
            while await pages():  # noqa: ASYNC110
                await asyncio.sleep(0.02)

    run(work())


def test_nobody_is_asked_while_no_page_is_open(tmp_path: Path) -> None:
    async def work() -> None:
        async with page_on(tmp_path) as page:
            await page.get("/api/status")
            assert not page.sockets.asked

    run(work())


def test_a_worker_that_is_silent_ages(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Fault 60, a page that looks alive: the server goes on telling how long the worker has said nothing."""
    monkeypatch.setattr(page_stream, "LOOK_S", 0.05)
    monkeypatch.setattr(page_stream, "BEAT_S", 0.05)

    async def work() -> None:
        async with page_on(tmp_path) as page:
            await until(lambda: page.feed.heard)
            async with page.client.stream("GET", "/api/stream") as answer:
                (tmp_path / "state" / "worker.sock").unlink()  # from here on nobody answers there
                async for line in answer.aiter_lines():
                    if line.startswith("data: "):
                        age = json.loads(line.removeprefix("data: "))["worker_age_s"]
                        if age is not None and age > 0.4:
                            break

    run(work())
