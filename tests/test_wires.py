"""Faults on the wire, through a proxy on real sockets: real lines and instruments, and the guardian's raw wire.

The numbers are those of the catalogue of faults. Short real timeouts; nothing here asserts that anything is fast,
only that it ends by itself.
"""

import asyncio
import os
import random
import signal
import socket
import threading
import time
from collections.abc import AsyncIterator, Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
import pytest_asyncio
import pyvisa

from benchwarden.daemon import guardian
from benchwarden.daemon.guard import raw_wire
from benchwarden.drivers.errors import IdentityChanged, InstrumentDead, InstrumentError, InstrumentSilent
from benchwarden.drivers.instrument import Instrument
from benchwarden.drivers.line import Line, LineDead, LineError, LineSilent
from benchwarden.drivers.tcp import TcpLine
from benchwarden.drivers.visa import GRACE_S, VisaLine
from tests.proxy import Faults, Proxy, before
from tests.scripted_instrument import Server, Talk, serving
from tests.shed import wait_for
from tests.switch import Switch
from tests.test_guardian import Guarded, entry

pytestmark = pytest.mark.realtime

TIMEOUT_S = 0.1
LATE_S = 1.5 * TIMEOUT_S
PATIENT_S = 5.0
"""Where an answer is expected: a loaded machine may take its time."""


def answer(text: str, talk: Talk) -> bytes | None:
    """Answer each question with its own words, so that a reply to another question would stand out."""
    if text == "*IDN?":
        return b"SHED,BOX,7,1.0\n"
    if "ERR" in text:
        return b'0,"No error"\n'
    return text.rstrip("?").encode("ascii") + b"\n" if text.endswith("?") else None


@pytest_asyncio.fixture
async def server() -> AsyncIterator[Server]:
    async with serving(answer) as found:
        yield found


@pytest_asyncio.fixture
async def proxy(server: Server) -> AsyncIterator[Proxy]:
    with before(server.port) as found:
        yield found


def our_line(proxy: Proxy) -> Line:
    return TcpLine("127.0.0.1", proxy.port)


def visa_line(proxy: Proxy) -> Line:
    return VisaLine(proxy.address)


def visa_threads(proxy: Proxy) -> list[str]:
    return [thread.name for thread in threading.enumerate() if thread.name == f"visa {proxy.address}"]


BOTH_LINES = pytest.mark.parametrize("make_line", [our_line, visa_line], ids=["socket", "visa"])


def instrument(line: Line) -> Instrument:
    return Instrument(line, who="left load", address="the proxy", timeout_s=PATIENT_S)


