"""Charts and reports of runs; a process that has other things to do runs this module as one of its own.

`python -m benchwarden.results.charts RUN…` makes each run's; with `--out DIR` it makes the comparison of several.
Charts need matplotlib (extra `charts`); reports are written without them all the same. The worker never imports this.
"""

import argparse
import sys
from collections.abc import Sequence
from dataclasses import replace
from importlib.util import find_spec
from pathlib import Path

from benchwarden.results.cells import as_csv
from benchwarden.results.chart_place import DrawnChart
from benchwarden.results.compare import Comparison, ComparisonRefused, compare
from benchwarden.results.figure import Figures
from benchwarden.results.figures import figures
from benchwarden.results.folder import FolderError, write_text
from benchwarden.results.reading import read_run
from benchwarden.results.report_compare import write_comparison_report
from benchwarden.results.report_run import write_run_report
from benchwarden.results.run import Run
from benchwarden.results.series import Series
from benchwarden.results.tables import comparison_table

NO_CHARTS = "No charts: matplotlib is not installed; `pip install 'benchwarden[charts]'` brings it."


def main(arguments: Sequence[str] | None = None) -> int:
    """Write charts and reports and print their paths; returns 0, or 2 when a run cannot be read or compared.

    One run: its charts and report.html go into its folder. Several: the comparison's charts, comparison.html and
    comparison.csv go to `--out`, which is then needed.
    """
    parser = argparse.ArgumentParser(prog="benchwarden.results.charts", description="charts and reports of run folders")
    parser.add_argument("runs", nargs="+", type=Path, metavar="RUN", help="folder of a run")
    parser.add_argument("--out", type=Path, help="directory of a comparison")
    chosen = parser.parse_args(arguments)
    paths: list[Path] = chosen.runs
    out: Path | None = chosen.out
    if len(paths) > 1 and out is None:
        parser.error("--out: found nothing; a directory for the comparison would be right")
    say_if_no_charts()
    try:
        runs = [read_run(path) for path in paths]
        if out is not None:
            written = write_comparison(compare(runs), out)
        else:
            written = [path for run in runs for path in write_run(run, figures(run))]
    except (FolderError, ComparisonRefused) as problem:
        print(problem, file=sys.stderr)
        return 2
    except OSError as problem:
        print(f"{problem.filename}: {problem.strerror}; a disk with room that can be written to", file=sys.stderr)
        return 2
    for path in written:
        print(path)
    return 0


def say_if_no_charts() -> None:
    """Say on standard error if reports will hold no charts."""
    if find_spec("matplotlib") is None:
        print(NO_CHARTS, file=sys.stderr)


def write_run(run: Run, found: Figures) -> list[Path]:
    """Write a run's charts and report into its folder and return their paths; FolderError or OSError from the disk."""
    run = replace(run, samples=Series.of(run.samples))
    drawn: list[DrawnChart] = []
    why_none = NO_CHARTS
    if find_spec("matplotlib") is not None:
        from benchwarden.results.chart_run import run_charts

        drawn, why_none = run_charts(run, found, run.path), ""
    return [*(path for one in drawn for path in (one.png, one.svg)), write_run_report(run, found, drawn, why_none)]


def write_comparison(comparison: Comparison, out: Path) -> list[Path]:
    """Write a comparison's charts, report and table into `out` and return their paths; errors as `write_run` has."""
    drawn: list[DrawnChart] = []
    why_none = NO_CHARTS
    if find_spec("matplotlib") is not None:
        from benchwarden.results.chart_compare import comparison_charts

        drawn, why_none = comparison_charts(comparison, out), ""
    report = write_comparison_report(comparison, drawn, out, why_none)
    table = out / "comparison.csv"
    write_text(table, as_csv(comparison_table(comparison)))
    return [*(path for one in drawn for path in (one.png, one.svg)), report, table]


if __name__ == "__main__":
    sys.exit(main())
