"""A plain CSV from elsewhere as a run folder, marked as imported: what is missing stays missing.

Steps are told by the current's sign, since nothing else is known. The run has no fingerprint and so enters no
comparison, unless somebody says which run had the same procedure (`like`).
"""

import csv
import hashlib
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from benchwarden.profiles.mistakes import FileMistakes
from benchwarden.results.columns import header, row
from benchwarden.results.folder import (
    EVENTS_FILE,
    FORMAT,
    event_line,
    new_folder,
    segment_name,
    utc_text,
    write_info,
    write_text,
)
from benchwarden.results.import_map import GROUP, TEMPERATURE, ImportMap, units_of
from benchwarden.results.run import RunInfo
from benchwarden.results.sample import Sample

OFF_A, OFF_SHARE = 0.02, 0.002
"""Less current than this, or than this share of the highest, counts as off (common practice, no source)."""
_SENT = {"discharge": "load", "charge": "supply", "rest": "off"}


@dataclass(frozen=True, slots=True)
class Row:
    """One line of the file in s, V, A (positive charges), °C; None where its field is empty."""

    time_s: float
    voltage_v: float | None
    current_a: float | None
    groups_v: tuple[float | None, ...]
    temperatures_c: tuple[float | None, ...]


def import_csv(path: Path, asked: ImportMap, runs: Path, now_unix_s: float, like: RunInfo | None = None) -> Path:
    """Make a run folder from a CSV and return it; FileMistakes for a file that cannot be used, FolderError as usual.

    `like`: a run that somebody says had the same procedure; its fingerprint counts for this one.
    """
    content = _content(path)
    rows = _rows(content, str(path), asked)
    began = _started(asked, str(path)) or now_unix_s
    samples, events = _samples(rows, asked, began, path.name)
    places = _places(asked)
    folder = new_folder(runs, asked.pack.name, "imported", began)
    info = _info(asked, path.name, content, began if asked.started else None, now_unix_s, like)
    groups = len(rows[0].groups_v)
    write_text(folder / segment_name(1), header(groups, places) + "".join(row(sample) for sample in samples))
    write_text(folder / EVENTS_FILE, "".join(event_line(event) for event in events))
    write_info(folder, info)
    return folder


def _content(path: Path) -> str:
    try:
        return path.read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise FileMistakes(
            [f"{path}: not UTF-8 text ({error.reason} at byte {error.start}); save it as UTF-8"]
        ) from error
    except OSError as error:
        raise FileMistakes([f"{path}: cannot be read: {error.strerror}"]) from error


def _rows(content: str, where: str, asked: ImportMap) -> list[Row]:
    lines = content.splitlines()
    if len(lines) < 3:
        raise FileMistakes([f"{where}: {len(lines)} lines; a line of names and two or more rows would be right"])
    mark = max((",", ";", "\t"), key=lines[0].count)
    reader = csv.reader(lines, delimiter=mark)
    names = [name.strip() for name in next(reader)]
    places: dict[str, int] = {}
    mistakes: list[str] = []
    for what, column in asked.columns.items():
        if names.count(column.name) == 1:
            places[what] = names.index(column.name)
        else:
            found = "twice" if column.name in names else "not at all"
            mistakes.append(
                f"{where}: column {column.name!r} for {what} stands there {found}; found: {', '.join(names)}"
            )
    if mistakes:
        raise FileMistakes(mistakes)
    return list(_checked(reader, places, where, asked, comma=mark == ";"))


def _checked(
    reader: Iterator[list[str]], places: Mapping[str, int], where: str, asked: ImportMap, *, comma: bool
) -> Iterator[Row]:
    """Yield the rows; a row without a time, a field that is no number, or time that does not rise is refused."""
    factors = {
        what: (units_of(what) or {})[column.unit] if column.unit else 1.0 for what, column in asked.columns.items()
    }
    sign = -1.0 if asked.discharge == "positive" else 1.0
    groups = sorted((what for what in places if GROUP.fullmatch(what)), key=lambda what: int(what.split("_")[1]))
    sensors = [what for what in places if TEMPERATURE.fullmatch(what)]
    first: float | None = None
    last = -math.inf
    for number, fields in enumerate(reader, start=2):
        if not any(field.strip() for field in fields):
            continue
        values: dict[str, float | None] = {}
        for what, place in places.items():
            text = fields[place].strip() if place < len(fields) else ""
            values[what] = (
                None if text == "" else _value(text, comma, f"{where}, line {number}, {what}") * factors[what]
            )
        time_s = values["time"]
        if time_s is None:
            raise FileMistakes([f"{where}, line {number}: no time; every row needs one"])
        if not time_s > last:
            raise FileMistakes([f"{where}, line {number}: time {time_s:g} s after {last:g} s; times must rise"])
        first, last = time_s if first is None else first, time_s
        current = values["current"]
        yield Row(
            time_s - first,
            values["voltage"],
            None if current is None else sign * current,
            tuple(values[what] for what in groups),
            tuple(values[what] for what in sensors),
        )


