"""The guardian's hold on the front: started again when it dies, ended last, and nobody waits for it."""

import os
import signal
import sys
from pathlib import Path

from benchwarden.daemon.front_process import AGAIN_S, Front
from tests.shed import wait_for

WAITS = "import pathlib, sys, time; pathlib.Path(sys.argv[1]).write_text('up'); time.sleep(60)"


def test_one_that_dies_is_started_again_but_not_at_once(tmp_path: Path) -> None:
    up, said = tmp_path / "up", list[str]()
    front = Front([sys.executable, "-c", WAITS, str(up)], said.append)
    front.keep(0.0)
    wait_for(up.exists, 10)
    child = front._child
    assert child is not None
    os.kill(child.pid, signal.SIGKILL)
    child.wait(5)
    up.unlink()
    front.keep(1.0)
    assert said == ["the front ended with exit code -9; it is started again"]
    assert front._child is None
    front.keep(AGAIN_S)
    wait_for(up.exists, 10)
    again = front._child
    assert again is not None
    front.end()
    assert again.poll() == -signal.SIGTERM


def test_one_that_cannot_be_started_is_said(tmp_path: Path) -> None:
    said = list[str]()
    front = Front([str(tmp_path / "nowhere")], said.append)
    front.keep(0.0)
    front.keep(1.0)
    assert len(said) == 1
    assert said[0].startswith("the front cannot be started: ")
    front.end()
