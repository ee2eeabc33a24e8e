"""The record as the page shows it: run folders found, read and thinned, read only. Everything here waits for the disk.

Of a run that goes on, only what was added since the last look is read.
"""

import json
import re
import threading
import warnings
from array import array
from collections import OrderedDict
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from benchwarden.daemon.front.page_words import event_words, figures_of, limits_of, protections_of
from benchwarden.daemon.front.thinning import Point, thinned, window
from benchwarden.results.columns import ColumnsError, Layout, labels, numeric_places, parse_row, read_header
from benchwarden.results.folder import (
    RESERVE_FILE,
    RESULT_FILE,
    RUN_FILE,
    is_being_written,
    read_run,
    segments,
)
from benchwarden.results.procedure import steps_of
from benchwarden.results.run import info_from
from benchwarden.results.sample import Sample

NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,99}")
FILES = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,79}\.(json|jsonl|csv|png|svg|html|parquet|bin)")
SLICES_MOST = 2000
KEPT = 6  # runs whose columns stay in memory; the newest 8 h at ten samples a second take about 35 MB
EVENTS_SHOWN = 300
NOT_KNOWN = float("nan")
BLOCK = 20_000  # rows taken at once
ROW_FIELDS = len(labels(0, ()))
STEP_TYPE = labels(0, ()).index("Step Type")

FloatColumn = npt.NDArray[np.float64]


class NoSuchRun(Exception):
    """There is no such run, or no such file of it; the message says what was looked for."""


@dataclass(slots=True)
class Columns:
    """The columns of one run that a chart draws, as far as its files were read; NaN for what is missing."""

    folder: Path
    times: "array[float]" = field(default_factory=lambda: array("d"))
    curves: "dict[str, array[float]]" = field(default_factory=dict)
    steps: list[dict[str, Any]] = field(default_factory=list)
    sequence: int = -1
    _places: tuple[str, ...] = ()
    _read: dict[int, int] = field(default_factory=dict)
    _layouts: dict[int, Layout] = field(default_factory=dict)
    _reserve_read: bool = False
    _lock: Any = field(default_factory=threading.Lock)

    def grow(self, places: tuple[str, ...]) -> None:
        """Read the rows that were added; a line without its end waits for the next time."""
        with self._lock:
            self._places = places
            for number, path in segments(self.folder):
                if not self._read or number >= max(self._read):
                    self._grow_by(number, path)
            # Rows that found no room on the disk; nobody adds to them once the run has ended.
            if not self._reserve_read and (self.folder / RESERVE_FILE).exists() and not is_being_written(self.folder):
                self._reserve_read = True
                for sample in read_run(self.folder).samples:
                    self._take(sample)

    def _grow_by(self, number: int, path: Path) -> None:
        with path.open("rb") as file:
            file.seek(self._read.setdefault(number, 0))
            content = file.read()
        whole = content[: content.rfind(b"\n") + 1]
        self._read[number] += len(whole)
        lines = whole.decode("utf-8", errors="replace").splitlines()
        begin = 0
        while number not in self._layouts and begin < len(lines):
            with suppress(ColumnsError):
                self._layouts[number] = read_header(lines[begin])
            begin += 1
        for first in range(begin, len(lines), BLOCK):
            some = lines[first : first + BLOCK]
            try:
                self._take_block(some, self._layouts[number])
            except ValueError:
                self._take_each(some, self._layouts[number])

    def _take_each(self, lines: list[str], layout: Layout) -> None:
        for line in lines:
            with suppress(ColumnsError):  # `benchwarden report` names what cannot be read
                self._take(parse_row(line, layout))

    def _take_block(self, lines: list[str], layout: Layout) -> None:
        """Take many rows at once; ValueError, and nothing is taken, if any is not as all should be."""
        found = _numbers(lines, layout)
        sequence, times, counts = found["sequence"], found["test_time_s"], found["step_count"]
        sure = np.isfinite(times).all() and _whole(sequence) and _whole(counts)
        if not sure or sequence[0] <= self.sequence or not (np.diff(sequence) > 0).all():
            raise ValueError("rows are not in order")
        new = {"voltage_v": found["voltage_v"], "current_a": found["current_a"]}
        new["power_w"] = found["voltage_v"] * found["current_a"]
        groups = [found[f"group {number + 1}"] for number in range(layout.groups)]
        missing = np.full(len(times), NOT_KNOWN)
        new["lowest_v"] = np.fmin.reduce(groups) if groups else missing
        new["highest_v"] = np.fmax.reduce(groups) if groups else missing
        for number, place in enumerate(self._places[: layout.temperatures], start=1):
            new[f"{place}_c"] = found[f"temperature {number}"]
        for name, values in new.items():
            curve = self.curves.setdefault(name, array("d", [NOT_KNOWN]) * len(self.times))
            curve.frombytes(values.tobytes())
        self.sequence = int(sequence[-1])
        self.times.frombytes(times.tobytes())
        edges = [0, *(np.flatnonzero(np.diff(counts)) + 1).tolist(), len(counts)]
        for begin, end in pairwise(edges):
            if not self.steps or self.steps[-1]["step"] != int(counts[begin]):
                kind = lines[begin].split(",")[STEP_TYPE]
                self.steps.append({"step": int(counts[begin]), "kind": kind, "from_s": float(times[begin])})
            self.steps[-1]["to_s"] = float(times[end - 1])

    def _take(self, sample: Sample) -> None:
        if sample.sequence <= self.sequence:
            return
        self.sequence = sample.sequence
        self.times.append(sample.test_time_s)
        voltage_v, current_a = sample.voltage_v, sample.current_a
        groups = [value for value in sample.groups_v if value is not None]
        row = {
            "voltage_v": voltage_v,
            "current_a": current_a,
            "power_w": None if voltage_v is None or current_a is None else voltage_v * current_a,
            "lowest_v": min(groups, default=None),
            "highest_v": max(groups, default=None),
        }
        row |= {f"{place}_c": value for place, value in zip(self._places, sample.temperatures_c, strict=False)}
        for name, value in row.items():
            curve = self.curves.setdefault(name, array("d", [NOT_KNOWN]) * (len(self.times) - 1))
            curve.append(NOT_KNOWN if value is None else value)
        if not self.steps or self.steps[-1]["step"] != sample.step_count:
            self.steps.append({"step": sample.step_count, "kind": sample.step_type, "from_s": sample.test_time_s})
        self.steps[-1]["to_s"] = sample.test_time_s

    def drawn(self, from_s: float | None, to_s: float | None, slices: int) -> dict[str, Any]:
        """Return what a chart draws of a time, thinned to `slices`: {curve: [[s, value], …]}, steps, last sample."""
        with self._lock:
            begin, end = window(self.times, from_s, to_s)
            times = self.times[begin:end]
            cut = {name: curve[begin:end] for name, curve in self.curves.items()}
            found = {
                "sequence": self.sequence,
                "from_s": self.times[0] if self.times else None,
                "to_s": self.times[-1] if self.times else None,
                "steps": [dict(step) for step in self.steps],
            }
        raw = len(times) <= 2 * slices
        curves = {name: _rounded(thinned(times, curve, slices)) for name, curve in cut.items()}
        return {**found, "raw": raw, "curves": curves}


