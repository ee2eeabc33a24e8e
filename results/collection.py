"""All runs below a folder, from an index that is only a memory: it can be thrown away and made again at any time.

`runs/.index.json` holds what a list shows of each run, with the times and sizes of the run.json and result.json it was
read from. A run whose files have changed since is read again. Standard library only, and no server.
"""

import json
import os
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, fields, replace
from datetime import datetime
from pathlib import Path
from typing import Any

from benchwarden.results.folder import RESULT_FILE, RUN_FILE, FolderError, is_being_written, write_text
from benchwarden.results.run import info_from

INDEX_FILE = ".index.json"
INDEX_FORMAT = 1
NO_RESULT = "no result yet"
ENDS = ("finished", "tripped", "stopped", "interrupted", "running", NO_RESULT)
"""How a run in a list can have ended."""
_TIMES = ("%Y", "%Y-%m", "%Y-%m-%d", "%Y-%m-%dT%H", "%Y-%m-%dT%H:%M", "%Y-%m-%dT%H:%M:%S", "%Y-%m-%dT%H:%M:%SZ")
SHOWN = ("delivered_ah", "delivered_wh", "energy_per_mass_wh_kg", "peak_c")
"""The figures that a list shows."""


@dataclass(frozen=True, slots=True)
class Listed:
    """One run in a list. `run` is its folder below the runs; `figures` maps a name to [value, U or None, at least]."""

    run: str
    pack: str
    title: str
    profile: str
    started_utc: str
    bench: str
    bay: str
    how: str
    why: str
    imported: str
    simulated: bool
    fingerprint: str
    figures: Mapping[str, tuple[float, float | None, bool]]


@dataclass(frozen=True, slots=True)
class Wanted:
    """What a list is filtered by; a text matches anywhere and without regard to case, "" matches all.

    `since` and `until` are the beginnings of UTC times, "2026-11" or "2026-11-25"; `until` is included.
    """

    pack: str = ""
    profile: str = ""
    since: str = ""
    until: str = ""
    ended: str = ""
    imported: bool | None = None

    def mistakes(self) -> list[str]:
        """Return what no run can ever fit, in words with what would be right; empty if there is nothing."""
        found = [
            f"--{name} {text}: no date; right would be such as 2026, 2026-11, 2026-11-25 or 2026-11-25T21:04:11Z"
            for name, text in (("since", self.since), ("until", self.until))
            if text and not _begins_a_time(text)
        ]
        if self.ended and self.ended.casefold() not in ENDS:
            found.append(f"--ended {self.ended}: no run ends so; right would be one of {', '.join(ENDS)}")
        return found

    def fits(self, one: Listed) -> bool:
        """Whether a run is wanted."""
        return (
            self.pack.casefold() in one.pack.casefold()
            and self.profile.casefold() in f"{one.profile} {one.title}".casefold()
            and (not self.since or one.started_utc[: len(self.since)] >= self.since)
            and (not self.until or (bool(one.started_utc) and one.started_utc[: len(self.until)] <= self.until))
            and (not self.ended or self.ended.casefold() == one.how.casefold())
            and (self.imported is None or self.imported == bool(one.imported))
        )


def _begins_a_time(text: str) -> bool:
    """Whether this is the beginning of a UTC time, cut between its parts, on a day that there is."""
    for form in _TIMES:
        try:
            if datetime.strptime(text, form).strftime(form) == text:  # noqa: DTZ007
                return True
        except ValueError:
            continue
    return False


def all_runs(runs: Path, *, afresh: bool = False) -> list[Listed]:
    """Return every run below `runs`, newest first, and keep the index up to date; `afresh` throws the old one away.

    A run that goes on or has no result.json is looked at each time. An index that cannot be written does no harm.
    """
    known = {} if afresh else _read_index(runs / INDEX_FILE)
    found: dict[str, tuple[list[int], Listed]] = {}
    changed = afresh
    for name, folder in _folders(runs):
        stamp = _stamp(folder)
        if stamp is None:
            continue
        old = known.get(name)
        if old is not None and old[0] == stamp:
            found[name] = old
        else:
            found[name] = (stamp, _read(name, folder))
            changed = True
    if changed or len(found) != len(known):
        _write_index(runs / INDEX_FILE, found)
    listed = [one if stamp[2] else _now(one, runs / one.run) for stamp, one in found.values()]
    return sorted(listed, key=lambda one: (one.started_utc, one.run), reverse=True)


def filtered(found: Iterable[Listed], wanted: Wanted) -> list[Listed]:
    """Return the runs that are wanted, in their order."""
    return [one for one in found if wanted.fits(one)]


def _folders(runs: Path) -> list[tuple[str, str]]:
    """Return (name, path) of every folder two levels below the runs; `os.scandir` since thousands are usual."""
    found: list[tuple[str, str]] = []
    try:
        with os.scandir(runs) as packs:
            names = [pack for pack in packs if not pack.name.startswith(".") and pack.is_dir(follow_symlinks=False)]
    except OSError:
        return []
    for pack in names:
        with os.scandir(pack.path) as entries:
            found += [(f"{pack.name}/{e.name}", e.path) for e in entries if e.is_dir(follow_symlinks=False)]
    return found


