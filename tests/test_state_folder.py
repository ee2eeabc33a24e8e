"""The service's folder: for nobody else's eyes, and for one service at a time, its worker included."""

import os
import stat
import subprocess
import threading
import time
from pathlib import Path

import pytest

from benchwarden.daemon.guard import state_folder
from benchwarden.daemon.guard.guardian_desk import Desk, DeskRefused
from benchwarden.daemon.guard.state_folder import StateRefused, has_ended, hold, make_folder, share


def test_nobody_else_looks_in(tmp_path: Path) -> None:
    there = tmp_path / "state"
    there.mkdir(mode=0o755)
    make_folder(there)
    assert stat.S_IMODE(there.stat().st_mode) == 0o700


def test_a_path_too_long_for_a_socket_is_refused(tmp_path: Path) -> None:
    """unix(7): sun_path has 108 bytes; without a check the guardian would only find out when it binds."""
    with pytest.raises(StateRefused, match=r"at most 107 fit; --state names another"):
        make_folder(tmp_path / ("deep" * 25))


def test_a_file_in_the_way_is_refused(tmp_path: Path) -> None:
    (tmp_path / "state").write_text("")
    with pytest.raises(StateRefused, match=r"state: .*; a folder of our own would be right"):
        make_folder(tmp_path / "state")


def test_one_service_and_its_worker_keep_the_others_out(tmp_path: Path) -> None:
    guardian = hold(tmp_path, f"process {os.getpid()} since today")
    worker = share(tmp_path)
    for end in (guardian, worker):  # while either lives, and says who it is
        with pytest.raises(StateRefused, match=f"this bench is in use: process {os.getpid()} since"):
            hold(tmp_path, "process 2")
        os.close(end)
    os.close(hold(tmp_path, "process 2"))


def test_a_worker_that_outlives_its_guardian_is_waited_for(tmp_path: Path) -> None:
    guardian = hold(tmp_path, "process 4194305 since yesterday")  # above pid_max, proc(5): it has ended
    worker = threading.Timer(0.5, os.close, [share(tmp_path)])
    worker.start()
    os.close(guardian)
    os.close(hold(tmp_path, "process 2"))
    assert not worker.is_alive()


def test_a_folder_that_cannot_be_used_is_refused_in_words(tmp_path: Path) -> None:
    (tmp_path / state_folder.LOCK_FILE).mkdir()
    with pytest.raises(StateRefused, match=r"service\.lock: Is a directory; .*--state names another"):
        hold(tmp_path, "process 1")
    (tmp_path / state_folder.GUARDIAN_SOCKET).mkdir()
    with pytest.raises(DeskRefused, match=r"guardian\.sock: Is a directory"), Desk(tmp_path / "guardian.sock"):
        pass


def test_the_last_words_of_the_guardian_before_are_there_once(tmp_path: Path) -> None:
    log = tmp_path / state_folder.GUARDIAN_LOG
    state_folder.append_line(log, "the worker ended; taking over bays left")
    assert state_folder.words_of_before(tmp_path) == []
    assert state_folder.keep_log_of_before(tmp_path)
    assert state_folder.words_of_before(tmp_path) == ["the worker ended; taking over bays left"]
    assert not log.exists()
    assert not state_folder.keep_log_of_before(tmp_path)  # a start later it is no news any more


def test_a_process_that_nobody_has_buried_has_ended() -> None:
    with subprocess.Popen(["true"]) as zombie:
        end = time.monotonic() + 10.0
        while not has_ended(f"process {zombie.pid} since today") and time.monotonic() < end:
            time.sleep(0.01)
        assert Path(f"/proc/{zombie.pid}").exists()
        assert has_ended(f"process {zombie.pid} since today")
    assert not has_ended(f"process {os.getpid()} since today")
    assert not has_ended("it does not say who")
