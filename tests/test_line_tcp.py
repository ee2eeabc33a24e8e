import asyncio
import contextlib
import socket
from collections.abc import Callable, Iterator

import pytest

from benchwarden.drivers.address import AddressError, open_line, parse_address
from benchwarden.drivers.line import LineDead, LineSilent
from benchwarden.drivers.memory import MemoryLine
from benchwarden.drivers.serial_port import SerialLine
from benchwarden.drivers.tcp import TcpLine
from benchwarden.drivers.visa import VisaLine
from tests.scripted_instrument import Server, Talk, serving

pytestmark = pytest.mark.asyncio


def answers(table: dict[str, bytes | Callable[[Talk], None]]) -> Callable[[str, Talk], bytes | None]:
    def answer(text: str, talk: Talk) -> bytes | None:
        found = table.get(text)
        if found is None or isinstance(found, bytes):
            return found
        found(talk)
        return None

    return answer


async def line_to(server: Server) -> TcpLine:
    line = TcpLine("127.0.0.1", server.port)
    await line.open()
    return line


@pytest.mark.parametrize("end", [b"\n", b"\r\n"])
async def test_question_and_answer(end: bytes) -> None:
    async with serving(answers({"A?": b"1.5" + end, "B?": b"" + end})) as server:
        line = await line_to(server)
        assert await line.ask("A?", 1.0) == "1.5"
        await line.tell("C 1", 1.0)
        assert await line.ask("B?", 1.0) == ""
        await line.close()
        await line.close()
        async with asyncio.timeout(60.0):
            await server.all_left.wait()
        assert server.heard == ["A?", "C 1", "B?"]


async def test_a_reply_in_pieces_is_one_reply() -> None:
    def pieces(talk: Talk) -> None:
        talk.send(b"25.")
        asyncio.get_running_loop().call_later(0.02, talk.send, b"2004\n")

    async with serving(answers({"A?": pieces})) as server:
        line = await line_to(server)
        assert await line.ask("A?", 1.0) == "25.2004"
        await line.close()


async def test_silence_closes_the_way_for_the_late_reply() -> None:
    # A late reply must never answer the next question, nor half a line be taken for a whole one.
    def half(talk: Talk) -> None:
        talk.send(b"25.")
        asyncio.get_running_loop().call_later(0.1, talk.send, b"2004\n")

    async with serving(answers({"A?": half, "B?": b"7\n"})) as server:
        line = await line_to(server)
        with pytest.raises(LineSilent, match=r"'A\?' within 0.05 s, only b'25.'"):
            await line.ask("A?", 0.05)
        with pytest.raises(LineDead):
            await line.ask("B?", 1.0)
        await line.open()
        assert await line.ask("B?", 1.0) == "7"
        await line.close()
        assert "B?" in server.heard
        assert len(server.talks) == 2


async def test_a_word_out_of_turn_kills_the_line_before_the_next_question_is_sent() -> None:
    async with serving(answers({"A?": b"1\n"})) as server:
        line = await line_to(server)
        assert await line.ask("A?", 1.0) == "1"
        server.talks[0].send(b"late\n")
        await server.talks[0].writer.drain()
        with pytest.raises(LineDead, match="out of turn: b'late"):
            await line.ask("A?", 1.0)
        await line.close()
        assert server.heard == ["A?"]


async def test_two_lines_to_one_question_are_refused() -> None:
    async with serving(answers({"A?": b"1\n2\n"})) as server:
        line = await line_to(server)
        with pytest.raises(LineDead, match="more than one line"):
            await line.ask("A?", 1.0)
        await line.close()


@pytest.mark.parametrize("leave", [Talk.finish, Talk.reset])
async def test_the_end_of_the_line_is_known_at_once(leave: Callable[[Talk], None]) -> None:
    async with serving(answers({"A?": leave})) as server:
        line = await line_to(server)
        loop = asyncio.get_running_loop()
        start_s = loop.time()
        with pytest.raises(LineDead, match=r"closed the line|reset"):
            await line.ask("A?", 5.0)
        assert loop.time() - start_s < 1.0
        await line.close()


async def test_a_write_to_an_ended_line_fails() -> None:
    # The first write after the end "succeeds" for the system: an off command would be lost without an error.
    async with serving(answers({"A?": b"1\n"})) as server:
        line = await line_to(server)
        assert await line.ask("A?", 1.0) == "1"
        server.talks[0].finish()
        await server.talks[0].writer.wait_closed()
        with pytest.raises(LineDead, match="closed the line"):
            await line.tell("INP OFF", 1.0)
        await line.close()


