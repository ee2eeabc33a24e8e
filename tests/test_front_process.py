"""The guardian's hold on the front: started again when it dies, ended last, and nobody waits for it."""

import os
import signal
import subprocess
import sys
import threading
from collections.abc import Sequence
from pathlib import Path

import pytest

from benchwarden.daemon.guard import front_process
from benchwarden.daemon.guard.front_process import AGAIN_S, Front
from tests.shed import wait_for

WAITS = "import pathlib, sys, time; pathlib.Path(sys.argv[1]).write_text('up'); time.sleep(60)"


def test_one_that_dies_is_started_again_but_not_at_once(tmp_path: Path) -> None:
    up, said = tmp_path / "up", list[str]()
    front = Front([sys.executable, "-c", WAITS, str(up)], said.append)
    front.keep(0.0)
    wait_for(lambda: up.exists() and front._child, 60)
    child = front._child
    assert child is not None
    os.kill(child.pid, signal.SIGKILL)
    child.wait(60)
    up.unlink()
    front.keep(1.0)
    assert said == ["the front ended with exit code -9; it is started again"]
    assert front._child is None
    front.keep(AGAIN_S)
    wait_for(lambda: up.exists() and front._child, 60)
    again = front._child
    assert again is not None
    front.end()
    assert again.poll() == -signal.SIGTERM


def test_one_that_cannot_be_started_is_said(tmp_path: Path) -> None:
    said = list[str]()
    front = Front([str(tmp_path / "nowhere")], said.append)
    front.keep(0.0)

    def kept_and_said() -> list[str]:
        front.keep(1.0)
        return said

    wait_for(kept_and_said, 60)
    front.keep(2.0)
    assert len(said) == 1
    assert said[0].startswith("the front cannot be started: ")
    front.end()


class StandsStill:
    """In the place of the system's way to start a process: it takes as long as it is told to."""

    def __init__(self) -> None:
        self.may_end = threading.Event()
        self.begun = 0

    def __call__(self, command: Sequence[str], **options: object) -> "subprocess.Popen[bytes]":
        self.begun += 1
        self.may_end.wait(60)
        return subprocess.Popen(command, stdin=subprocess.DEVNULL)


def test_a_start_that_takes_long_holds_nobody_up(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A disk that stands still: the guardian, which calls this, must go on all the same."""
    slow, said = StandsStill(), list[str]()
    monkeypatch.setattr(front_process, "start_process", slow)
    front = Front([sys.executable, "-c", WAITS, str(tmp_path / "up")], said.append)
    for second in range(30):
        front.keep(float(second))  # each would wait for 20 s
    assert not slow.may_end.is_set()
    assert slow.begun == 1
    slow.may_end.set()
    wait_for(lambda: front._child, 60)
    child = front._child
    assert child is not None
    front.keep(31.0)
    assert front._child is child
    front.end()
    assert child.poll() == -signal.SIGTERM
    assert said == []


def test_one_that_starts_only_after_the_end_is_ended_at_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    slow = StandsStill()
    monkeypatch.setattr(front_process, "start_process", slow)
    monkeypatch.setattr(front_process, "GRACE_S", 0.05)
    front = Front([sys.executable, "-c", WAITS, str(tmp_path / "up")], print)
    front.keep(0.0)
    wait_for(lambda: slow.begun, 60)
    front.end()
    slow.may_end.set()
    wait_for(lambda: front._child, 60)
    assert front._child is not None
    assert front._child.wait(60) == -signal.SIGTERM
