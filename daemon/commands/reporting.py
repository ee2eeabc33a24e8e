"""Figures, charts and reports of runs: read from their folders, never from a bench."""

import json
import sys
from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path

from rich.console import Console

from benchwarden.results import charts
from benchwarden.results.cells import as_csv
from benchwarden.results.compare import ComparisonRefused, table
from benchwarden.results.compare import compare as compare_runs
from benchwarden.results.figures import figures, write_result
from benchwarden.results.folder import FolderError, drop_unused_reserve
from benchwarden.results.reading import read_run
from benchwarden.results.report_compare import REPORT_FILE as COMPARISON_REPORT
from benchwarden.results.report_run import REPORT_FILE as RUN_REPORT
from benchwarden.results.run import Run
from benchwarden.results.summary import summary
from benchwarden.results.tables import comparison_data, comparison_table, run_table, runs_data

DONE, BAD_INPUT = 0, 2
TABLE, CSV, JSON = "table", "csv", "json"


def report(paths: Sequence[Path], form: str = TABLE) -> int:
    """Write each run's result.json, charts and report, and print its figures; returns the exit code.

    `form`: "csv" and "json" print for programs, and write nothing but result.json.
    """
    runs = read_runs(paths)
    if runs is None:
        return BAD_INPUT
    console, code = Console(), DONE
    worked = [(run, figures(run)) for run in runs]
    for run, found in worked:
        if run.ending.how != "running":  # of a run that goes on there is no result yet
            write_result(run, found)
    if form == JSON:
        print(json.dumps(runs_data(worked), ensure_ascii=False, indent=2))
    elif form == CSV:
        tables = [run_table(run, found) for run, found in worked]
        print_csv([tables[0][0], *(row for rows in tables for row in rows[1:])])
    else:
        for run, found in worked:
            # Not as the table's title, which would be broken to the table's width, and a path with it.
            print(f"{run.info.pack_name}{_imported(run)}, {run.info.title}: {run.path}", flush=True)
            console.print(summary(run, found))
            code = max(code, _written(partial(charts.write_run, run, found), RUN_REPORT))
    return code


def _imported(run: Run) -> str:
    return " (imported)" if run.info.imported else ""


def print_csv(rows: Sequence[Sequence[str]]) -> None:
    """Print rows as CSV."""
    sys.stdout.write(as_csv(rows).replace("\r\n", "\n"))  # a terminal and a pipe have their own line ends
    sys.stdout.flush()


def seal(paths: Sequence[Path]) -> int:
    """Write the partial result of runs that ended without an end; returns the exit code.

    Their events stay as they are: they are the record. Refused for a run that is still being written.
    """
    runs = read_runs(paths)
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


def compare(paths: Sequence[Path], out: Path, form: str = TABLE) -> int:
    """Print runs of one procedure side by side, draw them together, write their report; returns the exit code.

    `form`: "csv" and "json" print for programs, and write nothing.
    """
    runs = read_runs(paths)
    if runs is None:
        return BAD_INPUT
    try:
        comparison = compare_runs(runs)
    except ComparisonRefused as error:
        print(error, file=sys.stderr)
        return BAD_INPUT
    if form == JSON:
        print(json.dumps(comparison_data(comparison), ensure_ascii=False, indent=2))
    elif form == CSV:
        print_csv(comparison_table(comparison))
    else:
        Console().print(table(comparison))
        return _written(partial(charts.write_comparison, comparison, out), COMPARISON_REPORT)
    return DONE


def read_runs(paths: Sequence[Path]) -> list[Run] | None:
    """Return the runs of these folders and say on stderr what is wrong with them; None if one cannot be read."""
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


def _written(write: Callable[[], list[Path]], report: str) -> int:
    """Write charts and report, and say where the report is; returns the exit code."""
    charts.say_if_no_charts()
    try:
        made = write()
    except FolderError as error:
        print(error, file=sys.stderr)
        return BAD_INPUT
    except OSError as error:
        print(f"{error.filename}: {error.strerror}; a disk with room that can be written to", file=sys.stderr)
        return BAD_INPUT
    print(*(f"report: {path}" for path in made if path.name == report), sep="\n")
    return DONE