async def test_nobody_listens() -> None:
    with socket.socket() as unused:
        unused.bind(("127.0.0.1", 0))
        line = TcpLine("127.0.0.1", unused.getsockname()[1])
        with pytest.raises(LineDead, match="refused"):
            await line.open()
        with pytest.raises(LineDead, match="not open"):
            await line.ask("A?", 1.0)
        await line.close()


async def test_a_name_with_two_addresses_is_reached_at_the_one_that_answers(monkeypatch: pytest.MonkeyPatch) -> None:
    async with serving(answers({"A?": b"1.5\n"})) as server:
        kind = (socket.AF_INET, socket.SOCK_STREAM, socket.IPPROTO_TCP, "")

        async def both(host: str, port: int, **_: object) -> list[tuple[object, ...]]:
            return [(*kind, (address, port)) for address in ("127.0.0.2", "127.0.0.1")]

        monkeypatch.setattr(asyncio.get_running_loop(), "getaddrinfo", both)
        line = TcpLine("load.example", server.port)
        await line.open()
        assert await line.ask("A?", 1.0) == "1.5"
        await line.close()


async def test_a_full_backlog_is_no_connection() -> None:
    with socket.socket() as listener:
        listener.bind(("127.0.0.1", 0))
        listener.listen(0)
        port = listener.getsockname()[1]
        crowd = []
        for _ in range(4):
            one = socket.socket()
            one.setblocking(False)
            one.connect_ex(("127.0.0.1", port))
            crowd.append(one)
        line = TcpLine("127.0.0.1", port, connect_s=0.1)
        with pytest.raises(LineDead, match=r"no connection within 0\.1 s"):
            await line.open()
        for one in crowd:
            one.close()


async def test_a_peer_that_never_reads_does_not_hold_the_caller() -> None:
    with socket.socket() as listener:
        listener.bind(("127.0.0.1", 0))
        listener.listen(1)
        line = TcpLine("127.0.0.1", listener.getsockname()[1])
        await line.open()
        with pytest.raises(LineSilent, match=r"within 0\.1 s"):
            await line.tell("X" * 20_000_000, 0.1)
        await line.close()


@pytest.mark.parametrize(("reply", "what"), [(b"25\xb0C\n", "not ASCII"), (b"x" * 70_000, "longer than 65536")])
async def test_replies_that_are_no_text(reply: bytes, what: str) -> None:
    async with serving(answers({"A?": reply})) as server:
        line = await line_to(server)
        with pytest.raises(LineDead, match=what):
            await line.ask("A?", 1.0)
        await line.close()


async def test_a_cancelled_exchange_poisons_the_line() -> None:
    async with serving(answers({"B?": b"2\n"})) as server:
        line = await line_to(server)
        with pytest.raises(TimeoutError):
            async with asyncio.timeout(0.05):
                await line.ask("A?", 5.0)
        with pytest.raises(LineDead, match="abandoned half-way"):
            await line.ask("B?", 1.0)
        await line.open()
        assert await line.ask("B?", 1.0) == "2"
        await line.close()


async def test_the_socket_gives_up_within_seconds() -> None:
    # Linux tcp(7): TCP_USER_TIMEOUT in ms, TCP_KEEPIDLE and TCP_KEEPINTVL in s.
    async with serving(answers({})) as server:
        line = await line_to(server)
        wire = line._socket
        assert wire is not None
        options = [
            (socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT, 3000),
            (socket.IPPROTO_TCP, socket.TCP_KEEPIDLE, 2),
            (socket.IPPROTO_TCP, socket.TCP_KEEPINTVL, 1),
            (socket.IPPROTO_TCP, socket.TCP_KEEPCNT, 3),
            (socket.IPPROTO_TCP, socket.TCP_NODELAY, 1),
            (socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1),
        ]
        for level, option, value in options:
            assert wire.getsockopt(level, option) == value
        await line.close()


@pytest.mark.parametrize("text", ["A?\nB?", "A\r", "25 °C?"])
async def test_only_one_line_of_ascii_is_sent(text: str) -> None:
    async with serving(answers({})) as server:
        line = await line_to(server)
        with pytest.raises(ValueError, match="one line of ASCII"):
            await line.ask(text, 1.0)
        await line.close()


