"""No sleep while a bay is at work (fault 40): one lock for all, gone with this process, said where there is none."""

import asyncio
import os
import subprocess
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from benchwarden.daemon.alarm.inhibit import COMMAND, Inhibitor, on_battery
from benchwarden.daemon.alarm.outside import Outside

pytestmark = pytest.mark.realtime


def test_the_lock_is_held_once_for_all_bays() -> None:
    lock = Inhibitor(["cat"])
    assert lock.hold("left") is None
    assert lock.hold("right") is None
    lock.release("left")
    assert lock.held
    lock.release("right")
    assert not lock.held
    lock.release("right")
    assert lock.hold("left") is None
    assert lock.held
    lock.release("left")


def test_a_refused_lock_is_said_with_its_reason() -> None:
    lock = Inhibitor([sys.executable, "-c", "import sys; sys.exit('Access denied')"])
    said = lock.hold("left")
    if said is None:  # an interpreter that took longer than half a second to start
        time.sleep(1.0)
        said = lock.hold("left")
    assert said is not None
    assert "the machine may fall asleep" in said
    assert "Access denied" in said
    assert not lock.held


def test_bays_that_begin_together_are_all_told() -> None:
    lock = Inhibitor(["false"])
    with ThreadPoolExecutor(6) as pool:
        said = list(pool.map(lock.hold, [f"bay {number}" for number in range(6)]))
    assert all(one is not None and "ended with 1: no reason given" in one for one in said), said


def test_no_such_program_is_said() -> None:
    said = Inhibitor(["/nowhere/no-such-program"]).hold("left")
    assert said == "the machine may fall asleep: /nowhere/no-such-program cannot be started: No such file or directory"


def test_what_is_asked_of_systemd() -> None:
    """systemd-inhibit(1): --what takes a colon-separated list; the lock lasts as long as the command."""
    assert COMMAND[:2] == ("systemd-inhibit", "--what=sleep:idle:handle-lid-switch")
    assert "--mode=block" in COMMAND


def test_the_lock_ends_with_whoever_held_it() -> None:
    """Fault 33: killed without a chance to clean up."""
    code = (
        "import os, signal; from benchwarden.daemon.alarm.inhibit import Inhibitor; lock = Inhibitor(['cat']); "
        "lock.hold('left'); print(lock._child.pid, flush=True); os.kill(os.getpid(), signal.SIGKILL)"
    )
    environment = os.environ | {"PYTHONPATH": str(Path(__file__).parents[1] / "src")}
    done = subprocess.run([sys.executable, "-c", code], env=environment, capture_output=True, text=True, check=False)
    holder = Path(f"/proc/{int(done.stdout)}/stat")
    end = time.monotonic() + 60.0
    while time.monotonic() < end and holder.exists() and holder.read_text().rpartition(")")[2].split()[0] != "Z":
        time.sleep(0.02)
    assert not holder.exists() or holder.read_text().rpartition(")")[2].split()[0] == "Z"


@pytest.mark.parametrize(
    ("supplies", "on"),
    [
        ({}, False),
        ({"AC": ("Mains", "1"), "BAT0": ("Battery", "")}, False),
        ({"AC": ("Mains", "0"), "BAT0": ("Battery", "")}, True),
        ({"AC": ("Mains", "0"), "usb": ("USB", "1")}, False),
        ({"BAT0": ("Battery", "")}, False),
    ],
)
def test_mains_or_battery(tmp_path: Path, supplies: dict[str, tuple[str, str]], on: bool) -> None:
    """Layout from the kernel's ABI documentation, sysfs-class-power."""
    for name, (kind, online) in supplies.items():
        (tmp_path / name).mkdir()
        (tmp_path / name / "type").write_text(f"{kind}\n")
        if online:
            (tmp_path / name / "online").write_text(f"{online}\n")
    assert on_battery(tmp_path) is on


def test_the_worker_says_it_once_and_a_simulated_bench_goes_on() -> None:
    async def work() -> None:
        async with Outside(None, notes.append, inhibitor=Inhibitor(["no-such-program"])) as outside:
            assert await outside.begin("left") is None
            assert await outside.begin("right") is None
            outside.end("left")
            outside.end("right")

    notes: list[str] = []
    asyncio.run(work())
    assert len(notes) == 1
    assert "the machine may fall asleep" in notes[0]