def _whole(values: FloatColumn) -> bool:
    return bool((np.floor(values) == values).all())


def _numbers(lines: list[str], layout: Layout) -> dict[str, FloatColumn]:
    """Return what a chart needs of many rows by its names, NaN where a field is empty; ValueError for any odd row."""
    text = "\n".join([*lines, ""])
    if text.count(",") != len(lines) * (ROW_FIELDS + layout.temperatures + layout.groups - 1):
        raise ValueError("a row has another number of fields")
    places = numeric_places(layout)
    try:
        table = _table(lines, tuple(places.values()))
        odd = bool(np.isnan(table).any())
    except ValueError:  # an empty field, most likely
        odd = "nan" in text.lower()
        filled = text.replace(",,", ",nan,").replace(",,", ",nan,").replace(",\n", ",nan\n")
        table = _table(filled.splitlines(), tuple(places.values()))
    if odd or len(table) != len(lines) or np.isinf(table).any():
        raise ValueError("a row is empty, or a number is not finite")
    columns = np.ascontiguousarray(table.T)
    return {name: columns[number] for number, name in enumerate(places)}


def _table(lines: list[str], places: tuple[int, ...]) -> FloatColumn:
    with warnings.catch_warnings():
        warnings.simplefilter("error", UserWarning)  # of lines without anything
        try:
            return np.loadtxt(lines, delimiter=",", usecols=places, comments=None, ndmin=2)
        except UserWarning as error:
            raise ValueError(str(error)) from error


def _rounded(points: list[Point]) -> list[tuple[float, float | None]]:
    """Return points with no more digits than a screen or a meter has."""
    return [(round(time, 2), None if value is None else round(value, 4)) for time, value in points]


