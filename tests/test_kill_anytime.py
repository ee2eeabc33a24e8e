"""A worker killed at any moment of a run: the load goes off, and every row that was written is still there.

Real seconds and real processes; the moments are drawn from one seed, from before the instruments are
connected to the middle of a draw.
"""

import os
import random
import signal
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from benchwarden.results.folder import read_run
from tests.shed import Shed, hear, wait_for

pytestmark = pytest.mark.realtime

ROUNDS = 5
SEED = 20261125


@pytest.fixture(scope="module")
def shed(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Shed]:
    made = Shed(tmp_path_factory.mktemp("shed"))
    yield made
    made.close()


def moments() -> list[tuple[str, float]]:
    """Return since when ("start" of the worker, or load "on") and after how many seconds each one is killed."""
    drawn = random.Random(SEED)
    return [
        *(("start", drawn.uniform(0.0, 1.5)) for _ in range(ROUNDS - 2)),
        *(("on", drawn.random()) for _ in range(2)),
    ]


def child_of(process: "subprocess.Popen[str]") -> int | None:
    listed = Path(f"/proc/{process.pid}/task/{process.pid}/children").read_text().split()
    return int(listed[0]) if listed else None


@pytest.mark.parametrize(
    ("since", "after_s"), moments(), ids=lambda one: one if one in ("start", "on") else f"{one:.2f}s"
)
def test_a_kill_loses_no_written_row_and_leaves_the_load_off(shed: Shed, since: str, after_s: float) -> None:
    before = set(shed.folder.glob("runs/*/*"))
    running = shed.run()
    try:
        worker = wait_for(lambda: child_of(running), 10)
        assert isinstance(worker, int)
        if since == "on":
            wait_for(shed.is_on, 20)
        time.sleep(after_s)
        written = {path: path.read_bytes() for path in new_files(shed, before)}
        os.kill(worker, signal.SIGKILL)
        wait_for(lambda: not shed.is_on(), 5)
        wait_for(lambda: shed.drawn_a() < 0.05, 2)
        wait_for(lambda: not Path(f"/proc/{worker}").exists(), 2)
        said = hear(running, "left load at") if since == "on" else ""
    finally:
        running.kill()
        running.communicate(timeout=10)
    assert not shed.is_on()
    for path, text in written.items():
        assert path.read_bytes().startswith(text), path
    for folder in set(shed.folder.glob("runs/*/*")) - before:
        if not (folder / "run.json").exists():
            continue  # killed before there was anything to keep
        left = read_run(folder)
        assert [sample.sequence for sample in left.samples] == list(range(1, len(left.samples) + 1))
        assert left.ending.how == "interrupted"
        assert len(left.samples) >= written.get(folder / "samples-001.csv", b"").count(b"\n") - 1
    if since == "on":
        assert "guardian: the worker ended; taking over bays left" in said
        assert any(text.count(b"\n") > 1 for text in written.values())


def new_files(shed: Shed, before: set[Path]) -> list[Path]:
    """Return the samples and events files of runs that were not there before."""
    found = [*shed.folder.glob("runs/*/*/samples-001.csv"), *shed.folder.glob("runs/*/*/events.jsonl")]
    return [path for path in found if path.parent not in before]
