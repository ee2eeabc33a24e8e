"""The run folder: its names, how its files are made safe on the disk, and how it is read back after anything.

Standard library only: the worker writes with this. A run folder holds run.json (what was planned and with
what), samples-001.csv and further segments, and events.jsonl; everything else in it is derived and can be
rebuilt from these three. When the disk was full or a file failed, rows and events went on in further segments and
in reserve.bin; reading joins them all.
"""

import fcntl
import json
import os
import re
import unicodedata
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from benchwarden.results.columns import ColumnsError, parse_row, read_header
from benchwarden.results.run import Run, RunInfo, info_from
from benchwarden.results.sample import Sample

RUN_FILE = "run.json"
EVENTS_FILE = "events.jsonl"
RESULT_FILE = "result.json"
RESERVE_FILE = "reserve.bin"
FORMAT = 1
"""The number of this folder's layout, written to run.json as "format"."""

_SEGMENT = re.compile(r"samples-(\d{3,})\.csv")
_BLOCK_BYTES = 65_536
_EVENTS_SEGMENT = re.compile(r"events-(\d{3,})\.jsonl")


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


def events_name(number: int) -> str:
    """Return the name of the events file with this number: "events.jsonl", then "events-002.jsonl"."""
    return EVENTS_FILE if number == 1 else f"events-{number:03d}.jsonl"


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
    """Write a JSON file as `write_text` does; FolderError also for data that are not JSON (NaN is not)."""
    try:
        text = json.dumps(data, allow_nan=False, ensure_ascii=False, indent=2) + "\n"
    except (TypeError, ValueError) as problem:
        raise FolderError(f"{path}: {problem}; only finite numbers, texts, lists and tables") from None
    write_text(path, text)


def write_text(path: Path, text: str) -> None:
    """Write a file so that after a power cut the old or the new content is there, never a part.

    Temporary file in the same directory, fsync, rename, fsync of the directory. Raises FolderError when the disk
    refuses; the old file is then untouched.
    """
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


