"""A simulated bench in a process of its own, and the guardian with its worker beside it: for tests in real seconds."""

import os
import select
import socket
import subprocess
import sys
import time
import tomllib
from collections.abc import Callable, Sequence
from pathlib import Path

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
# Where waiting for the default, 10 s, shows nothing: tests on virtual time are its witness.
SOON = "1 s"
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


def hear(running: "subprocess.Popen[str]", words: str, seconds: float = 60.0) -> str:
    """Return what a process has said on its standard error once these words were among it; fails after `seconds`."""
    assert running.stderr is not None
    said, end = "", time.monotonic() + seconds
    while words not in said:
        assert time.monotonic() < end, f"{words!r} was not said within {seconds} s, only {said!r}"
        if select.select([running.stderr], [], [], 0.1)[0]:
            said += os.read(running.stderr.fileno(), 65536).decode()
    return said


def let_recover(bench: Path, recovery: str) -> None:
    """Have every pack rest for so long after the test pulse."""
    bench.write_text(bench.read_text().replace("[[bay]]\n", f'[[bay]]\npulse_recovery = "{recovery}"\n'))


class Shed:
    """A simulated bench in its own process, and what a person has on disk beside it.

    `simulate`: the command that serves another bench than the demonstration's; the bench file's path is appended.
    `recovery`: for how long packs rest after the test pulse.
    """

    def __init__(
        self, folder: Path, simulate: Sequence[str] = (*BENCHWARDEN, "simulate", "--bench"), *, recovery: str = "10 s"
    ) -> None:
        self.folder = folder
        self.bench = folder / "bench.toml"
        (folder / "pack.toml").write_text(PACK)
        (folder / "draw.toml").write_text(PROFILE)
        self.process = subprocess.Popen(
            [*simulate, str(self.bench)],
            env=ENVIRONMENT,
            cwd=folder,
            stdout=subprocess.DEVNULL,
        )
        wait_for(lambda: self.bench.exists() and self.bench.stat().st_size, 60)
        let_recover(self.bench, recovery)
        bays = tomllib.loads(self.bench.read_text())["bay"]
        self.loads = {bay["name"]: (bay["load"] if isinstance(bay["load"], list) else [bay["load"]]) for bay in bays}

    def ask_load(self, question: str, bay: str = "left") -> str:
        """Ask a bay's simulated load itself, the first if there are several, on a connection of our own."""
        return self.ask(self.loads[bay][0]["at"], question)

    def ask(self, address: str, question: str) -> str:
        """Ask a simulated instrument itself, on a connection of our own."""
        _, host, port, _ = address.split("::")
        with socket.create_connection((host, int(port)), 2.0) as line:
            line.sendall(question.encode() + b"\n")
            with line.makefile() as answers:
                return answers.readline().strip()

    def is_on(self, bay: str = "left") -> bool:
        return self.ask_load("INP?", bay) == "1"

    def drawn_a(self, bay: str = "left") -> float:
        return float(self.ask_load("MEAS:CURR?", bay))

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

    def close(self) -> None:
        """End the simulated bench."""
        self.process.terminate()
        self.process.wait(60)

    def run_folder(self) -> Path:
        return next(self.folder.glob("runs/*/*/run.json")).parent


def worker_of(guardian: "subprocess.Popen[str]") -> int:
    """Return the process id of the worker among the guardian's children."""
    listed = Path(f"/proc/{guardian.pid}/task/{guardian.pid}/children").read_text().split()
    words = {number: Path(f"/proc/{number}/cmdline").read_bytes().split(b"\0") for number in listed}
    [found] = [
        number
        for number, said in words.items()
        if {*said} & {b"benchwarden.daemon.worker", b"benchwarden.daemon.serving.service"}
    ]
    return int(found)


def on_and_sampled(shed: Shed) -> bool:
    rows = [len(path.read_text().splitlines()) for path in shed.folder.glob("runs/*/*/samples-001.csv")]
    return bool(rows) and rows[0] > 4 and shed.is_on()
