"""The run folder: its names, how its files are made safe on the disk, and how it is read back after anything.

Standard library only: the worker writes with this. A run folder holds run.json (what was planned and with
what), samples-001.csv and further segments, and events.jsonl; everything else in it is derived and can be
rebuilt from these three.
"""

import json
import os
import re
import unicodedata
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from benchwarden.results.columns import ColumnsError, parse_row, read_header
from benchwarden.results.run import Run, RunInfo, info_from
from benchwarden.results.sample import Sample

RUN_FILE = "run.json"
EVENTS_FILE = "events.jsonl"
RESULT_FILE = "result.json"
FORMAT = 1
"""The number of this folder's layout, written to run.json as "format"."""

_SEGMENT = re.compile(r"samples-(\d{3,})\.csv")


class FolderError(Exception):
    """A run folder cannot be made or read; the message names the path and what would be right."""


def slug(name: str) -> str:
    """Return a name as part of a path: lower-case ASCII letters and digits joined by single hyphens.

    Accents are dropped ("Möwe" becomes "mowe"). Raises FolderError when nothing of the name is left.
    """
    plain = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode().lower()
    text = "-".join(re.findall(r"[a-z0-9]+", plain))
    if not text:
        raise FolderError(f"name {name!r}: no letter a to z and no digit; at least one would be right")
    return text