def _stamp(folder: str) -> list[int] | None:
    """Return times in ns and sizes of run.json and result.json (0, 0 where there is none); None without a run.json."""
    try:
        info = os.stat(f"{folder}/{RUN_FILE}")
    except OSError:
        return None
    try:
        result = os.stat(f"{folder}/{RESULT_FILE}")
    except OSError:
        return [info.st_mtime_ns, info.st_size, 0, 0]
    return [info.st_mtime_ns, info.st_size, result.st_mtime_ns, result.st_size]


def _json(path: Path) -> dict[str, Any]:
    try:
        data = json.loads(path.read_bytes())
    except (OSError, ValueError):
        return {}
    return data if isinstance(data, dict) else {}


def _read(name: str, folder: str) -> Listed:
    data, result = _json(Path(folder) / RUN_FILE), _json(Path(folder) / RESULT_FILE)
    info = info_from(data, [])
    ended = result.get("ended")
    how = ended if isinstance(ended, dict) else {}
    profile = info.profile.get("name")
    figures = result.get("figures")
    shown: dict[str, tuple[float, float | None, bool]] = {}
    for key in SHOWN:
        figure = figures.get(key) if isinstance(figures, dict) else None
        if isinstance(figure, dict) and isinstance(figure.get("value"), int | float):
            spread = figure.get("U")
            exact = float(spread) if isinstance(spread, int | float) else None
            shown[key] = (float(figure["value"]), exact, figure.get("at_least") is True)
    return Listed(
        run=name,
        pack=info.pack_name,
        title=info.title,
        profile=profile if isinstance(profile, str) else "",
        started_utc=info.started_utc or "",
        bench=info.bench or "",
        bay=info.bay or "",
        how=str(how.get("how") or NO_RESULT),
        why=str(how.get("why") or ""),
        imported=str(info.imported.get("from") or "elsewhere") if info.imported else "",
        simulated=data.get("simulated") is True,
        fingerprint=info.fingerprint or "",
        figures=shown,
    )


def _now(one: Listed, folder: Path) -> Listed:
    """Return a run without a result as it is now: it may be going on."""
    return replace(one, how="running") if is_being_written(folder) else one


def _read_index(path: Path) -> dict[str, tuple[list[int], Listed]]:
    """Return the index by run; empty if there is none or it is not what this version writes."""
    data = _json(path)
    if data.get("format") != INDEX_FORMAT or data.get("fields") != _FIELDS:
        return {}
    try:
        return {row[1][0]: (row[0], Listed(*row[1])) for row in data["runs"]}
    except (KeyError, TypeError, IndexError):
        return {}


_FIELDS = [field.name for field in fields(Listed)]


def _write_index(path: Path, found: Mapping[str, tuple[list[int], Listed]]) -> None:
    rows = [[stamp, [getattr(one, name) for name in _FIELDS]] for stamp, one in found.values()]
    data = {"format": INDEX_FORMAT, "fields": _FIELDS, "runs": rows}
    try:
        write_text(path, json.dumps(data, ensure_ascii=False, allow_nan=False, separators=(",", ":")) + "\n")
    except (FolderError, ValueError):
        return  # a folder that may only be read: the next list reads the runs again


def as_data(found: Iterable[Listed]) -> list[dict[str, Any]]:
    """Return a list as JSON data."""
    return [
        asdict(one) | {"figures": {k: {"value": v, "U": u, "at_least": b} for k, (v, u, b) in one.figures.items()}}
        for one in found
    ]


_NUMBERS = range(4, 8)
_HEAD = ("started (UTC)", "pack", "test", "ended", "Ah", "Wh", "Wh/kg", "C", "run")


def as_rows(found: Iterable[Listed]) -> list[list[str]]:
    """Return a list as rows of cells below their head; U and more stand in the JSON form."""
    rows = [list(_HEAD)]
    for one in found:
        when = one.started_utc[:16].replace("T", " ") or "not known"
        how = ", ".join(
            filter(None, [one.how, "IMPORTED" if one.imported else "", "simulated" if one.simulated else ""])
        )
        rows.append([when, one.pack, one.title, how, *(_cell(one, name) for name in SHOWN), one.run])
    return rows


def _cell(one: Listed, name: str) -> str:
    if name not in one.figures:
        return ""
    value, _, bound = one.figures[name]
    return f"{'≥ ' if bound else ''}{value:.4g}"


def as_text(found: Iterable[Listed]) -> str:
    """Return a list as columns for a terminal."""
    rows = as_rows(found)
    wide = [max(len(row[place]) for row in rows) for place in range(len(_HEAD))]
    right = range(4, 8)
    return "\n".join(
        "  ".join(
            c.rjust(w) if p in right else c.ljust(w) for p, (c, w) in enumerate(zip(row, wide, strict=True))
        ).rstrip()
        for row in rows
    )
