"""The word to the service manager: plain datagrams, sd_notify(3), and nothing where nobody listens."""

import socket
import subprocess
import sys
from pathlib import Path

import pytest

from benchwarden.daemon.guard.notify import ALIVE, READY, notify
from tests.test_guardian import ENVIRONMENT


@pytest.mark.parametrize("abstract", [False, True])
def test_one_state_is_one_datagram(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, abstract: bool) -> None:
    address = f"@{tmp_path}" if abstract else str(tmp_path / "notify")
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(address.replace("@", "\0", 1))
        manager.settimeout(60.0)
        monkeypatch.setenv("NOTIFY_SOCKET", address)
        notify(READY)
        assert manager.recv(100) == b"READY=1"


def test_nobody_listening_changes_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("NOTIFY_SOCKET", raising=False)
    notify(ALIVE)
    monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "gone"))
    notify(ALIVE)


def test_a_manager_that_reads_nothing_holds_up_nobody(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(tmp_path / "notify"))
        monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "notify"))
        for _ in range(2000):
            notify(ALIVE)


@pytest.mark.realtime
def test_the_guardian_says_that_it_is_ready_and_that_it_lives(tmp_path: Path) -> None:
    """More often than twice in WatchdogSec, sd_watchdog_enabled(3): "every half of this time"."""
    code = (
        "import sys; from benchwarden.daemon.guardian import Guardian; "
        "sys.exit(Guardian([sys.executable, '-c', 'import time; time.sleep(1.7)']).run())"
    )
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(tmp_path / "notify"))
        manager.settimeout(0.1)
        environment = ENVIRONMENT | {"NOTIFY_SOCKET": str(tmp_path / "notify")}
        done = subprocess.run([sys.executable, "-c", code], env=environment, check=False)
        heard: list[bytes] = []
        while True:
            try:
                heard.append(manager.recv(100))
            except TimeoutError:
                break
    assert done.returncode == 0
    assert heard[0] == b"READY=1"
    assert heard.count(b"WATCHDOG=1") >= 3