def _value(text: str, comma: bool, where: str) -> float:
    try:
        value = float(text.replace(",", ".") if comma else text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise FileMistakes([f"{where}: found {text!r}; a number or an empty field would be right"])
    return value


def _places(asked: ImportMap) -> list[str]:
    return [match[1] for what in asked.columns if (match := TEMPERATURE.fullmatch(what))]


def _started(asked: ImportMap, where: str) -> float | None:
    if asked.started is None:
        return None
    try:
        found = datetime.fromisoformat(asked.started)
    except ValueError as error:
        raise FileMistakes([f"{where}: started = {asked.started!r}; right would be 2025-04-12T09:30:00Z"]) from error
    return (found if found.tzinfo else found.replace(tzinfo=UTC)).timestamp()


def _samples(
    rows: Sequence[Row], asked: ImportMap, began: float, name: str
) -> tuple[list[Sample], list[dict[str, Any]]]:
    highest = max((abs(one.current_a) for one in rows if one.current_a is not None), default=0.0)
    least = max(OFF_A, OFF_SHARE * highest)
    samples: list[Sample] = []
    events: list[dict[str, Any]] = []
    count, kind, step_began = 0, "", 0.0
    sums = {"charge": [0.0, 0.0], "discharge": [0.0, 0.0]}
    before: Row | None = None

    def event(at_s: float, what: str, **more: Any) -> None:
        utc = utc_text(began + at_s)
        events.append({"seq": len(events), "test_time_s": at_s, "utc": utc, "event": what, **more})

    event(0.0, "flag", flag=f"imported from {name}: not measured by this program")
    if asked.started is None:
        event(0.0, "flag", flag="imported: when it was measured is not known; the date is that of the import")
    for number, one in enumerate(rows):
        found = kind or "rest"
        if one.current_a is not None:
            found = "rest" if abs(one.current_a) < least else "charge" if one.current_a > 0.0 else "discharge"
        if found != kind:
            if kind:
                event(one.time_s, "step_ended", step=count, **_why(asked, kind))
            count, kind, step_began = count + 1, found, one.time_s
            event(one.time_s, "step_began", step=count, type=kind, title=kind)
        _add(sums, before, one)
        samples.append(
            Sample(
                sequence=number,
                test_time_s=one.time_s,
                unix_time_s=began + one.time_s,
                step_count=count,
                step_type=kind,
                step_time_s=one.time_s - step_began,
                phase="imported",
                output=_SENT[kind],
                voltage_v=one.voltage_v,
                current_a=one.current_a,
                groups_v=one.groups_v,
                temperatures_c=one.temperatures_c,
                charging_ah=sums["charge"][0],
                discharging_ah=sums["discharge"][0],
                charging_wh=sums["charge"][1],
                discharging_wh=sums["discharge"][1],
                groups_age_s=0.0 if any(value is not None for value in one.groups_v) else None,
                temperatures_age_s=0.0 if any(value is not None for value in one.temperatures_c) else None,
            )
        )
        before = one
    event(rows[-1].time_s, "step_ended", step=count, **_why(asked, kind))
    event(rows[-1].time_s, "ended", how="finished", why=f"as far as {name} goes; how it ended is not known")
    return samples, events


def _why(asked: ImportMap, kind: str) -> dict[str, str]:
    if kind == "discharge" and asked.cut_off is not None:
        return {"why": f"pack at {asked.cut_off:.2f} V, as the import's file says", "ended_by": "cut-off"}
    return {"why": "imported: why it ended is not known", "ended_by": "unknown"}


def _add(sums: Mapping[str, list[float]], before: Row | None, now: Row) -> None:
    """Add charge and energy since the row before, by the trapezoid rule, where both rows were measured."""
    if before is None or before.current_a is None or now.current_a is None:
        return
    hours = (now.time_s - before.time_s) / 3600.0
    for name, sign in (("charge", 1.0), ("discharge", -1.0)):
        one, other = max(sign * before.current_a, 0.0), max(sign * now.current_a, 0.0)
        sums[name][0] += 0.5 * (one + other) * hours
        if before.voltage_v is not None and now.voltage_v is not None:
            sums[name][1] += 0.5 * (one * before.voltage_v + other * now.voltage_v) * hours


def _info(
    asked: ImportMap, name: str, content: str, began: float | None, now_unix_s: float, like: RunInfo | None
) -> dict[str, Any]:
    pack = asked.pack
    accuracy = asked.accuracy.model_dump(mode="json", exclude_none=True)
    load = {key: accuracy[key] for key in ("voltage", "current") if key in accuracy}
    who = {"name": pack.name, "chemistry": pack.chemistry, "design": pack.design, "series": pack.series}
    exact = {"rated_capacity": pack.rated_capacity_ah, "mass": pack.mass_kg, "mass_accuracy": pack.mass_accuracy_kg}
    return {
        "format": FORMAT,
        "imported": {
            "from": name,
            "sha256": hashlib.sha256(content.encode()).hexdigest(),
            "utc": utc_text(now_unix_s),
            "columns": {what: column.model_dump(exclude_none=True) for what, column in asked.columns.items()},
            "discharge": asked.discharge,
            "same_procedure_as": None if like is None else like.started_utc,
        },
        "bench": asked.bench,
        "pack": {key: value for key, value in (who | exact | {"size": pack.size_l}).items() if value is not None},
        "profile": {"title": asked.title if like is None else like.title},
        "plan": {},
        "fingerprint": None if like is None else like.fingerprint,
        "fingerprint_parts": {} if like is None else dict(like.fingerprint_parts),
        "instruments": {
            role: {"accuracy": found}
            for role, found in (
                ("load", load),
                ("cells", {"voltage": accuracy["group_voltage"]} if "group_voltage" in accuracy else {}),
                ("temperature", {"temperature": accuracy["temperature"]} if "temperature" in accuracy else {}),
            )
            if found
        },
        "lacks": ["everything about the bench: the run was imported"],
        "series": pack.series,
        "rated_capacity_ah": pack.rated_capacity_ah,
        "mass_kg": pack.mass_kg,
        "nominal_v": pack.nominal_v,
        "places": _places(asked),
        "cooling": asked.cooling,
        "sense": asked.sense,
        "started_utc": None if began is None else utc_text(began),
    }
