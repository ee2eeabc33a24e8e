"""`benchwarden morning`: per bay what the night has left, read from lists and run folders; switches nothing.

Outcomes and why, off confirmed or not, the pack now and what it needs within a day, figures with their flags, and what
did not run. Works without a service, from what is on disk. Exit codes: 0 all finished and off confirmed, 1 otherwise, 2
bad input.
"""

import json
import sys
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

from benchwarden.daemon.guard import raw_wire, state_folder
from benchwarden.daemon.planning.jobs import load_bench
from benchwarden.daemon.serving import asking, list_file, waiting_list
from benchwarden.daemon.serving.pack_now import pack_now
from benchwarden.daemon.serving.waiting_list import Entry, Fate, Stand, WaitingList
from benchwarden.profiles.mistakes import FileMistakes
from benchwarden.results.compare import ROWS, cell
from benchwarden.results.figures import figures, result_data
from benchwarden.results.folder import FolderError, slug, utc_text
from benchwarden.results.reading import read_run
from benchwarden.results.run import Run

FINE, NOT_FINE, BAD_INPUT = 0, 1, 2
LOG_LINES = 24  # of the guardian's log since the first list began: what it noticed, and what each instrument answered


def morning(bench_path: Path, state: Path, bay: str | None = None, *, as_json: bool) -> int:
    """Print the morning's report, of one bay or of all; returns the exit code."""
    try:
        bench = load_bench(bench_path)
        names = [one.name for one in bench.bay if bay in (None, one.name)]
        if not names:
            known = ", ".join(one.name for one in bench.bay)
            raise FileMistakes([f"{bench_path}: there is no bay {bay}; known: {known}"])
        if not state.is_dir():
            raise FileMistakes([f"{state}: there is no such folder; the folder of a service would be right (--state)"])
        found = report(state, names, bench_path.parent / bench.runs)
    except FileMistakes as error:
        print(*error.mistakes, sep="\n", file=sys.stderr)
        return BAD_INPUT
    print(json.dumps(found, indent=2, ensure_ascii=False) if as_json else "\n".join(as_lines(found)))
    return FINE if all(bay["fine"] for bay in found["bays"].values()) else NOT_FINE


def report(state: Path, bays: list[str], runs: Path) -> dict[str, Any]:
    """Return the report as JSON data, from the lists in `state` and the run folders below `runs`."""
    live: Mapping[str, Any] = {}
    service, there, outcomes = "runs", True, None
    try:
        live = asking.ask(state / state_folder.WORKER_SOCKET, {"do": "status"}, asking.STATUS_S).get("bays", {})
    except asking.NoAnswer as error:
        service, there = str(error), error.there
        outcomes = asking.outcomes(state)
    found = {name: _bay(state, name, runs, live.get(name), outcomes or {}) for name in bays}
    words, lines = _guardian(state, list(found.values()), acts=outcomes is not None, runs=service == "runs")
    return {
        "service": service,
        "service_there": there,
        "guardian_words": words,
        "guardian_why": guardian_why(lines),
        "guardian_log": lines[:LOG_LINES],
        "bays": found,
    }


def _guardian(state: Path, bays: list[dict[str, Any]], *, acts: bool, runs: bool) -> tuple[str, list[str]]:
    """Return what the guardians of this service and the one before had to say, and in words whether that is over.

    What the one before said is no news any more once a person has started something since, but for a bay whose last
    test was interrupted.
    """
    began = min((bay["began_utc"] for bay in bays if bay["began_utc"]), default="")
    before = [line for line in _lines(state / state_folder.GUARDIAN_LOG_BEFORE) if line >= began]
    now = [line for line in _lines(state / state_folder.GUARDIAN_LOG) if line >= began]
    if before:
        newer = any((bay["newest_utc"] or "") > before[-1] for bay in bays)
        interrupted = any(
            bay["newest_utc"] and bay["newest_utc"] <= before[-1] and bay["tests"][-1]["fate"] == "interrupted"
            for bay in bays
        )
        before = before if interrupted or not newer else []
    if acts:
        words = "the guardian acts now, in the worker's place:"
    elif not now:
        words = "the guardian of the service before had to act; that is over:"
    else:
        words = "the guardian had to act:" if runs else "the guardian had to act; that is over, and no service runs:"
    return words, [*before, *now]


