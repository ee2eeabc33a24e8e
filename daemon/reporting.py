"""Figures and charts of runs: read from their folders, never from a bench; charts are drawn in a child process."""

import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

from rich.console import Console

from benchwarden.results.compare import ComparisonRefused, table
from benchwarden.results.compare import compare as compare_runs
from benchwarden.results.figures import figures, write_result
from benchwarden.results.folder import FolderError, drop_unused_reserve
from benchwarden.results.reading import read_run
from benchwarden.results.run import Run
from benchwarden.results.summary import summary

DONE, BAD_INPUT = 0, 2


def report(paths: Sequence[Path]) -> int:
    """Write each run's result.json and charts, and print its figures; returns the exit code."""
    runs = _read(paths)
    if runs is None:
        return BAD_INPUT
    console = Console()
    for run in runs:
        found = figures(run)
        if run.ending.how != "running":  # of a run that goes on there is no result yet
            write_result(run, found)
        # Not as the table's title, which would be broken to the table's width, and a path with it.
        print(f"{run.info.pack_name}, {run.info.title}: {run.path}", flush=True)
        console.print(summary(run, found))
        _draw([run.path], run.path)
    return DONE


def seal(paths: Sequence[Path]) -> int:
    """Write the partial result of runs that ended without an end; returns the exit code.

    Their events stay as they are: they are the record. Refused for a run that is still being written.
    """
    runs = _read(paths)
    if runs is None:
        return BAD_INPUT
    code = DONE
    for run in runs:
        if run.live:
            print(f"{run.path}: it is still being written; a run that was interrupted would be right", file=sys.stderr)
            code = BAD_INPUT
        elif run.ending.how != "interrupted":
            print(f"{run.path}: it has its end ({run.ending.how}): nothing to seal")
        else:
            write_result(run)
            drop_unused_reserve(run.path)
            print(f"{run.path}: sealed as interrupted, with partial figures")
    return code


def compare(paths: Sequence[Path], out: Path) -> int:
    """Print runs of one procedure side by side and draw them together; returns the exit code."""
    runs = _read(paths)
    if runs is None:
        return BAD_INPUT
    try:
        comparison = compare_runs(runs)
    except ComparisonRefused as error:
        print(error, file=sys.stderr)
        return BAD_INPUT
    Console().print(table(comparison))
    _draw(paths, out)
    return DONE


def _read(paths: Sequence[Path]) -> list[Run] | None:
    runs: list[Run] = []
    try:
        runs.extend(read_run(path) for path in paths)
    except FolderError as error:
        print(error, file=sys.stderr)
        return None
    for run in runs:
        for problem in run.problems:
            print(f"{run.path}: {problem}", file=sys.stderr)
    return runs


def _draw(paths: Sequence[Path], out: Path) -> None:
    command = [sys.executable, "-m", "benchwarden.results.charts", *map(str, paths), "--out", str(out)]
    drawn = subprocess.run(command, check=False, capture_output=True, text=True)
    if drawn.returncode:
        why = drawn.stderr.strip().splitlines()[-1:] or ["no reason given"]
        print(f"charts were not drawn: {why[0]}", file=sys.stderr)
    else:
        print(f"charts: {out}")
