"""PyVISA as a line: against PyVISA-sim (package), and PyVISA-py on a socket beside our own socket line."""

import asyncio
import threading
from pathlib import Path
from typing import Any

import pytest
import pyvisa
from pyvisa.constants import StatusCode

from benchwarden.drivers.errors import InstrumentError
from benchwarden.drivers.instrument import Instrument
from benchwarden.drivers.line import LineDead, LineSilent
from benchwarden.drivers.tcp import TcpLine
from benchwarden.drivers.visa import _TIMED_OUT, GRACE_S, VisaLine
from tests.scripted_instrument import Talk, serving
from tests.shed import wait_for

pytestmark = pytest.mark.asyncio

# The format of PyVISA-sim 0.7, its documentation, chapter "Building your own simulated instruments".
SIMULATED = """
spec: "1.1"
devices:
  meter:
    eom:
      USB INSTR:
        q: "\\n"
        r: "\\n"
      ASRL INSTR:
        q: "\\n"
        r: "\\n"
    dialogues:
      - q: "*IDN?"
        r: "SHED,METER,11,1.0"
      - q: "MEAS:VOLT?"
        r: "22.184"
resources:
  USB0::0x1111::0x2222::11::INSTR:
    device: meter
  ASRL1::INSTR:
    device: meter
"""


@pytest.fixture
def library(tmp_path: Path) -> str:
    path = tmp_path / "bench.yaml"
    path.write_text(SIMULATED, encoding="utf-8")
    return f"{path}@sim"


@pytest.mark.parametrize("address", ["USB0::0x1111::0x2222::11::INSTR", "ASRL1::INSTR"])
async def test_an_instrument_behind_a_visa_library(library: str, address: str) -> None:
    line = VisaLine(address, library=library)
    meter = Instrument(line, who="left voltmeter", address=address, error_question=None)
    assert (await meter.open()).serial == "11"
    assert await meter.ask("MEAS:VOLT?") == "22.184"
    await meter.close()
    await line.close()


async def test_no_such_resource(library: str) -> None:
    line = VisaLine("USB0::0x1111::0x2222::99::INSTR", library=library)
    meter = Instrument(line, who="left voltmeter", address="USB0 99", error_question=None)
    with pytest.raises(InstrumentError, match="left voltmeter"):  # some libraries open what is not there
        await meter.open()
    await meter.close()


async def test_no_such_library() -> None:
    with pytest.raises(LineDead, match="'open' failed"):
        await VisaLine("USB0::1::2::3::INSTR", library="@nowhere").open()


def answer(text: str, talk: Talk) -> bytes | None:
    if text == "END?":
        talk.finish()
    return {"*IDN?": b"SHED,LOAD,5,1.0\n", "A?": b"1.25\r\n", "B?": b"25\xb0C\n"}.get(text)


async def test_visa_and_our_own_socket_read_the_same() -> None:
    # package PyVISA-py as the second witness of framing on a raw socket
    async with serving(answer) as server:
        ours = TcpLine("127.0.0.1", server.port)
        theirs = VisaLine(f"TCPIP::127.0.0.1::{server.port}::SOCKET")
        await ours.open()
        await theirs.open()
        for text in ("*IDN?", "A?", "*IDN?"):
            assert await theirs.ask(text, 1.0) == await ours.ask(text, 1.0)
        await theirs.tell("C 1", 1.0)
        assert await theirs.ask("A?", 1.0) == "1.25"
        assert "C 1" in server.heard
        await ours.close()
        await theirs.close()


async def test_silence_text_that_is_none_and_the_end() -> None:
    async with serving(answer) as server:
        line = VisaLine(f"TCPIP::127.0.0.1::{server.port}::SOCKET")
        await line.open()
        with pytest.raises(LineSilent, match=r"'NOTHING\?' within 0\.2 s"):
            await line.ask("NOTHING?", 0.2)
        with pytest.raises(LineDead, match="no reply to 'NOTHING"):
            await line.ask("A?", 0.2)
        await line.open()
        with pytest.raises(LineDead, match="not ASCII"):
            await line.ask("B?", 0.2)
        await line.open()
        with pytest.raises((LineDead, LineSilent)):
            await line.ask("END?", 0.2)
        await line.close()


async def test_a_call_that_never_returns_is_abandoned(library: str) -> None:
    line = VisaLine("USB0::0x1111::0x2222::11::INSTR", library=library)
    await line.open()
    stuck = threading.Event()

    class Stuck:
        timeout = 0.0

        def write(self, _: str) -> None:
            stuck.wait(60)

        def close(self) -> None:
            stuck.wait(60)

    real, line._resource = line._resource, Stuck()
    loop = asyncio.get_running_loop()
    start_s = loop.time()
    with pytest.raises(LineDead, match="abandoned"):
        await line.ask("MEAS:VOLT?", 0.05)
    assert GRACE_S <= loop.time() - start_s < GRACE_S + 1.0
    await line.close()
    await line.open()  # a new thread, beside the one that hangs
    assert await line.ask("MEAS:VOLT?", 1.0) == "22.184"
    await line.close()
    stuck.set()
    real.close()


async def test_the_code_of_silence_is_the_librarys() -> None:
    assert StatusCode.error_timeout.value == _TIMED_OUT  # package PyVISA, constants


async def test_what_opens_too_late_is_closed_again(library: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Fault 16: some instruments have a handful of sessions, and need a power cycle when these are used up."""
    go_on = threading.Event()
    opened: list[Any] = []
    open_resource = pyvisa.ResourceManager.open_resource

    def slowly(manager: pyvisa.ResourceManager, *what: Any, **more: Any) -> Any:
        go_on.wait(60)
        opened.append(open_resource(manager, *what, **more))
        return opened[-1]

    monkeypatch.setattr(pyvisa.ResourceManager, "open_resource", slowly)
    line = VisaLine("USB0::0x1111::0x2222::11::INSTR", library=library, open_s=0.05)
    with pytest.raises(LineDead, match="'open' overran"):
        await line.open()
    await line.close()
    go_on.set()
    await asyncio.to_thread(wait_for, lambda: not visa_threads(), 5)
    assert len(opened) == 1
    with pytest.raises(pyvisa.errors.InvalidSession):
        _ = opened[0].session


def visa_threads() -> list[str]:
    return [thread.name for thread in threading.enumerate() if thread.name.startswith("visa USB0")]
