"""Faults of serial ports and their USB adapters (24 to 28), on pseudo terminals, and a bench that loses all at once."""

import asyncio
import os
import subprocess
from collections.abc import AsyncIterator
from pathlib import Path

import pytest
import pytest_asyncio

from benchwarden.daemon.guard import raw_wire
from benchwarden.drivers.errors import IdentityChanged, InstrumentDead
from benchwarden.drivers.instrument import Instrument
from benchwarden.drivers.serial_port import SerialLine
from benchwarden.simulators.start import SimulatedBench
from tests.test_bay_faults import (
    BLIND_S,
    WAY_TO_OFF_S,
    assert_off_within,
    assert_tripped,
    broken,
    outputs_at_the_end,
    placed,
)
from tests.test_guardian import entry
from tests.test_line_serial import Box

NOBODY = 65534


def box_of(serial: str) -> Box:
    box = Box()
    box.table = {"*IDN?": f"SHED,BOX,{serial},1.0\n".encode(), "SYSTem:ERRor?": b'0,"No error"\n', "A?": b"1.5\n"}
    box.listen()
    return box


@pytest_asyncio.fixture
async def boxes() -> AsyncIterator[tuple[Box, Box]]:
    one, two = box_of("7"), box_of("8")
    yield one, two
    one.unplug()
    two.unplug()


def by_name(name: Path, box: Box) -> None:
    """Point a name, as udev makes them in /dev/serial/by-id, at another port."""
    name.unlink(missing_ok=True)
    name.symlink_to(box.path)


def on(name: Path) -> Instrument:
    return Instrument(SerialLine(str(name)), who="left cells", address=f"ASRL{name}::INSTR", timeout_s=1.0)


@pytest.mark.asyncio
async def test_pulled_and_plugged_in_again_under_its_name(tmp_path: Path, boxes: tuple[Box, Box]) -> None:
    """Fault 24: the port is another one by then; the name is the same, and so must be who answers."""
    one, _ = boxes
    again = box_of("7")
    name = tmp_path / "by-id"
    by_name(name, one)
    cells = on(name)
    assert await cells.ask("A?") == "1.5"
    one.unplug()
    name.unlink()
    with pytest.raises(InstrumentDead, match=r"left cells.*(read failed|closed the line)"):
        await cells.ask("A?")
    with pytest.raises(InstrumentDead, match=r"left cells.*cannot be opened: .*No such file"):
        await cells.ask("A?")
    descriptors = len(os.listdir("/proc/self/fd"))
    for _ in range(20):  # a held descriptor would make the kernel hand out the next number
        with pytest.raises(InstrumentDead):
            await cells.ask("A?")
    assert len(os.listdir("/proc/self/fd")) == descriptors
    by_name(name, again)
    assert await cells.ask("A?") == "1.5"
    assert again.heard[0] == "*IDN?"
    await cells.close()
    again.unplug()


@pytest.mark.asyncio
async def test_another_box_behind_the_name_gets_no_order(tmp_path: Path, boxes: tuple[Box, Box]) -> None:
    """Fault 25: two adapters have changed places."""
    one, two = boxes
    name = tmp_path / "by-id"
    by_name(name, one)
    cells = on(name)
    assert await cells.ask("A?") == "1.5"
    one.unplug()
    by_name(name, two)
    with pytest.raises(InstrumentDead):
        await cells.tell("INP ON")
    with pytest.raises(IdentityChanged, match=r"it was SHED,BOX,7,1\.0.*'SHED,BOX,8,1\.0'"):
        await cells.tell("INP ON")
    assert two.heard == ["*IDN?"]
    await cells.close()


@pytest.mark.asyncio
async def test_another_process_cannot_open_the_port(tmp_path: Path, boxes: tuple[Box, Box]) -> None:
    """Fault 26, tty_ioctl(4): after TIOCEXCL every further open fails with EBUSY, except for who has CAP_SYS_ADMIN."""
    one, _ = boxes
    os.chmod(one.path, 0o666)

    async def steal() -> str:
        done = await asyncio.to_thread(
            subprocess.run,
            ["/bin/sh", "-c", f": < {one.path} && echo opened"],
            user=NOBODY if os.geteuid() == 0 else None,
            capture_output=True,
            text=True,
            env={"LC_ALL": "C"},
            cwd="/",
            check=False,
        )
        return done.stdout + done.stderr

    assert await steal() == "opened\n"
    line = SerialLine(one.path)
    await line.open()
    assert "busy" in (await steal()).lower()
    assert await line.ask("A?", 1.0) == "1.5"
    await line.close()
    assert await steal() == "opened\n"


@pytest.mark.asyncio
async def test_a_long_reply_is_read_in_blocks(boxes: tuple[Box, Box], monkeypatch: pytest.MonkeyPatch) -> None:
    """Fault 27: a byte at a time costs 35 times as much, and breaks slow adapters."""
    one, _ = boxes
    one.table["B?"] = b",".join(b"3.7000" for _ in range(400)) + b"\n"
    line = SerialLine(one.path)
    await line.open()
    reads: list[int] = []
    read = os.read

    def counted(fd: int, most: int) -> bytes:
        data = read(fd, most)
        if fd != one.master:
            reads.append(len(data))
        return data

    monkeypatch.setattr(os, "read", counted)
    assert (await line.ask("B?", 5.0)).count(",") == 399
    assert sum(reads) == len(one.table["B?"])
    assert len(reads) <= 40
    await line.close()


def test_the_raw_wire_survives_a_port_that_is_pulled() -> None:
    """Fault 24 for the guardian and `benchwarden off`: whatever pyserial raises, it is said."""
    box = Box()
    wire = raw_wire.Wire(entry(f"ASRL{box.path}::INSTR"), 1.0)
    box.unplug()
    with pytest.raises((OSError, ValueError)):
        wire.ask(b"INP?\n")
    wire.close()
    assert raw_wire.switch_off(entry(f"ASRL{box.path}::INSTR")).startswith("NOT CONFIRMED (")


# Fault 28: one bus resets, and everything on it is gone together.

BUS = ("load", "cells")


@pytest.mark.parametrize("gone_s", [1.5, 4.5])
def test_load_and_cells_gone_together(tmp_path: Path, gone_s: float) -> None:
    """Back within the blind time: the run goes on. Later: tripped, and off at the first words that arrive."""

    def reset(bench: SimulatedBench) -> None:
        for name in BUS:
            faults = placed(bench, name).endpoint.faults
            faults.deaf = faults.drop_connection = True
            asyncio.get_running_loop().call_later(gone_s, setattr, faults, "deaf", False)

    done, fired_s = broken(tmp_path, reset, soc=0.12)
    assert outputs_at_the_end(done) == set()
    assert done.off_confirmed
    if gone_s < BLIND_S:
        assert done.ending.how == "finished", done.ending
        assert {event["role"] for event in done.run.events_named("missed")} == set(BUS)
    else:
        assert_tripped(done, r"\b(load|cells) \S+ has not been seen for")
        assert_off_within(done, fired_s, gone_s + 1.0 + WAY_TO_OFF_S)
