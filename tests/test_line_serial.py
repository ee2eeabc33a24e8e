import asyncio
import os
import tty
from collections.abc import AsyncIterator, Iterator
from contextlib import contextmanager

import pytest
import pytest_asyncio
import serial

from benchwarden.drivers.line import LineDead, LineSilent
from benchwarden.drivers.serial_port import SerialLine

pytestmark = pytest.mark.asyncio


class Box:
    """The far end of a pseudo terminal pair: answers whole lines from a table."""

    def __init__(self) -> None:
        self.master, slave = os.openpty()
        tty.setraw(self.master)
        self.path = os.ttyname(slave)
        os.close(slave)
        os.set_blocking(self.master, False)
        self.table: dict[str, bytes] = {}
        self.heard: list[str] = []
        self.reading = False
        self._buffer = b""

    def listen(self) -> None:
        asyncio.get_running_loop().add_reader(self.master, self._readable)
        self.reading = True

    def _readable(self) -> None:
        try:
            self._buffer += os.read(self.master, 65536)
        except OSError:  # nobody has the port open at the moment
            return
        *lines, self._buffer = self._buffer.split(b"\n")
        for line in lines:
            text = line.decode("ascii").rstrip("\r")
            self.heard.append(text)
            if text in self.table:
                os.write(self.master, self.table[text])

    def unplug(self) -> None:
        if self.master >= 0:
            if self.reading:
                asyncio.get_running_loop().remove_reader(self.master)
            os.close(self.master)
            self.master = -1


@pytest_asyncio.fixture
async def box() -> AsyncIterator[Box]:
    found = Box()
    yield found
    found.unplug()


async def opened(box: Box, **options: str) -> SerialLine:
    line = SerialLine(box.path, **options)  # type: ignore[arg-type]
    await line.open()
    box.listen()
    return line


async def test_question_and_answer(box: Box) -> None:
    box.table = {"A?": b"1.5\r\n", "B?": b",".join(b"3.7000" for _ in range(200)) + b"\n"}
    line = await opened(box)
    assert await line.ask("A?", 1.0) == "1.5"
    await line.tell("C 1", 1.0)
    assert (await line.ask("B?", 1.0)).count(",") == 199
    assert box.heard == ["A?", "C 1", "B?"]
    await line.close()
    await line.close()


async def test_a_carriage_return_may_end_the_lines(box: Box) -> None:
    line = await opened(box, terminator="\r")
    asking = asyncio.ensure_future(line.ask("A?", 1.0))
    await asyncio.sleep(0)
    os.write(box.master, b"2.5\r")
    assert await asking == "2.5"
    await line.close()


async def test_silence_and_a_late_reply(box: Box) -> None:
    box.table = {"A?": b"25.", "B?": b"7\n"}
    line = await opened(box)
    with pytest.raises(LineSilent, match=r"only b'25\.'"):
        await line.ask("A?", 0.05)
    os.write(box.master, b"2004\n")
    await line.open()  # opening drops what came late
    assert await line.ask("B?", 1.0) == "7"
    await line.close()


async def test_unplugged_while_waiting_and_while_idle(box: Box) -> None:
    line = await opened(box)
    asyncio.get_running_loop().call_later(0.02, box.unplug)
    start_s = asyncio.get_running_loop().time()
    with pytest.raises(LineDead, match=r"read failed|closed the line"):
        await line.ask("A?", 5.0)
    assert asyncio.get_running_loop().time() - start_s < 1.0
    with pytest.raises(LineDead):
        await line.tell("INP OFF", 1.0)
    await line.close()
    with pytest.raises(LineDead, match="cannot be opened"):
        await line.open()


async def test_a_port_that_takes_nothing_is_not_waited_for(box: Box) -> None:
    line = SerialLine(box.path)
    await line.open()  # nobody reads the other end
    with pytest.raises(LineSilent, match=r"within 0\.1 s"):
        await line.tell("X" * 100_000, 0.1)
    await line.close()


@contextmanager
def held(path: str) -> Iterator[None]:
    port = serial.Serial(path, exclusive=True)
    try:
        yield
    finally:
        port.close()


async def test_the_port_is_ours_alone(box: Box) -> None:
    with held(box.path):
        with pytest.raises(LineDead, match="cannot be opened"):
            await SerialLine(box.path).open()
    line = await opened(box)
    # package pyserial as the second witness: its advisory lock meets ours
    with pytest.raises(serial.SerialException):
        serial.Serial(box.path, exclusive=True)
    await line.close()
    with held(box.path):
        pass


async def test_no_such_port() -> None:
    with pytest.raises(LineDead, match="No such file"):
        await SerialLine("/dev/serial/by-id/none").open()


async def test_cancelled_half_way(box: Box) -> None:
    box.table = {"B?": b"2\n"}
    line = await opened(box)
    waiting = asyncio.ensure_future(line.ask("A?", 5.0))
    await asyncio.sleep(0.01)
    waiting.cancel()
    with pytest.raises(asyncio.CancelledError):
        await waiting
    with pytest.raises(LineDead, match="abandoned half-way"):
        await line.ask("B?", 1.0)
    await line.close()