def guardian_why(log: Sequence[str]) -> str:
    """Return time and reason of the newest taking over in the guardian's log, "" where it only wrote something down."""
    return next((line for line in reversed(log) if "; taking over bays " in line), "")


def _lines(path: Path) -> list[str]:
    try:
        return path.read_text(encoding="utf-8", errors="replace").splitlines()
    except OSError:
        return []


def _bay(
    state: Path, name: str, runs: Path, live: Mapping[str, Any] | None, outcomes: Mapping[str, str]
) -> dict[str, Any]:
    """One bay; `outcomes` is what each instrument answers a guardian that acts in the worker's place."""
    try:
        found = list_file.read_list(state, name)
    except list_file.ListUnreadable as error:
        nothing: dict[str, Any] = {"began_utc": None, "newest_utc": None, "off": None, "tests": [], "not_run": []}
        return nothing | {"stand": "not known", "why": str(error), "fine": False}
    went_on = found.stand in waiting_list.GOING_ON or found.stand is Stand.INTERRUPTED
    if live is None:
        found = waiting_list.after_restart(found)  # what the next start will find: nothing goes on without a service
    there = _runs_of(runs, found)
    tests = [_test(test, there) for test in found.tests if test.fate not in (Fate.WAITING, Fate.REFUSED)]
    off, words = None if live is None and went_on else _off(found, live), _off_words(found, live)
    if answers := {one: said for one, said in outcomes.items() if one.startswith(f"{name} ")}:
        off = all(map(raw_wire.is_confirmed, answers.values()))
        said = "; ".join(f"{one}: {said}" for one, said in sorted(answers.items()))
        words = f"{_OFF[off]} (the guardian: {said})"
    newest = max(there, key=lambda run: run.samples[-1].unix_time_s if run.samples else 0.0, default=None)
    now = pack_now(newest) if newest else None
    fates = {test.fate for test in found.tests} - {Fate.WAITING, Fate.RUNNING}
    return {
        "pack": found.pack_name,
        "began_utc": _began(found),
        "newest_utc": max((test.began_utc for test in found.tests if test.began_utc), default=None),
        "stand": found.stand.value,
        "why": found.why,
        "fine": fates <= {Fate.FINISHED}
        and found.stand in (Stand.IDLE, Stand.RUNNING, Stand.COOLING)
        and off is not False,
        "off": off,
        "off_words": words,
        "tests": tests,
        "not_run": [
            {"number": test.number, "title": test.title, "why": test.why or "waits"}
            for test in found.tests
            if test.fate in (Fate.WAITING, Fate.REFUSED)
        ],
        "pack_now": asdict(now)
        | {"run": str(newest.path), "utc": utc_text(now.utc_unix_s) if now.utc_unix_s is not None else None}
        if now and newest
        else None,
    }


def _off(found: WaitingList, live: Mapping[str, Any] | None) -> bool | None:
    """Whether the bay is off: as the service last measured, or as its last test's end says; None if nobody knows."""
    if live is not None:
        return bool(live["off"]["confirmed"]) if live.get("off") else None
    ended = [test for test in found.tests if test.fate not in (Fate.WAITING, Fate.REFUSED)]
    return ended[-1].off_confirmed if ended else None


def _off_words(found: WaitingList, live: Mapping[str, Any] | None) -> str:
    """What the service says of off, "" where it says nothing: a test runs, or there is no service."""
    live = live or {}
    if live.get("off"):
        return str(live["off"]["words"])
    off_now = (live.get("now") or {"output": "off"})["output"] == "off"
    return "cools, all off and watched" if live and found.stand is Stand.COOLING and off_now else ""


def _began(found: WaitingList) -> str | None:
    return min((test.began_utc for test in found.tests if test.began_utc), default=None)