def is_being_written(folder: Path) -> bool:
    """Whether some process holds the lock of a run's folder: its run goes on."""
    try:
        descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    except OSError:
        return False
    try:
        fcntl.flock(descriptor, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except BlockingIOError:
        return True
    except OSError:  # a file system without locks
        return False
    finally:
        os.close(descriptor)
    return False


def drop_unused_reserve(folder: Path) -> None:
    """Remove the reserve of a run that nobody writes any more, if nothing was written to it; never raises."""
    problems: list[str] = []
    rows, events = _read_reserve(folder, problems)
    if not (rows or events or problems or is_being_written(folder)):
        with suppress(OSError):
            (folder / RESERVE_FILE).unlink()


def interrupted_runs(runs: Path) -> list[Path]:
    """Return the run folders below `runs` that have neither an end nor a result, and that nobody writes."""
    found: list[Path] = []
    for info in sorted(runs.glob(f"*/*/{RUN_FILE}")):
        folder = info.parent
        if (folder / RESULT_FILE).exists() or is_being_written(folder):
            continue
        ignored: list[str] = []
        events = _read_events(folder, _read_reserve(folder, ignored)[1], ignored)
        if not any(event["event"] == "ended" for event in events):
            found.append(folder)
    return found


def read_events(folder: Path) -> list[dict[str, Any]]:
    """Return a run's whole events from every file that has some, in their order; none where there is no folder.

    A folder that is being written may be read; what is wrong with one is for `read_run` to name.
    """
    ignored: list[str] = []
    try:
        return _read_events(folder, _read_reserve(folder, ignored)[1], ignored)
    except OSError:
        return []


def read_run(path: Path, samples: Callable[[], Sequence[Sample]] | None = None) -> Run:
    """Return a run as it lies in its folder, whatever happened to its files.

    `samples` reads them another way; it is asked only where the reserve holds no rows.

    Whole rows and events are kept, from every segment and the reserve, each once by its number; a torn tail, a gap in
    the sequence, a segment that is missing, a row that cannot be read and a run.json that is missing are named in
    `Run.problems`. Raises FolderError only when `path` is no directory, or holds nothing of a run.
    """
    if not path.is_dir():
        raise FolderError(f"{path}: no such directory; the folder of a run would be right")
    if not _holds_a_run(path):
        raise FolderError(
            f"{path}: no run: found neither {RUN_FILE} nor samples; the folder that holds {RUN_FILE} would be right"
        )
    problems: list[str] = []
    live = is_being_written(path)
    info = _read_info(path, problems)
    rows, lines = _read_reserve(path, problems)
    found = samples() if samples is not None and not rows else _read_samples(path, rows, problems)
    events = _read_events(path, lines, problems)
    return Run(path=path, info=info, samples=found, events=events, problems=problems, live=live)


def _holds_a_run(folder: Path) -> bool:
    """Whether there is anything that a run writes: one without run.json is still read for its samples and events."""
    return any((folder / name).exists() for name in (RUN_FILE, EVENTS_FILE, RESERVE_FILE)) or bool(segments(folder))


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


def _content(path: Path, problems: list[str], read: Callable[[Path], bytes] = Path.read_bytes) -> bytes | None:
    try:
        return read(path)
    except FileNotFoundError:
        problems.append(f"{path.name}: missing")
    except OSError as problem:
        problems.append(f"{path.name}: cannot be read ({problem.strerror})")
    return None


def _written(path: Path) -> bytes:
    """Return what a reserve holds, each block of zeros as one: nearly all of its 16 MiB are, and it is read often."""
    content = bytearray()
    with path.open("rb") as file:
        while block := file.read(_BLOCK_BYTES):
            content += block if block.strip(b"\0") else b"\0"
    return bytes(content)


def _whole_lines(name: str, content: bytes | None, problems: list[str]) -> list[str]:
    """Return the lines that end with a line end; what stands after the last one was torn off."""
    if content is None:
        return []
    whole, _, torn = content.rpartition(b"\n")
    lines = whole.decode("utf-8", errors="replace").split("\n") if whole else []
    if torn:
        problems.append(f"{name}: torn tail of {len(torn)} bytes after line {len(lines)}, left out")
    elif not content:
        problems.append(f"{name}: empty; torn before its first line was written")
    return lines


def _read_reserve(folder: Path, problems: list[str]) -> tuple[list[str], list[str]]:
    """Return the reserve's rows with the header before them, and its events; zeros are what was never written."""
    if not (folder / RESERVE_FILE).exists():
        return [], []
    content = (_content(folder / RESERVE_FILE, problems, _written) or b"").rstrip(b"\0")
    if not content:
        return [], []
    lines = _whole_lines(RESERVE_FILE, content, problems)
    if b"\0" in content:
        problems.append(f"{RESERVE_FILE}: holes; what was not yet on the disk when the power went is missing")
        # Nobody knows where in a line its zeros end: what is left of a number would read as another number.
        lines = [line for line in lines if "\0" not in line]
    events = [line for line in lines if line.startswith("{")]
    rows = [line for line in lines if not line.startswith("{")]
    return (rows if len(rows) > 1 else []), events


def _read_samples(folder: Path, reserve: list[str], problems: list[str]) -> list[Sample]:
    parts: list[list[tuple[str, Sample]]] = []
    found = segments(folder)
    if not found:
        problems.append(f"{segment_name(1)}: missing; the run left no samples")
    for expected, (number, path) in enumerate(found, start=1):
        if number != expected and (expected == 1 or number != found[expected - 2][0] + 1):
            problems.append(f"{path.name}: the segment before it is missing")
        lines = _whole_lines(path.name, _content(path, problems), problems)
        parts.append(_read_segment(path.name, lines, problems))
    parts.append(_read_segment(RESERVE_FILE, reserve, problems))
    return _joined(parts, problems)


def _read_segment(name: str, lines: list[str], problems: list[str]) -> list[tuple[str, Sample]]:
    """Return the samples of one file in their order, each with where it stands."""
    if not lines:
        return []
    try:
        layout = read_header(lines[0])
    except ColumnsError as problem:
        problems.append(f"{name}: {problem}; its {len(lines) - 1} rows are left out")
        return []
    samples: list[tuple[str, Sample]] = []
    unread: list[str] = []
    previous: int | None = None
    for number, line in enumerate(lines[1:], start=2):
        try:
            sample = parse_row(line, layout)
        except ColumnsError as problem:
            unread.append(f"line {number}: {problem}")
            continue
        if previous is not None and sample.sequence <= previous:
            unread.append(f"line {number}: sample {sample.sequence} stands after {previous}")
            continue
        samples.append((f"{name}, line {number}", sample))
        previous = sample.sequence
    if unread:
        more = f" and {len(unread) - 3} more" if len(unread) > 3 else ""
        problems.append(f"{name}: {len(unread)} rows left out: {'; '.join(unread[:3])}{more}")
    return samples


def _joined(parts: list[list[tuple[str, Sample]]], problems: list[str]) -> list[Sample]:
    """Return the samples of all files, each once by its number, and name the gaps.

    A later file may repeat what an earlier one was not sure to have: the first that can be read counts.
    """
    found: dict[int, tuple[str, Sample]] = {}
    for part in parts:
        for where, sample in part:
            known = found.setdefault(sample.sequence, (where, sample))
            if known[1] != sample:
                problems.append(f"{where}: sample {sample.sequence} differs from the one at {known[0]}, which counts")
    samples: list[Sample] = []
    previous: int | None = None
    for sequence in sorted(found):
        where, sample = found[sequence]
        if previous is not None and sequence != previous + 1:
            problems.append(f"{where}: samples {previous + 1} to {sequence - 1} are missing")
        samples.append(sample)
        previous = sequence
    return samples


def _read_events(folder: Path, reserve: list[str], problems: list[str]) -> list[dict[str, Any]]:
    names = sorted(path.name for path in folder.iterdir() if _EVENTS_SEGMENT.fullmatch(path.name))
    sources = [
        (name, _whole_lines(name, _content(folder / name, problems), problems)) for name in (EVENTS_FILE, *names)
    ]
    sources.append((RESERVE_FILE, reserve))
    events: list[dict[str, Any]] = []
    seen: dict[int, dict[str, Any]] = {}
    last: int | None = None
    for name, lines in sources:
        for number, line in enumerate(lines, start=1):
            try:
                event = json.loads(line)
            except ValueError:
                event = None
            if not isinstance(event, dict) or not isinstance(event.get("event"), str):
                problems.append(f'{name}, line {number}: {line[:60]!r}; an object with an "event" would be right')
                continue
            sequence = event.get("seq")
            if isinstance(sequence, int):
                if seen.get(sequence) == event and name != EVENTS_FILE:
                    continue  # written again after its file failed
                seen.setdefault(sequence, event)
                if last is not None and sequence != last + 1:
                    problems.append(f"{name}, line {number}: event {sequence} stands after {last}")
                last = sequence
            events.append(event)
    return events
