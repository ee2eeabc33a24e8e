"""Lists on disk: what was kept is what is read, and what is no list is named and never guessed at."""

import json
from pathlib import Path

import pytest

from benchwarden.daemon.safety import Heat
from benchwarden.daemon.serving import list_file, waiting_list
from benchwarden.daemon.serving.list_file import ListUnreadable, list_path, read_list, write_list
from benchwarden.daemon.serving.waiting_list import Fate, WaitingList
from tests.test_waiting_list import over, running


@pytest.mark.parametrize(
    "found",
    [
        WaitingList("left"),
        running(),
        over(running(), Fate.FINISHED),
        waiting_list.tripped(running(), "group 3 is 2.1 V … zu tief"),
        waiting_list.tripped(running(), "temperature middle_c is 81", Heat.HOT),
    ],
)
def test_what_is_kept_is_what_is_read(tmp_path: Path, found: WaitingList) -> None:
    write_list(tmp_path, found)
    assert read_list(tmp_path, "left") == found
    assert [path.name for path in tmp_path.iterdir()] == ["left.json"]  # nothing half-written is left


def test_a_list_kept_before_trips_said_whether_they_are_heat_is_read(tmp_path: Path) -> None:
    found = waiting_list.tripped(running(), "hot")
    old = {key: value for key, value in list_file.as_data(found).items() if key != "heat"}
    list_path(tmp_path, "left").write_text(json.dumps(old))
    assert read_list(tmp_path, "left") == found


def test_no_file_is_an_empty_list(tmp_path: Path) -> None:
    assert read_list(tmp_path, "left") == WaitingList("left")


GOOD = list_file.as_data(running())


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("", "not JSON"),
        (json.dumps(GOOD)[:-40], "not JSON"),
        ("[]", "not a waiting list"),
        (json.dumps(GOOD | {"format": 9}), "format is 9; right would be 1"),
        (json.dumps(GOOD | {"stand": "dancing"}), "not a waiting list.*dancing"),
        (json.dumps(GOOD | {"bay": "right"}), "holds the list of bay 'right'; right would be 'left'"),
        (json.dumps(GOOD | {"tests": [GOOD["tests"][0], GOOD["tests"][0]]}), "tests with one number"),
        (json.dumps(GOOD | {"tests": [{"number": 1}]}), "not a waiting list"),
        (json.dumps(GOOD | {"tests": [GOOD["tests"][0] | {"more": 1}]}), "not a waiting list.*more"),
    ],
)
def test_what_is_no_list_is_named(tmp_path: Path, text: str, why: str) -> None:
    list_path(tmp_path, "left").write_text(text)
    with pytest.raises(ListUnreadable, match=f"left.json: .*{why}"):
        read_list(tmp_path, "left")


def test_a_file_that_is_no_text_is_named(tmp_path: Path) -> None:
    list_path(tmp_path, "left").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(ListUnreadable, match="cannot be read"):
        read_list(tmp_path, "left")


def test_one_list_that_cannot_be_read_does_not_push_another_aside(tmp_path: Path) -> None:
    for number, name in ((1, "left.unreadable"), (2, "left.unreadable-2")):
        list_path(tmp_path, "left").write_text(f"broken {number}")
        assert list_file.put_aside(tmp_path, "left") == f"it was kept as {tmp_path / name}"
        assert (tmp_path / name).read_text() == f"broken {number}"
    assert "could not be kept: No such file" in list_file.put_aside(tmp_path, "left")