class Record:
    """Every run below a folder; a run is named "heron/2026-11-25T21-04-11Z_standard"."""

    def __init__(self, runs: Path) -> None:
        self._runs = runs
        self._columns: OrderedDict[str, Columns] = OrderedDict()
        self._listed: dict[str, tuple[tuple[float, float], dict[str, Any]]] = {}
        self._lock = threading.Lock()

    def folder(self, run: str) -> Path:
        """Return a run's folder; NoSuchRun for whatever is none below the runs."""
        parts = run.split("/")
        if len(parts) != 2 or not all(NAME.fullmatch(part) for part in parts):
            raise NoSuchRun(f"{run!r} names no run; right would be such as heron/2026-11-25T21-04-11Z_standard")
        folder = self._runs / parts[0] / parts[1]
        if not folder.is_dir() or folder.resolve() != self._runs.resolve() / parts[0] / parts[1]:
            raise NoSuchRun(f"there is no run {run}")
        return folder

    def file(self, run: str, name: str) -> Path:
        """Return one file of a run; NoSuchRun for whatever is not one of its own."""
        path = self.folder(run) / name
        if not FILES.fullmatch(name) or path.is_symlink() or not path.is_file():
            raise NoSuchRun(f"run {run} has no file {name!r}")
        return path

    def listed(self, first: int, most: int) -> dict[str, Any]:
        """Return runs from the newest on, `most` of them from the `first` (0), each with how it ended and figures."""
        found = sorted(
            (path.parent for path in self._runs.glob(f"*/*/{RUN_FILE}")), key=lambda path: path.name, reverse=True
        )
        names = ["/".join(folder.parts[-2:]) for folder in found]
        return {"count": len(names), "runs": [self._summary(name) for name in names[first : first + most]]}

    def _summary(self, run: str) -> dict[str, Any]:
        folder = self._runs / run
        times = (_changed(folder / RUN_FILE), _changed(folder / RESULT_FILE))
        known = self._listed.get(run)
        if known is None or known[0] != times:
            info, result = _json(folder / RUN_FILE), _json(folder / RESULT_FILE)
            known = (times, _summarised(run, info, result))
            self._listed[run] = known
        goes_on = not times[1] and is_being_written(folder)
        report = (folder / "report.html").is_file()
        return known[1] | {"report": report} | ({"how": "running", "why": ""} if goes_on else {})

    def detail(self, run: str) -> dict[str, Any]:
        """Return all that is shown of one run beside its curves."""
        folder = self.folder(run)
        info, result, events = _json(folder / RUN_FILE), _json(folder / RESULT_FILE), _events(folder)
        plan = info_from(info, []).plan
        told = [
            {"seq": event.get("seq"), "test_time_s": event.get("test_time_s"), "utc": event.get("utc"), "words": words}
            for event in events
            if (words := event_words(event)) is not None
        ]
        return {
            **self._summary(run),
            "steps": steps_of(plan),
            "limits": limits_of(plan),
            "group_limits_v": [(plan.get("limits") or {}).get(key) for key in ("group_low_v", "group_high_v")],
            "protections": protections_of(info, events),
            "notes": [str(text) for text in plan.get("notes") or []],
            "events": told[-EVENTS_SHOWN:],
            "problems": [str(text) for text in result.get("problems") or []],
            "files": sorted(
                [path.name, path.stat().st_size]
                for path in folder.iterdir()
                if FILES.fullmatch(path.name) and path.is_file() and not path.is_symlink()
            ),
        }

    def drawn(self, run: str, from_s: float | None, to_s: float | None, slices: int) -> dict[str, Any]:
        """Return a run's curves as `Columns.drawn` does."""
        folder = self.folder(run)
        with self._lock:
            columns = self._columns.setdefault(run, Columns(folder))
            self._columns.move_to_end(run)
            while len(self._columns) > KEPT:
                self._columns.popitem(last=False)
        places = _json(folder / RUN_FILE).get("places")
        columns.grow(tuple(map(str, places)) if isinstance(places, list) else ())
        return columns.drawn(from_s, to_s, min(slices, SLICES_MOST))


def _changed(path: Path) -> float:
    try:
        return path.stat().st_mtime
    except OSError:
        return 0.0


def _json(path: Path) -> dict[str, Any]:
    try:
        data = json.loads(path.read_bytes())
    except (OSError, ValueError):
        return {}
    return data if isinstance(data, dict) else {}


def _events(folder: Path) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = []
    for path in sorted(folder.glob("events*.jsonl"), key=lambda path: (len(path.name), path.name)):
        for line in path.read_bytes().splitlines():
            try:
                event = json.loads(line)
            except ValueError:
                continue  # its end is still to come
            if isinstance(event, dict) and (not found or event.get("seq") != found[-1].get("seq")):
                found.append(event)
    return found


def _summarised(run: str, info: Mapping[str, Any], result: Mapping[str, Any]) -> dict[str, Any]:
    read = info_from(info, [])
    found = result.get("ended")
    ended: Mapping[str, Any] = found if isinstance(found, dict) else {}
    return {
        "run": run,
        "pack": read.pack_name,
        "title": read.title,
        "bay": read.bay or "",
        "bench": read.bench or "",
        "started_utc": read.started_utc or "",
        "fingerprint": read.fingerprint or "",
        "simulated": info.get("simulated") is True,
        "imported": str(read.imported.get("from") or "elsewhere") if read.imported else "",
        "continues": read.continues.get("run"),
        "how": ended.get("how") or "no result yet",
        "why": ended.get("why") or "",
        "off_confirmed": ended.get("off_confirmed"),
        "figures": figures_of(result),
        "flags": [str(text) for text in result.get("flags") or []],
    }