def utc_text(unix_time_s: float) -> str:
    """Return a time in seconds since 1970 as "2026-11-25T21:04:11Z", to the second below."""
    return datetime.fromtimestamp(unix_time_s // 1, tz=UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def folder_name(profile_name: str, started_unix_s: float) -> str:
    """Return the name of a run's folder below its pack's: "2026-11-25T21-04-11Z_capacity".

    Raises FolderError as `slug` does.
    """
    return f"{utc_text(started_unix_s).replace(':', '-')}_{slug(profile_name)}"


def new_folder(runs: Path, pack_name: str, profile_name: str, started_unix_s: float) -> Path:
    """Make and return `runs/<pack>/<UTC>_<profile>/`, synced into its parents.

    An existing folder is never used again: a second run in one second gets "-2" and so on at its end.
    Raises FolderError for a name without letters and for a path that cannot be made.
    """
    parent = runs / slug(pack_name)
    name = folder_name(profile_name, started_unix_s)
    try:
        parent.mkdir(parents=True, exist_ok=True)
        for number in range(1, 1000):
            folder = parent / (name if number == 1 else f"{name}-{number}")
            try:
                folder.mkdir()
            except FileExistsError:
                continue
            for path in (parent, runs):
                sync_directory(path)
            return folder
    except OSError as problem:
        raise FolderError(f"{parent / name}: {problem.strerror}; a directory that can be written to") from problem
    raise FolderError(f"{parent / name}: a thousand runs began in this second; look at the clock")


def segment_name(number: int) -> str:
    """Return the name of the samples file with this number, counted from 1: "samples-001.csv"."""
    return f"samples-{number:03d}.csv"


def segments(folder: Path) -> list[tuple[int, Path]]:
    """Return the numbers and paths of a folder's samples files in the order of their numbers."""
    found = [(int(match[1]), path) for path in folder.iterdir() if (match := _SEGMENT.fullmatch(path.name))]
    return sorted(found)


def next_segment(folder: Path) -> Path:
    """Return the path of the samples file that a new start writes: one above the highest that exists."""
    existing = segments(folder)
    return folder / segment_name(existing[-1][0] + 1 if existing else 1)


def event_line(event: Mapping[str, Any]) -> str:
    """Return one event as one line of events.jsonl, with its line end.

    Raises FolderError when it holds something JSON has no word for, such as NaN.
    """
    try:
        return json.dumps(event, allow_nan=False, ensure_ascii=False, separators=(",", ":")) + "\n"
    except (TypeError, ValueError) as problem:
        raise FolderError(f"event {event.get('event')!r}: {problem}; numbers must be finite") from None


def write_info(folder: Path, info: Mapping[str, Any]) -> None:
    """Write run.json; raises FolderError as `write_json` does."""
    write_json(folder / RUN_FILE, info)


def write_json(path: Path, data: Mapping[str, Any]) -> None:
    """Write a JSON file so that after a power cut the old or the new content is there, never a part.

    Temporary file in the same directory, fsync, rename, fsync of the directory. Raises FolderError when the
    data are not JSON (NaN is not) or the disk refuses; the old file is then untouched.
    """
    try:
        text = json.dumps(data, allow_nan=False, ensure_ascii=False, indent=2) + "\n"
    except (TypeError, ValueError) as problem:
        raise FolderError(f"{path}: {problem}; only finite numbers, texts, lists and tables") from None
    temporary = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        with temporary.open("wb") as file:
            file.write(text.encode())
            file.flush()
            os.fsync(file.fileno())
        temporary.replace(path)
        sync_directory(path.parent)
    except OSError as problem:
        temporary.unlink(missing_ok=True)
        raise FolderError(f"{path}: {problem.strerror}; a disk with room that can be written to") from problem


def sync_directory(path: Path) -> None:
    """Bring a directory's list of names to the disk; raises OSError when the disk refuses."""
    descriptor = os.open(path, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def read_run(path: Path) -> Run:
    """Return a run as it lies in its folder, whatever happened to its files.

    Whole rows and events are kept; a torn tail, a gap in the sequence, a segment that is missing, a row that
    cannot be read and a run.json that is missing are named in `Run.problems`. Raises FolderError only when
    `path` is no directory.
    """
    if not path.is_dir():
        raise FolderError(f"{path}: no such directory; the folder of a run would be right")
    problems: list[str] = []
    info = _read_info(path, problems)
    samples = _read_samples(path, problems)
    events = _read_events(path, problems)
    return Run(path=path, info=info, samples=samples, events=events, problems=problems)


def _read_info(folder: Path, problems: list[str]) -> RunInfo:
    try:
        data = json.loads((folder / RUN_FILE).read_bytes())
    except FileNotFoundError:
        problems.append(f"{RUN_FILE}: missing; what was planned for this run is unknown")
        return RunInfo()
    except (OSError, ValueError) as problem:
        problems.append(f"{RUN_FILE}: cannot be read ({problem}); what was planned for this run is unknown")
        return RunInfo()
    if not isinstance(data, dict):
        problems.append(f"{RUN_FILE}: found a {type(data).__name__}; a JSON object would be right")
        return RunInfo()
    return info_from(data, problems)


def _whole_lines(path: Path, problems: list[str]) -> list[str]:
    """Return the lines that end with a line end; what stands after the last one was torn off."""
    try:
        content = path.read_bytes()
    except FileNotFoundError:
        problems.append(f"{path.name}: missing")
        return []
    except OSError as problem:
        problems.append(f"{path.name}: cannot be read ({problem.strerror})")
        return []
    whole, _, torn = content.rpartition(b"\n")
    lines = whole.decode("utf-8", errors="replace").split("\n") if whole else []
    if torn:
        problems.append(f"{path.name}: torn tail of {len(torn)} bytes after line {len(lines)}, left out")
    elif not content:
        problems.append(f"{path.name}: empty; torn before its first line was written")
    return lines


def _read_samples(folder: Path, problems: list[str]) -> list[Sample]:
    samples: list[Sample] = []
    found = segments(folder)
    if not found:
        problems.append(f"{segment_name(1)}: missing; the run left no samples")
    for expected, (number, path) in enumerate(found, start=1):
        if number != expected and (expected == 1 or number != found[expected - 2][0] + 1):
            problems.append(f"{path.name}: the segment before it is missing")
        _read_segment(path, samples, problems)
    return samples


def _read_segment(path: Path, samples: list[Sample], problems: list[str]) -> None:
    lines = _whole_lines(path, problems)
    if not lines:
        return
    try:
        layout = read_header(lines[0])
    except ColumnsError as problem:
        problems.append(f"{path.name}: {problem}; its {len(lines) - 1} rows are left out")
        return
    unread: list[str] = []
    previous = samples[-1] if samples else None
    for number, line in enumerate(lines[1:], start=2):
        try:
            sample = parse_row(line, layout)
        except ColumnsError as problem:
            unread.append(f"line {number}: {problem}")
            continue
        if previous is not None and sample.sequence != previous.sequence + 1:
            if sample.sequence <= previous.sequence:
                unread.append(f"line {number}: sample {sample.sequence} stands after {previous.sequence}")
                continue
            gap = f"samples {previous.sequence + 1} to {sample.sequence - 1} are missing"
            problems.append(f"{path.name}, line {number}: {gap}")
        samples.append(sample)
        previous = sample
    if unread:
        more = f" and {len(unread) - 3} more" if len(unread) > 3 else ""
        problems.append(f"{path.name}: {len(unread)} rows left out: {'; '.join(unread[:3])}{more}")


def _read_events(folder: Path, problems: list[str]) -> list[dict[str, Any]]:
    events: list[dict[str, Any]] = []
    last: int | None = None
    for number, line in enumerate(_whole_lines(folder / EVENTS_FILE, problems), start=1):
        try:
            event = json.loads(line)
        except ValueError:
            event = None
        if not isinstance(event, dict) or not isinstance(event.get("event"), str):
            problems.append(f'{EVENTS_FILE}, line {number}: {line[:60]!r}; an object with an "event" would be right')
            continue
        sequence = event.get("seq")
        if isinstance(sequence, int):
            if last is not None and sequence != last + 1:
                problems.append(f"{EVENTS_FILE}, line {number}: event {sequence} stands after {last}")
            last = sequence
        events.append(event)
    return events
