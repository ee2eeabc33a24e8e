"""Keeps a bay's waiting list on disk: one JSON file, whole or not at all, that people can read."""

import json
from dataclasses import asdict
from pathlib import Path
from typing import Any

from benchwarden.daemon.safety import Heat
from benchwarden.daemon.serving.waiting_list import Entry, Fate, Stand, WaitingList
from benchwarden.results.folder import write_json

FORMAT = 1


class ListUnreadable(Exception):
    """A list's file is not one; the message names the file and what was found."""


def list_path(state: Path, bay: str) -> Path:
    """Return where a bay's list is kept."""
    return state / f"{bay}.json"


def as_data(found: WaitingList) -> dict[str, Any]:
    """Return a list as JSON data."""
    return {
        "format": FORMAT,
        "bay": found.bay,
        "pack": found.pack,
        "pack_name": found.pack_name,
        "stand": found.stand.value,
        "why": found.why,
        "heat": found.heat.value,
        "tests": [asdict(test) | {"fate": test.fate.value} for test in found.tests],
    }


def from_data(data: Any, where: str) -> WaitingList:
    """Return the list that JSON data hold; raises ListUnreadable. `where` names their file."""
    try:
        if data["format"] != FORMAT:
            raise ListUnreadable(f"{where}: format is {data['format']!r}; right would be {FORMAT}")
        tests = tuple(Entry(**{**test, "fate": Fate(test["fate"])}) for test in data["tests"])
        if len({test.number for test in tests}) != len(tests):
            raise ListUnreadable(f"{where}: tests with one number; each has its own")
        return WaitingList(
            str(data["bay"]),
            str(data["pack"]),
            str(data["pack_name"]),
            tests,
            Stand(data["stand"]),
            str(data["why"]),
            Heat(data.get("heat", "no")),  # lists of before had none
        )
    except (KeyError, TypeError, ValueError) as error:
        raise ListUnreadable(f"{where}: not a waiting list ({error!r})") from error


def read_list(state: Path, bay: str) -> WaitingList:
    """Return a bay's list, an empty one where there is no file; raises ListUnreadable."""
    path = list_path(state, bay)
    try:
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError:
        return WaitingList(bay)
    except (OSError, UnicodeDecodeError) as error:
        raise ListUnreadable(f"{path}: cannot be read ({error})") from error
    try:
        data = json.loads(text)
    except ValueError as error:
        raise ListUnreadable(f"{path}: not JSON ({error})") from error
    found = from_data(data, str(path))
    if found.bay != bay:
        raise ListUnreadable(f"{path}: holds the list of bay {found.bay!r}; right would be {bay!r}")
    return found


def put_aside(state: Path, bay: str) -> str:
    """Keep a list that cannot be read under another name, and return in words what became of it."""
    path = list_path(state, bay)
    there = (path.with_suffix(f".unreadable{f'-{number}' if number > 1 else ''}") for number in range(1, 1000))
    kept = next((one for one in there if not one.exists()), path)
    try:
        path.replace(kept)
    except OSError as error:
        return f"it could not be kept: {error.strerror}"
    return f"it was kept as {kept}"


def write_list(state: Path, found: WaitingList) -> None:
    """Keep a bay's list; raises FolderError when the disk refuses, and the old one is then untouched."""
    write_json(list_path(state, found.bay), as_data(found))
