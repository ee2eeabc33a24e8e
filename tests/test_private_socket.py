"""A control socket is its owner's alone from its first moment, and takes the place of what was left."""

import socket
from pathlib import Path

import pytest

from benchwarden.daemon.guard.private_socket import private_socket


def test_a_socket_is_its_owners_alone_and_takes_the_place_of_what_was_left(tmp_path: Path) -> None:
    path = tmp_path / "worker.sock"
    path.write_text("left by a machine that lost its power")
    for _ in range(2):  # the second time in place of a socket that nobody listens at any more
        with private_socket(path) as made, socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as near:
            assert path.is_socket()
            assert path.stat().st_mode & 0o777 == 0o600
            made.listen()
            near.connect(str(path))


def test_a_socket_in_a_folder_that_is_not_there_is_an_error_and_changes_no_rights_afterwards(tmp_path: Path) -> None:
    (tmp_path / "before").touch()
    with pytest.raises(FileNotFoundError):
        private_socket(tmp_path / "nowhere" / "worker.sock")
    (tmp_path / "after").touch()
    assert (tmp_path / "after").stat().st_mode == (tmp_path / "before").stat().st_mode