def _runs_of(runs: Path, found: WaitingList) -> list[Run]:
    """Return the runs of a list's pack in its bay since its first test began, the rests between tests included."""
    began = _began(found)
    if not found.pack_name or began is None:
        return []
    there: list[Run] = []
    for folder in sorted((runs / slug(found.pack_name)).glob("*")):
        if folder.name < began.replace(":", "-"):
            continue  # of an earlier night: a year of runs need not be read for one morning
        try:
            run = read_run(folder)
        except FolderError:
            continue
        if run.info.bay == found.bay and (run.info.started_utc or "") >= began:
            there.append(run)
    return there


def _test(test: Entry, there: list[Run]) -> dict[str, Any]:
    """One test that began, with its figures; a test whose end nobody recorded is found by when it began."""
    if test.run is not None:
        run = next((one for one in there if one.path.name == Path(test.run).name), None)
    elif test.fate in (Fate.INTERRUPTED, Fate.RUNNING):
        run = next((one for one in there if (one.info.started_utc or "") >= (test.began_utc or "")), None)
    else:
        run = None  # it ended before there was anything to record
    made = figures(run) if run else None
    shown = [] if made is None else [(words, cell(made, *row)) for words, row in _ROWS]
    return {
        "number": test.number,
        "title": test.title,
        "fate": test.fate.value,
        "why": test.why or (run.ending.why if run and test.fate is not Fate.RUNNING else ""),
        "off_confirmed": test.off_confirmed,
        "run": str(run.path) if run else test.run,
        "shown": [[words, text] for words, text in shown if text != "–"],
        "flags": list(made.flags) if made else [],
        "problems": list(run.problems) if run else [],
        "result": result_data(run, made) if run and made is not None else None,
    }


_ROWS = [(words, (name, factor, decimals)) for name, words, factor, decimals in ROWS]
_OFF = {True: "off confirmed", False: "OFF NOT CONFIRMED: look at it, unplug it", None: "off: nobody has confirmed it"}


def as_lines(found: Mapping[str, Any]) -> list[str]:
    """Return the report as lines for people."""
    lack = "does not answer" if found["service_there"] else "does not run"
    lines = [] if found["service"] == "runs" else [f"the service {lack}: {found['service']}"]
    if found["guardian_log"]:
        lines += [found["guardian_words"], *(f"  {line}" for line in found["guardian_log"])]
    for name, bay in found["bays"].items():
        why = f": {bay['why']}" if bay["why"] else ""
        pack = f", {bay['pack']}" if bay.get("pack") else ""
        lines += ["", f"{name}{pack}: {bay['stand']}{why}"]
        running = any(test["fate"] == "running" for test in bay["tests"])
        lines.append(f"  {bay.get('off_words') or ('a test runs' if running else _OFF[bay['off']])}")
        for test in bay["tests"]:
            why = f": {test['why']}" if test["why"] else ""
            lines.append(f"  {test['number']}. {test['title']}: {test['fate']}{why}")
            lines += [f"     {words}: {text}" for words, text in test["shown"]]
            lines += [f"     flag: {flag}" for flag in test["flags"]]
            lines += [f"     {problem}" for problem in test["problems"]]
        lines += [f"  did not run: {test['number']}. {test['title']}: {test['why']}" for test in bay["not_run"]]
        if bay.get("pack_now"):
            lines += _pack_lines(bay["pack_now"])
    return lines


def _pack_lines(now: Mapping[str, Any]) -> list[str]:
    if now["utc"] is None:
        return ["  the pack now: not known, its last run left no sample; measure it"]
    groups = " ".join("-" if value is None else f"{value:.3f}" for value in now["groups_v"])
    volts = f"{groups} V per group" if groups else f"{_shown(now['voltage_v'], 2)} V"
    lines = [
        f"  the pack now: {now['charge']}; {volts}, {_shown(now['hottest_c'], 1)} °C, "
        f"surroundings {_shown(now['ambient_c'], 1)} °C (last seen {now['utc']})",
        f"  within 24 h: {now['need']}",
    ]
    return [*lines, *(f"  but {doubt}" for doubt in now["doubts"])]


def _shown(value: float | None, digits: int) -> str:
    return "-" if value is None else f"{value:.{digits}f}"