@pytest.fixture
def never_called(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Keep the names of calls that a VISA line must never make: `clear` after an end never returns (faults 6, 18)."""
    called: list[str] = []
    for owner, name in (
        (pyvisa.resources.MessageBasedResource, "clear"),
        (pyvisa.resources.MessageBasedResource, "flush"),
        (pyvisa.ResourceManager, "list_resources"),
    ):
        monkeypatch.setattr(owner, name, lambda *_, name=name, **__: called.append(name))
    return called


# Fault 12: whatever the wire does, one of three things comes of it: the value, silence, a dead line.

SILENT, DEAD = InstrumentSilent, InstrumentDead


def late(proxy: Proxy) -> None:
    proxy.faults.delay_s = LATE_S


def slices_in_time(proxy: Proxy) -> None:
    proxy.faults.cut_at, proxy.faults.gap_s = 1, TIMEOUT_S / 10


def slices_around_the_timeout(proxy: Proxy) -> None:
    proxy.faults.cut_at, proxy.faults.gap_s = 1, LATE_S


def orders_lost(proxy: Proxy) -> None:
    proxy.faults.swallow_orders = True


def replies_lost(proxy: Proxy) -> None:
    proxy.faults.swallow_replies = True


def held(proxy: Proxy) -> None:
    proxy.faults.hold = True


def half_open(proxy: Proxy) -> None:
    proxy.faults.answerless = proxy.faults.swallow_orders = True


def refused(proxy: Proxy) -> None:
    proxy.refuse()
    proxy.reset()


def accepted_but_never_answered(proxy: Proxy) -> None:
    proxy.faults.answerless = True
    proxy.finish()


VALUE = "value"
# What comes of the first question, on the connection that there was, and of the second, on a new one.
ZOO: dict[str, tuple[Callable[[Proxy], None], object, object]] = {
    "late (1)": (late, SILENT, SILENT),
    "slices in time (2)": (slices_in_time, VALUE, VALUE),
    "slices around the timeout (2)": (slices_around_the_timeout, SILENT, SILENT),
    "refused (4)": (refused, DEAD, DEAD),
    "FIN (5)": (Proxy.finish, DEAD, VALUE),
    "RST (5)": (Proxy.reset, DEAD, VALUE),
    "half-open (7)": (half_open, SILENT, SILENT),
    "orders lost (7)": (orders_lost, SILENT, SILENT),
    "replies lost (7)": (replies_lost, SILENT, SILENT),
    "held (9)": (held, SILENT, SILENT),
    "accepted, never answered (15)": (accepted_but_never_answered, DEAD, SILENT),
}


# What differs in PyVISA-py is how a connection ends; how bytes get lost, it cannot tell.
BY_VISA_TOO = (late, slices_around_the_timeout, refused, Proxy.finish, Proxy.reset, accepted_but_never_answered)
CASES = [
    pytest.param(make_line, do, first, second, id=f"{name} {make_line.__name__}")
    for name, (do, first, second) in ZOO.items()
    for make_line in (our_line, visa_line)
    if make_line is our_line or do in BY_VISA_TOO
]


async def outcome(load: Instrument, question: str) -> object:
    try:
        return VALUE if await load.ask(question) == question.rstrip("?") else "a wrong value"
    except InstrumentError as error:
        return type(error) if str(error).startswith("left load at the proxy: ") else f"not named: {error}"


@pytest.mark.asyncio
@pytest.mark.parametrize(("make_line", "do", "first", "second"), CASES)
async def test_every_fault_gives_the_value_or_silence_or_a_dead_line(
    make_line: Callable[[Proxy], Line],
    do: Callable[[Proxy], None],
    first: object,
    second: object,
    server: Server,
    proxy: Proxy,
    never_called: list[str],
) -> None:
    load = instrument(make_line(proxy))
    await load.open()
    assert await outcome(load, "A?") == VALUE
    do(proxy)
    for question, expected in (("B?", first), ("C?", second)):
        load.timeout_s = TIMEOUT_S if expected is SILENT or make_line is visa_line else PATIENT_S
        found = await outcome(load, question)
        if make_line is visa_line and expected is DEAD:
            # To PyVISA-py an end looks like silence, and so does a port that refuses when it is opened.
            assert found in (SILENT, DEAD)
        else:
            assert found == expected
    load.timeout_s = PATIENT_S
    proxy.faults = Faults()
    for connection in proxy.open:
        connection.faults = proxy.faults
    proxy.listen()
    if first is SILENT:
        await asyncio.sleep(LATE_S)  # what was late or held comes now, to nobody
    for question in ("D?", "E?", "F?"):
        assert await outcome(load, question) == VALUE
    # Nothing was asked on a new connection before its identity.
    firsts = [bytes(each.orders).split(b"\n")[0] for each in proxy.connections if each.orders]
    assert set(firsts) == {b"*IDN?"}
    await load.close()
    wait_for(lambda: not proxy.open, 60)  # no way was left behind
    assert never_called == []


@pytest.mark.asyncio
@BOTH_LINES
async def test_a_flapping_wire_leaks_nothing_and_gives_no_wrong_value(
    make_line: Callable[[Proxy], Line], server: Server
) -> None:
    """Faults 14 and 16: an instrument with one session serves each new connection, so that the old one had ended."""
    chance = random.Random(20261126)
    with before(server.port, single=True) as proxy:
        load = instrument(make_line(proxy))
        load.timeout_s = 0.2  # PyVISA-py waits it out after each FIN
        right = wrong = 0
        counts: list[tuple[int, int]] = []
        for turn in range(24):
            if turn % 2:
                chance.choice([proxy.reset, proxy.finish])()
            try:
                if await load.ask(f"T{turn}?") != f"T{turn}":
                    wrong += 1
                right += 1
            except InstrumentError:
                continue
            counts.append(_held())
        assert wrong == 0
        assert right >= 6
        assert len(proxy.connections) >= 6
        await load.close()
        await asyncio.to_thread(wait_for, lambda: not proxy.open, 60)
        # Each fd of a connection has one in the proxy and one in the server, which may end a moment later; so may a
        # thread that was left to itself. One more waits here for the proxy.
        fds, threads = counts[1]
        async with asyncio.timeout(60.0):
            while not (_held()[0] <= fds + 6 and _held()[1] <= threads + 2):  # noqa: ASYNC110  nobody tells
                await asyncio.sleep(0.02)


def _held() -> tuple[int, int]:
    """Return how many descriptors and threads this process has."""
    return len(os.listdir("/proc/self/fd")), threading.active_count()


@pytest.mark.asyncio
async def test_a_late_burst_after_an_outage_is_taken_by_nobody(server: Server, proxy: Proxy) -> None:
    """Fault 9."""
    load = instrument(our_line(proxy))
    await load.open()
    proxy.faults.hold = True
    load.timeout_s = TIMEOUT_S
    for number in range(5):
        with pytest.raises(InstrumentSilent):
            await load.ask(f"OLD{number}?")
    proxy.faults.hold = False
    await asyncio.to_thread(wait_for, lambda: "OLD0?" in server.heard, 60)  # it does arrive, minutes late
    load.timeout_s = PATIENT_S
    for number in range(5):
        assert await load.ask(f"NEW{number}?") == f"NEW{number}"
    await load.close()


@pytest.mark.asyncio
async def test_a_descriptor_beyond_1024_is_as_good_as_any(server: Server) -> None:
    """Fault 14: select() cannot watch it, so neither the loop nor the raw wire may use it."""
    import resource

    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    if hard != resource.RLIM_INFINITY and hard < 1200:
        pytest.skip(f"this user may open {hard} descriptors only (RLIMIT_NOFILE), 1,200 are needed")
    resource.setrlimit(resource.RLIMIT_NOFILE, (1200, hard))
    crowd = [os.open("/dev/null", os.O_RDONLY) for _ in range(1100)]
    try:
        load = instrument(TcpLine("127.0.0.1", server.port))
        await load.open()
        assert await load.ask("A?") == "A"
        await load.close()
        one = entry(f"TCPIP::127.0.0.1::{server.port}::SOCKET", identity=["SHED", "BOX", "7"])
        assert await asyncio.to_thread(raw_wire.identify, one) is None
    finally:
        for each in crowd:
            os.close(each)
        resource.setrlimit(resource.RLIMIT_NOFILE, (soft, hard))


@pytest.mark.asyncio
@BOTH_LINES
async def test_a_wire_that_takes_nothing_holds_nobody(make_line: Callable[[Proxy], Line], proxy: Proxy) -> None:
    """Fault 10. PyVISA-py's write waits without end: its thread is left to itself."""
    line = make_line(proxy)
    await line.open()
    proxy.faults.hold = True
    try:  # where nobody gets a turn for seconds, the system's own verdict comes first
        with pytest.raises(LineError, match=r"within 0\.1 s|abandoned|Connection timed out"):
            await line.tell("X" * 20_000_000, TIMEOUT_S)
    finally:
        await line.close()
    proxy.reset()  # an abandoned thread that comes back closes what it was left with, and ends
    await asyncio.to_thread(wait_for, lambda: not visa_threads(proxy), 60)


def test_the_raw_wire_is_not_held_either() -> None:
    """Fault 10, for guardian and `benchwarden off`: nobody accepts, and nobody reads."""
    with socket.socket() as listener:
        listener.bind(("127.0.0.1", 0))
        listener.listen(1)
        port = listener.getsockname()[1]
        wire = raw_wire.Wire(entry(f"TCPIP::127.0.0.1::{port}::SOCKET"), TIMEOUT_S)
        with pytest.raises(TimeoutError):
            wire.send(b"X" * 20_000_000)
        wire.close()
        outcome = raw_wire.switch_off(entry(f"TCPIP::127.0.0.1::{port}::SOCKET"), TIMEOUT_S)
    assert outcome == "NOT CONFIRMED (no answer): unplug it"


@pytest.mark.asyncio
@BOTH_LINES
@pytest.mark.parametrize("by_s", [-3600.0, 3600.0])
async def test_a_clock_step_in_the_middle_of_a_reading_holds_nobody(
    make_line: Callable[[Proxy], Line], by_s: float, proxy: Proxy, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Fault 11: PyVISA-py works out its deadlines with the wall clock, which may be set while it waits."""
    line = make_line(proxy)
    await line.open()
    assert await line.ask("A?", PATIENT_S) == "A"
    proxy.faults.swallow_replies = True
    wall = time.time
    with monkeypatch.context() as patched:
        asking = asyncio.ensure_future(line.ask("B?", TIMEOUT_S))
        await asyncio.sleep(TIMEOUT_S / 4)
        patched.setattr(time, "time", lambda: wall() + by_s)
        async with asyncio.timeout(TIMEOUT_S + GRACE_S + 5.0):
            with pytest.raises((LineSilent, LineDead)):
                await asking
    proxy.faults.swallow_replies = False
    await line.open()
    assert await line.ask("C?", PATIENT_S) == "C"
    await line.close()


@pytest.mark.asyncio
async def test_closing_one_visa_line_leaves_the_others(server: Server, proxy: Proxy) -> None:
    """Fault 18: all resource managers of a backend are one object; closing it would close every session."""
    one, two = visa_line(proxy), VisaLine(f"TCPIP::127.0.0.1::{server.port}::SOCKET")
    await one.open()
    await two.open()
    assert await one.ask("A?", PATIENT_S) == "A"
    await one.close()
    assert await two.ask("B?", PATIENT_S) == "B"
    await two.close()


@pytest.mark.asyncio
@BOTH_LINES
async def test_another_box_at_the_address_after_an_outage_gets_no_order(
    make_line: Callable[[Proxy], Line], server: Server, proxy: Proxy
) -> None:
    """Fault 25: two boxes have changed their addresses while the wire was down."""

    def stranger_answers(text: str, talk: Talk) -> bytes | None:
        return b"SHED,BOX,8,1.0\n" if text == "*IDN?" else answer(text, talk)

    load = instrument(make_line(proxy))
    await load.open()
    async with serving(stranger_answers) as stranger:
        proxy.target = ("127.0.0.1", stranger.port)
        proxy.reset()
        with pytest.raises((InstrumentDead, InstrumentSilent)):
            await load.ask("A?")
        with pytest.raises(IdentityChanged, match="another instrument answers; it was SHED,BOX,7"):
            await load.tell("INP ON")
        proxy.target = ("127.0.0.1", server.port)
        with pytest.raises(IdentityChanged):  # for good: who knows what is where by now
            await load.tell("INP ON")
        assert stranger.heard == ["*IDN?"]
        assert "INP ON" not in server.heard
        await load.close()


# The guardian's side, with real processes.


@pytest.fixture
def switch() -> Iterator[Switch]:
    found = Switch()
    yield found
    found.close()


class At:
    """Where a guardian is told to find an instrument."""

    def __init__(self, proxy: Proxy) -> None:
        self.address = proxy.address


def guarded(folder: Path, proxy: Proxy, body: str, assert_off_s: float = 0.0, silence_s: float = 60.0) -> Guarded:
    at: Any = At(proxy)
    body = body.replace("PORT", str(proxy.port))
    return Guarded(folder, body, at, assert_off_s=assert_off_s, silence_s=silence_s)


def test_a_frozen_worker_that_holds_the_only_session_is_killed_before_off_is_sent(
    tmp_path: Path, switch: Switch
) -> None:
    """Fault 15: the guardian's connection is accepted, but served only once the frozen one has gone."""
    body = """
    wire = socket.create_connection(("127.0.0.1", PORT))
    arm()
    wire.sendall(b"INP ON\\nINP?\\n")
    assert wire.recv(10) == b"1\\n"
    beat()
    os.kill(os.getpid(), signal.SIGSTOP)
    """
    with before(switch.port, single=True) as proxy:
        code, said = guarded(tmp_path, proxy, body, silence_s=0.5).end()
    assert code == guardian.TOOK_OVER
    assert "no sign of life from bay left" in said
    assert "off, read back; 0.00 A measured" in said
    assert not switch.on


def test_a_ghost_that_arrives_after_off_is_switched_off_again(tmp_path: Path, switch: Switch) -> None:
    """Fault 8 where something between holds the bytes: ON was written into an outage, the process is dead by then."""
    body = """
    wire = socket.create_connection(("127.0.0.1", PORT))
    arm()
    wire.sendall(b"INP?\\n")
    assert wire.recv(10) == b"0\\n"
    beat()
    open("ready", "w").close()
    while not os.path.exists("held"): time.sleep(0.01); beat()
    wire.sendall(b"INP ON\\n")
    os.kill(os.getpid(), signal.SIGKILL)
    """
    body = body.replace('"ready"', repr(str(tmp_path / "ready"))).replace('"held"', repr(str(tmp_path / "held")))
    with before(switch.port) as proxy:
        running = guarded(tmp_path, proxy, body, assert_off_s=60.0)
        try:
            wait_for((tmp_path / "ready").exists, 60)
            [first] = proxy.connections
            first.faults = Faults(hold=True)
            (tmp_path / "held").touch()
            wait_for(lambda: "MEAS:VOLT?;:MEAS:CURR?" in switch.lines, 60)
            assert not switch.on
            assert "INP ON" not in switch.lines
            first.faults.hold = False
            wait_for(lambda: "INP ON" in switch.lines, 60)  # the ghost, after off
            wait_for(lambda: not switch.on, 60)
            after = switch.lines[switch.lines.index("INP ON") :]
            assert "INP OFF" in after
        finally:
            running.process.send_signal(signal.SIGKILL)
            running.process.communicate(timeout=60)
    assert not switch.on
