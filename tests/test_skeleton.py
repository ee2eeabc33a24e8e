"""The walking skeleton, in real seconds with real processes: guardian, worker, and a simulated bench in a third one.

What counts is read from the simulated load itself, never from the program under test.
"""

import os
import re
import signal
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from benchwarden.results.folder import read_run
from tests.shed import BENCHWARDEN, ENVIRONMENT, SOON, Shed, hear, on_and_sampled, wait_for, worker_of

pytestmark = pytest.mark.realtime


@pytest.fixture
def shed(tmp_path: Path) -> Iterator[Shed]:
    made = Shed(tmp_path, recovery=SOON)
    yield made
    made.close()


@pytest.mark.parametrize("how", [signal.SIGKILL, signal.SIGSTOP])
def test_a_worker_that_dies_or_freezes_leaves_the_load_off(shed: Shed, how: signal.Signals) -> None:
    running = shed.run()
    try:
        wait_for(lambda: on_and_sampled(shed), 60)
        assert shed.drawn_a() > 5.0
        worker = worker_of(running)
        began = time.monotonic()
        os.kill(worker, how)
        wait_for(lambda: not shed.is_on(), 10)
        took_s = time.monotonic() - began
        assert shed.drawn_a() < 0.05
        # End of file is noticed at once; silence only when the guardian's five seconds have run out.
        assert took_s < (4.0 if how == signal.SIGKILL else 8.0)
        wait_for(lambda: not _lives(worker), 60)  # a process that was killed ends when it gets a turn
        assert running.poll() is None  # it goes on asserting off
        said = hear(running, "left load at")  # the load is off before the guardian says so
        assert not shed.is_on()
    finally:
        running.kill()
        running.communicate(timeout=60)
    assert re.search(r"guardian: left load at \S+: off, read back; 0\.0\d A measured", said)
    left = read_run(shed.run_folder())
    assert len(left.samples) >= 3
    assert left.ending.how == "interrupted"


def test_ctrl_c_stops_safely(shed: Shed) -> None:
    running = shed.run()
    wait_for(shed.is_on, 60)
    running.send_signal(signal.SIGINT)
    out, error = running.communicate(timeout=60)
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


def _lives(process: int) -> bool:
    try:
        return Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except (FileNotFoundError, ProcessLookupError):
        return False