@pytest.mark.parametrize(
    ("text", "kind", "host", "port", "path"),
    [
        # VPP-4.3 (VISA library specification), table of resource strings (from memory): a board number may be left out
        ("TCPIP::192.0.2.10::5025::SOCKET", "tcp", "192.0.2.10", 5025, ""),
        ("TCPIP0::load.example::5025::SOCKET", "tcp", "load.example", 5025, ""),
        ("tcpip::[2001:db8::1]::5025::socket", "tcp", "2001:db8::1", 5025, ""),
        ("ASRL/dev/ttyUSB0::INSTR", "serial", "", 0, "/dev/ttyUSB0"),
        ("TCPIP0::192.0.2.10::inst0::INSTR", "visa", "", 0, ""),
        ("TCPIP0::192.0.2.10::hislip0::INSTR", "visa", "", 0, ""),
        ("USB0::0x1234::0x5678::SN1::INSTR", "visa", "", 0, ""),
        ("GPIB0::5::INSTR", "visa", "", 0, ""),
        ("MEMORY::left/load", "memory", "", 0, "left/load"),
    ],
)
async def test_addresses(text: str, kind: str, host: str, port: int, path: str) -> None:
    found = parse_address(text)
    assert (found.kind, found.host, found.port, found.path) == (kind, host, port, path)


@pytest.mark.parametrize(
    "text", ["", "192.0.2.10", "TCPIP::192.0.2.10::0::SOCKET", "/dev/ttyUSB0", "TCPIP::a::70000::SOCKET"]
)
async def test_addresses_that_are_none(text: str) -> None:
    with pytest.raises(AddressError, match="address"):
        parse_address(text)


async def test_the_line_for_an_address() -> None:
    assert isinstance(open_line("TCPIP::192.0.2.10::5025::SOCKET"), TcpLine)
    assert isinstance(open_line("TCPIP::192.0.2.10::5025::SOCKET", via="visa"), VisaLine)
    assert isinstance(open_line("ASRL/dev/ttyUSB0::INSTR"), SerialLine)
    assert isinstance(open_line("USB0::1::2::3::INSTR"), VisaLine)
    assert isinstance(open_line("MEMORY::a", memory={"a": lambda _: None}), MemoryLine)
    with pytest.raises(AddressError, match="there is: a"):
        open_line("MEMORY::b", memory={"a": lambda _: None})
    with pytest.raises(AddressError, match="nothing of this name"):
        open_line("MEMORY::b")
    with pytest.raises(AddressError, match="right would be 'visa'"):
        open_line("ASRL/dev/ttyUSB0::INSTR", via="smoke signals")


async def test_the_line_in_memory_fails_like_a_wire() -> None:
    def handle(text: str) -> str | None:
        if text == "BOOM":
            raise ConnectionResetError("reset by the far end")
        return {"A?": "1", "NOISY": "unasked"}.get(text)

    line = MemoryLine(handle, "MEMORY::a")
    with pytest.raises(LineDead, match="not open"):
        await line.ask("A?", 1.0)
    await line.open()
    assert await line.ask("A?", 1.0) == "1"
    with pytest.raises(LineSilent, match="no reply"):
        await line.ask("NOTHING?", 0.01)
    with pytest.raises(LineDead):
        await line.ask("A?", 1.0)
    await line.open()
    await line.tell("NOISY", 1.0)
    with pytest.raises(LineDead, match="out of turn: 'unasked'"):
        await line.ask("A?", 1.0)
    await line.open()
    with pytest.raises(LineDead, match="reset by the far end"):
        await line.tell("BOOM", 1.0)
    await line.close()


async def test_a_loop_with_its_own_clock_is_told_of_an_answer_on_its_way(monkeypatch: pytest.MonkeyPatch) -> None:
    held = 0
    seen: list[int] = []

    @contextlib.contextmanager
    def away() -> Iterator[None]:
        nonlocal held
        held += 1
        try:
            yield
        finally:
            held -= 1

    def answer(text: str, talk: Talk) -> bytes | None:
        seen.append(held)
        return b"1\n"

    async with serving(answer) as server:
        monkeypatch.setattr(asyncio.get_running_loop(), "away", away, raising=False)
        line = await line_to(server)
        assert await line.ask("A?", 1.0) == "1"
        assert (seen, held) == ([1], 0)
        await line.close()
