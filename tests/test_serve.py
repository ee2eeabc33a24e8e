"""Simulated instruments on sockets and pseudo terminals, and the faults of their lines."""

import asyncio
import contextlib
import os
import tty
from collections.abc import AsyncIterator, Coroutine
from typing import Any, TypeVar

import pytest

from benchwarden.simulators.clock import VirtualLoop
from benchwarden.simulators.endpoint import Endpoint, Faults
from benchwarden.simulators.scenario import at_soc, heron, simple
from benchwarden.simulators.serve import LONGEST_MESSAGE, serve_pty, serve_tcp
from benchwarden.simulators.voltmeter import VoltmeterDevice

T = TypeVar("T")
IDENTITY = "BENCHWARDEN,SIM-METER,V-1,0.1"


def run(main: Coroutine[Any, Any, T]) -> T:
    with asyncio.Runner(loop_factory=VirtualLoop) as runner:
        return runner.run(main)


def endpoint() -> Endpoint:
    now = asyncio.get_running_loop().time
    bay = simple(at_soc(heron(), 0.5), start_s=now())
    return Endpoint(VoltmeterDevice(bay, serial="V-1", firmware="0.1", now=now))


class Client:
    """A plain socket client, as anybody could write it."""

    def __init__(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.reader = reader
        self.writer = writer

    def tell(self, text: str) -> None:
        self.writer.write(text.encode() + b"\n")

    async def hear(self, timeout_s: float = 0.5) -> str:
        async with asyncio.timeout(timeout_s):
            line = await self.reader.readline()
        if not line:
            raise ConnectionResetError("end of file")
        return line.decode()

    async def ask(self, text: str, timeout_s: float = 0.5) -> str:
        self.tell(text)
        return (await self.hear(timeout_s)).rstrip("\n")


@contextlib.asynccontextmanager
async def client(address: str) -> AsyncIterator[Client]:
    _, host, port, kind = address.split("::")
    assert kind == "SOCKET"
    reader, writer = await asyncio.open_connection(host, int(port))
    try:
        yield Client(reader, writer)
    finally:
        writer.close()
        with contextlib.suppress(ConnectionError):
            await writer.wait_closed()


def test_several_clients_and_messages_in_one_packet() -> None:
    async def main() -> None:
        async with serve_tcp(endpoint()) as address, client(address) as one, client(address) as two:
            assert await one.ask("*IDN?") == IDENTITY
            assert await two.ask("*IDN?") == IDENTITY
            one.tell("*ESE 4\r\n*ESE?\n*OPC?")
            assert [await one.hear(), await one.hear()] == ["4\n", "1\n"]
            two.writer.write(b"*ID")
            await asyncio.sleep(0.1)
            assert await two.ask("N?") == IDENTITY

    run(main())


def test_a_thousand_exchanges_have_no_spurious_timeout() -> None:
    async def main() -> int:
        async with serve_tcp(endpoint()) as address, client(address) as one:
            good = 0
            for _ in range(1000):
                good += float(await one.ask("MEAS:VOLT?")) > 20.0
                await asyncio.sleep(1.0)
            return good

    assert run(main()) == 1000


def test_a_held_reply_comes_late_and_in_order() -> None:
    async def main() -> None:
        meter = endpoint()
        async with serve_tcp(meter) as address, client(address) as one:
            meter.faults.hold_reply_s, meter.faults.holds = 0.75, 1
            with pytest.raises(TimeoutError):
                await one.ask("*IDN?")
            # The next reply does not overtake: the client that asks again hears the old answer first.
            assert await one.ask("*OPC?") == IDENTITY
            assert await one.hear() == "1\n"
            assert await one.ask("*OPC?") == "1"

    run(main())


def test_mute_deaf_garbage_and_frozen() -> None:
    async def main() -> None:
        meter = endpoint()
        async with serve_tcp(meter) as address, client(address) as one:
            meter.faults.mute = True
            with pytest.raises(TimeoutError):
                await one.ask("*ESE 8;*ESE?")
            meter.faults = Faults(deaf=True)
            with pytest.raises(TimeoutError):
                await one.ask("*ESE 16;*ESE?")
            meter.faults = Faults(garbage="\x00?!")
            assert await one.ask("*ESE?") == "\x00?!"
            meter.faults = Faults(frozen=True)
            assert await one.ask("*ESE?") == "8"  # executed while mute, not while deaf
            one.tell("*ESE 32")
            assert await one.ask("*ESE?") == "8"
            meter.faults = Faults()
            assert await one.ask("*ESE?") == "32"
            assert [text for _, text in meter.log][:2] == ["*ESE 8;*ESE?", "*ESE 16;*ESE?"]

    run(main())


def test_a_cut_connection_is_seen_at_once_and_can_be_made_again() -> None:
    async def main() -> None:
        meter = endpoint()
        async with serve_tcp(meter) as address:
            async with client(address) as one:
                meter.faults.drop_connection = True
                with pytest.raises(ConnectionResetError):
                    await one.ask("*IDN?")
            async with client(address) as two:
                assert await two.ask("*IDN?") == IDENTITY

    run(main())


def test_a_single_session_serves_the_next_when_the_first_has_gone() -> None:
    async def main() -> None:
        async with serve_tcp(endpoint(), single_session=True) as address:
            async with client(address) as one, client(address) as two:
                assert await one.ask("*OPC?") == "1"
                with pytest.raises(TimeoutError):
                    await two.ask("*IDN?", timeout_s=2.0)
                one.writer.close()
                await one.writer.wait_closed()
                assert await two.hear() == IDENTITY + "\n"

    run(main())


def test_an_endless_message_is_given_up() -> None:
    async def main() -> str:
        async with serve_tcp(endpoint()) as address, client(address) as one:
            one.writer.write(b"A" * (LONGEST_MESSAGE + 1))
            await one.writer.drain()
            await asyncio.sleep(1.0)
            one.tell("")
            return await one.ask("SYST:ERR?")

    assert run(main()).startswith("-363,")  # SCPI-1999 21.8.11: input buffer overrun


def test_stopping_cuts_the_clients() -> None:
    async def main() -> None:
        serving = serve_tcp(endpoint())
        address = await serving.__aenter__()
        async with client(address) as one:
            assert await one.ask("*OPC?") == "1"
            await serving.__aexit__(None, None, None)
            with pytest.raises(ConnectionError):
                await one.hear()
        with pytest.raises(OSError):
            async with client(address):
                pass

    run(main())


class Port:
    """The client's end of a pseudo terminal; it tells the loop when an answer is on its way."""

    def __init__(self, address: str) -> None:
        path = address.removeprefix("ASRL").removesuffix("::INSTR")
        self.descriptor = os.open(path, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
        tty.setraw(self.descriptor)
        self.heard: asyncio.Queue[bytes] = asyncio.Queue()
        loop = asyncio.get_running_loop()
        assert isinstance(loop, VirtualLoop)
        self.loop = loop
        loop.add_reader(self.descriptor, self._read)

    def _read(self) -> None:
        data = b""
        with contextlib.suppress(OSError):
            data = os.read(self.descriptor, 4096)
        if not data:
            self.loop.remove_reader(self.descriptor)
        self.heard.put_nowait(data or b"unplugged\n")

    async def ask(self, text: str) -> str:
        with self.loop.away():
            os.write(self.descriptor, text.encode() + b"\n")
            answer = b""
            async with asyncio.timeout(0.5):
                while not answer.endswith(b"\n"):
                    answer += await self.heard.get()
        return answer.decode().rstrip("\n")

    def close(self) -> None:
        self.loop.remove_reader(self.descriptor)
        os.close(self.descriptor)


def test_a_pseudo_terminal_serves_one_client_after_another() -> None:
    async def main() -> int:
        async with serve_pty(endpoint()) as address:
            good = 0
            for _ in range(2):
                port = Port(address)
                for _ in range(500):
                    good += await port.ask("*IDN?") == IDENTITY
                    await asyncio.sleep(1.0)
                port.close()
            return good

    assert run(main()) == 1000


def test_a_pseudo_terminal_can_be_unplugged() -> None:
    async def main() -> str:
        meter = endpoint()
        async with serve_pty(meter) as address:
            port = Port(address)
            assert await port.ask("*OPC?") == "1"
            meter.faults.drop_connection = True
            answer = await port.ask("*IDN?")
            port.close()
            return answer

    assert run(main()) == "unplugged"


def test_an_endpoint_in_memory_has_the_same_faults() -> None:
    async def main() -> None:
        meter = endpoint()
        assert meter.handle("*OPC?") == "1"
        assert meter.handle("*OPC") is None
        meter.faults.drop_connection = True
        with pytest.raises(ConnectionResetError):
            meter.handle("*OPC?")
        assert meter.handle("*OPC?") == "1"

    run(main())
