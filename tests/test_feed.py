"""The live feed: who reads late loses samples and is told so, and the worker never waits."""

import asyncio
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from benchwarden.daemon.serving.feed import LONGEST, READERS, Feed, Reader


async def until(what: Callable[[], bool]) -> None:
    async with asyncio.timeout(60.0):
        while not what():  # noqa: ASYNC110  nobody tells
            await asyncio.sleep(0)


async def lines_of(path: Path, count: int) -> list[dict[str, Any]]:
    reader, writer = await asyncio.open_unix_connection(str(path))
    try:
        async with asyncio.timeout(60.0):
            return [json.loads(await reader.readline()) for _ in range(count)]
    finally:
        writer.close()
        await writer.wait_closed()


def test_a_slow_reader_loses_its_oldest_samples_and_no_event() -> None:
    reader = Reader(longest=4)
    for number in range(3):
        reader.put(f"sample {number}\n".encode(), sample=True)
    for number in range(3):
        reader.put(f"event {number}\n".encode(), sample=False)
    assert reader.take().decode().splitlines() == [
        '{"kind":"dropped","count":2}',
        "sample 2",
        "event 0",
        "event 1",
        "event 2",
    ]
    assert reader.take() == b""


def test_without_samples_the_oldest_goes() -> None:
    reader = Reader(longest=2)
    for number in range(3):
        reader.put(f"event {number}\n".encode(), sample=False)
    assert reader.take().decode().splitlines()[1:] == ["event 1", "event 2"]


def test_a_reader_is_greeted_and_then_told(tmp_path: Path) -> None:
    async def work() -> None:
        path = tmp_path / "feed.sock"
        async with Feed(path, lambda: [{"kind": "state", "bay": "left"}]) as feed:
            assert path.stat().st_mode & 0o777 == 0o600
            assert not feed.heard
            feed.tell({"kind": "sample", "seq": 1})  # nobody reads it
            reading = asyncio.create_task(lines_of(path, 3))
            await until(lambda: feed.heard)
            feed.tell({"kind": "sample", "seq": 2})
            feed.tell({"kind": "event", "seq": 1})
            said = await reading
            assert [one["kind"] for one in said] == ["state", "sample", "event"]
            assert said[1]["seq"] == 2
        assert not path.exists()

    asyncio.run(work())


def test_a_frozen_reader_holds_nobody_up_and_keeps_nothing_without_end(tmp_path: Path) -> None:
    async def work() -> None:
        path = tmp_path / "feed.sock"
        async with Feed(path, list) as feed:
            frozen, writer = await asyncio.open_unix_connection(str(path), limit=1)
            await until(lambda: feed.heard)
            frozen._transport.pause_reading()  # type: ignore[attr-defined]
            text = "x" * 500
            for number in range(5 * LONGEST):
                feed.tell({"kind": "sample", "seq": number, "text": text})
                if number % 100 == 0:
                    await asyncio.sleep(0)
            [reader] = feed._readers
            assert len(reader._lines) <= LONGEST
            assert reader.dropped > 0
            writer.close()

    asyncio.run(work())


def test_more_readers_than_are_served_are_told_so(tmp_path: Path) -> None:
    async def work() -> None:
        path = tmp_path / "feed.sock"
        async with Feed(path, list) as feed:
            held = [await asyncio.open_unix_connection(str(path)) for _ in range(READERS)]
            await until(lambda: len(feed._readers) == READERS)
            [refused] = await lines_of(path, 1)
            assert refused == {"kind": "error", "error": f"{READERS} readers are served at once"}
            for _, writer in held:
                writer.close()

    asyncio.run(work())


def test_a_value_that_json_does_not_know_is_refused(tmp_path: Path) -> None:
    async def work() -> None:
        path = tmp_path / "feed.sock"
        async with Feed(path, list) as feed:
            _, writer = await asyncio.open_unix_connection(str(path))
            await until(lambda: feed.heard)
            with pytest.raises(ValueError, match="not JSON compliant"):
                feed.tell({"kind": "sample", "voltage_v": float("nan")})
            writer.close()

    asyncio.run(work())
