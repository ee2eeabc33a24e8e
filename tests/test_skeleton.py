"""The walking skeleton, in real seconds with real processes: guardian, worker, and a simulated bench in a third one.

What counts is read from the simulated load itself, never from the program under test.
"""

import os
import re
import signal
import socket
import subprocess
import sys
import time
import tomllib
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from benchwarden.results.folder import read_run

pytestmark = pytest.mark.realtime

PACK = """
name = "Sanderling"
chemistry = "li-ion"
series = 6
rated_capacity = "5.0 Ah"
mass = "452 g"
max_discharge = "50 A"
"""
PROFILE = """
title = "Short draw"
[[step]]
do = "discharge"
power = "2C"
stop_at = { group_voltage = "discharge cut-off" }
"""
BENCHWARDEN = [sys.executable, "-m", "benchwarden.daemon.main"]
ENVIRONMENT = os.environ | {"PYTHONPATH": str(Path(__file__).parents[1] / "src"), "PYTHONUNBUFFERED": "1"}


def wait_for(what: Callable[[], object], seconds: float) -> object:
    """Return the first true answer; fails after `seconds`."""
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        found = what()
        if found:
            return found
        time.sleep(0.02)
    raise AssertionError(f"did not happen within {seconds} s")


class Shed:
    """A simulated bench in its own process, and what a person has on disk beside it."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.bench = folder / "bench.toml"
        (folder / "pack.toml").write_text(PACK)
        (folder / "draw.toml").write_text(PROFILE)
        self.process = subprocess.Popen(
            [*BENCHWARDEN, "simulate", "--bench", str(self.bench)],
            env=ENVIRONMENT,
            cwd=folder,
            stdout=subprocess.DEVNULL,
        )
        wait_for(lambda: self.bench.exists() and self.bench.stat().st_size, 20)
        entry = tomllib.loads(self.bench.read_text())["bay"][0]
        self.load = entry["load"]["at"]

    def ask_load(self, question: str) -> str:
        """Ask the simulated load itself, on a connection of our own."""
        _, host, port, _ = self.load.split("::")
        with socket.create_connection((host, int(port)), 2.0) as line:
            line.sendall(question.encode() + b"\n")
            with line.makefile() as answers:
                return answers.readline().strip()

    def is_on(self) -> bool:
        return self.ask_load("INP?") == "1"

    def drawn_a(self) -> float:
        return float(self.ask_load("MEAS:CURR?"))

    def run(self, *more: str) -> "subprocess.Popen[str]":
        return subprocess.Popen(
            [*BENCHWARDEN, "run", "draw.toml", "left=pack.toml", "--bench", "bench.toml", *more],
            env=ENVIRONMENT,
            cwd=self.folder,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )

    def run_folder(self) -> Path:
        return next(self.folder.glob("runs/*/*/run.json")).parent


@pytest.fixture
def shed(tmp_path: Path) -> Iterator[Shed]:
    made = Shed(tmp_path)
    yield made
    made.process.terminate()
    made.process.wait(10)


def worker_of(guardian: "subprocess.Popen[str]") -> int:
    """Return the process id of the guardian's child."""
    listed = Path(f"/proc/{guardian.pid}/task/{guardian.pid}/children").read_text().split()
    assert len(listed) == 1
    return int(listed[0])


def on_and_sampled(shed: Shed) -> bool:
    rows = [len(path.read_text().splitlines()) for path in shed.folder.glob("runs/*/*/samples-001.csv")]
    return bool(rows) and rows[0] > 4 and shed.is_on()


def test_run_refuses_a_bench_that_is_not_simulated(shed: Shed) -> None:
    shed.bench.write_text(shed.bench.read_text().replace("simulated = true\n", ""))
    running = shed.run()
    _, error = running.communicate(timeout=30)
    assert running.returncode == 2
    assert "simulated = true is not there" in error
    assert not shed.is_on()


@pytest.mark.parametrize("how", [signal.SIGKILL, signal.SIGSTOP])
def test_a_worker_that_dies_or_freezes_leaves_the_load_off(shed: Shed, how: signal.Signals) -> None:
    running = shed.run()
    try:
        wait_for(lambda: on_and_sampled(shed), 20)
        assert shed.drawn_a() > 5.0
        worker = worker_of(running)
        began = time.monotonic()
        os.kill(worker, how)
        wait_for(lambda: not shed.is_on(), 10)
        took_s = time.monotonic() - began
        assert shed.drawn_a() < 0.05
        # End of file is noticed at once; silence only when the guardian's five seconds have run out.
        assert took_s < (2.0 if how == signal.SIGKILL else 8.0)
        assert not Path(f"/proc/{worker}").exists() or "Z" in Path(f"/proc/{worker}/stat").read_text().split()[2]
        assert running.poll() is None  # it goes on asserting off
        assert not shed.is_on()
    finally:
        running.kill()
        _, said = running.communicate(timeout=10)
    assert re.search(r"guardian: left load at \S+: off, read back; 0\.0\d A measured", said)
    left = read_run(shed.run_folder())
    assert len(left.samples) >= 3
    assert left.ending.how == "interrupted"


def test_ctrl_c_stops_safely(shed: Shed) -> None:
    running = shed.run()
    wait_for(lambda: on_and_sampled(shed), 20)
    running.send_signal(signal.SIGINT)
    out, error = running.communicate(timeout=15)
    assert running.returncode == 3, error
    assert not shed.is_on()
    assert "off confirmed" in out
    left = read_run(shed.run_folder())
    assert (left.ending.how, left.ending.off_confirmed) == ("stopped", True)
    assert not left.problems


def test_off_needs_no_run(shed: Shed) -> None:
    done = subprocess.run(
        [*BENCHWARDEN, "off", "--all"], env=ENVIRONMENT, cwd=shed.folder, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    assert done.stdout.count("off, read back") == 7  # four loads, three supplies
