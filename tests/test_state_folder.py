"""The service's folder: for nobody else's eyes, and for one service at a time, its worker included."""

import os
import stat
from pathlib import Path

import pytest

from benchwarden.daemon import state_folder
from benchwarden.daemon.state_folder import StateRefused, hold, holder, make_folder, share


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
    assert holder(tmp_path) is None
    guardian = hold(tmp_path, "process 1, bench boat shed")
    worker = share(tmp_path)
    for end in (guardian, worker):  # while either lives, and says who it is
        with pytest.raises(StateRefused, match="this bench is in use: process 1, bench boat shed"):
            hold(tmp_path, "process 2")
        assert holder(tmp_path) == "process 1, bench boat shed"
        os.close(end)
    os.close(hold(tmp_path, "process 2"))
    assert holder(tmp_path) is None


def test_the_last_words_of_the_guardian_before_are_there_once(tmp_path: Path) -> None:
    log = tmp_path / state_folder.GUARDIAN_LOG
    state_folder.append_line(log, "the worker ended; taking over bays left")
    assert state_folder.words_of_before(tmp_path) == []
    state_folder.keep_log_of_before(tmp_path)
    assert state_folder.words_of_before(tmp_path) == ["the worker ended; taking over bays left"]
    assert not log.exists()
