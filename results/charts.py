"""Charts of runs as PNG files, made in a process of their own.

`python -m benchwarden.results.charts RUN… --out DIR`.
Needs matplotlib (extra `charts`). The worker never imports this.
"""

import argparse
import sys
from collections.abc import Sequence
from pathlib import Path

from benchwarden.results.chart_compare import comparison_charts
from benchwarden.results.chart_run import run_charts
from benchwarden.results.compare import ComparisonRefused, compare
from benchwarden.results.figures import figures
from benchwarden.results.folder import FolderError
from benchwarden.results.reading import read_run

__all__ = ["comparison_charts", "main", "run_charts"]


def main(arguments: Sequence[str] | None = None) -> int:
    """Write the charts and print their paths; returns 0, or 2 when a run cannot be read or compared.

    One run: its charts go to `--out`, or into its own folder. Several: each run's charts go to its own
    folder, the comparison's to `--out`, which is then needed.
    """
    parser = argparse.ArgumentParser(prog="benchwarden.results.charts", description="charts of run folders")
    parser.add_argument("runs", nargs="+", type=Path, metavar="RUN", help="folder of a run")
    parser.add_argument("--out", type=Path, help="directory for the charts")
    chosen = parser.parse_args(arguments)
    paths: list[Path] = chosen.runs
    out: Path | None = chosen.out
    if len(paths) > 1 and out is None:
        parser.error("--out: found nothing; a directory for the comparison would be right")
    try:
        runs = [read_run(path) for path in paths]
        written: list[Path] = []
        if len(runs) > 1 and out is not None:
            written.extend(comparison_charts(compare(runs), out))
        for run in runs:
            own = out if out is not None and len(runs) == 1 else run.path
            written.extend(run_charts(run, figures(run), own))
    except (FolderError, ComparisonRefused) as problem:
        print(problem, file=sys.stderr)
        return 2
    for path in written:
        print(path)
    return 0


if __name__ == "__main__":
    sys.exit(main())
