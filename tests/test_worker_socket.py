"""The worker's socket: one line in, one line out, for one user; a client that misbehaves harms nobody."""

import asyncio
import json
import stat
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest

from benchwarden.daemon.serving.worker_socket import CLIENTS, LONGEST, READ_S, WorkerSocket
from tests.virtual_bench import on_virtual_time


async def echo(request: Mapping[str, Any]) -> Mapping[str, Any]:
    if "wait" in request:
        await asyncio.sleep(request["wait"])
    if "break" in request:
        raise RuntimeError("broken on purpose")
    return {"asked": dict(request)}


async def said(path: Path, data: bytes) -> bytes:
    reader, writer = await asyncio.open_unix_connection(str(path))
    try:
        writer.write(data)
        await writer.drain()
        return await reader.read()
    except ConnectionError:  # hung up on before all of it was sent
        return await reader.read()
    finally:
        writer.close()


@pytest.mark.parametrize(
    ("data", "answer"),
    [
        (b'{"do": "status"}\n', {"asked": {"do": "status"}}),
        (b"[1]\n", {"error": "found a list; a JSON object would be right"}),
        (b'{"break": 1}\n', {"error": "a fault of this program: RuntimeError('broken on purpose')"}),
    ],
)
def test_a_request_and_its_answer(tmp_path: Path, data: bytes, answer: dict[str, Any]) -> None:
    async def work() -> bytes:
        async with WorkerSocket(tmp_path / "w", echo):
            assert stat.S_IMODE((tmp_path / "w").stat().st_mode) == 0o600
            return await said(tmp_path / "w", data)

    assert json.loads(on_virtual_time(work())) == answer
    assert not (tmp_path / "w").exists()


@pytest.mark.parametrize("data", [b"no json\n", b"\xff\xff\n", b"x" * (LONGEST + 10) + b"\n"])
def test_nonsense_is_said_to_be_nonsense(tmp_path: Path, data: bytes) -> None:
    async def work() -> bytes:
        async with WorkerSocket(tmp_path / "w", echo):
            return await said(tmp_path / "w", data)

    assert "one line of JSON would be right" in json.loads(on_virtual_time(work()))["error"]


def test_a_silent_client_is_hung_up_on_and_delays_nobody(tmp_path: Path) -> None:
    async def work() -> bytes:
        async with WorkerSocket(tmp_path / "w", echo):
            silent_reader, silent = await asyncio.open_unix_connection(str(tmp_path / "w"))
            answer = await said(tmp_path / "w", b'{"n": 1}\n')
            assert await silent_reader.read() == b""
            silent.close()
            return answer

    assert json.loads(on_virtual_time(work())) == {"asked": {"n": 1}}


def test_silent_clients_make_room_for_one_who_asks(tmp_path: Path) -> None:
    """A STOP gets in at once, however many others hold the line."""

    async def work() -> tuple[bytes, float]:
        async with WorkerSocket(tmp_path / "w", echo):
            silent = [await asyncio.open_unix_connection(str(tmp_path / "w")) for _ in range(CLIENTS + 3)]
            began_s = asyncio.get_running_loop().time()
            answer = await said(tmp_path / "w", b'{"n": 1}\n')
            took_s = asyncio.get_running_loop().time() - began_s
            for _, writer in silent:
                writer.close()
            return answer, took_s

    answer, took_s = on_virtual_time(work())
    assert json.loads(answer) == {"asked": {"n": 1}}
    assert took_s < READ_S


def test_what_a_client_began_goes_on_when_it_leaves(tmp_path: Path) -> None:
    done: list[Mapping[str, Any]] = []

    async def handle(request: Mapping[str, Any]) -> Mapping[str, Any]:
        await asyncio.sleep(3.0)
        done.append(request)
        return {}

    async def work() -> None:
        async with WorkerSocket(tmp_path / "w", handle):
            _, writer = await asyncio.open_unix_connection(str(tmp_path / "w"))
            writer.write(b'{"do": "stop"}\n')
            await writer.drain()
            writer.close()
            await asyncio.sleep(10.0)

    on_virtual_time(work())
    assert done == [{"do": "stop"}]


def test_a_socket_left_by_a_dead_service_is_taken_over(tmp_path: Path) -> None:
    async def work() -> bytes:
        async with WorkerSocket(tmp_path / "w", echo):
            async with WorkerSocket(tmp_path / "w", echo):
                return await said(tmp_path / "w", b"{}\n")

    assert json.loads(on_virtual_time(work())) == {"asked": {}}
