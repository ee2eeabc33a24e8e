"""Has a plan's expected course drawn, in a child process: matplotlib never reaches this one."""

import json
import subprocess
import sys
from pathlib import Path

from benchwarden.daemon.commands.show_plan import chart_data
from benchwarden.daemon.planning.jobs import Job

DONE, NOT_DRAWN = 0, 2
ENDINGS = (".png", ".svg")


def refusals(path: Path, bays: int) -> list[str]:
    """Return why a chart cannot be drawn to this path, in words."""
    found = []
    if path.suffix.lower() not in ENDINGS:
        found.append(f"command line: --chart {path}: found {path.suffix!r}; right would be FILE.png or FILE.svg")
    if not path.absolute().parent.is_dir():
        found.append(f"command line: --chart {path}: there is no folder {path.absolute().parent}")
    if bays != 1:
        found.append(f"command line: --chart draws one bay's plan; found {bays}")
    return found


def draw(job: Job, bench_path: Path, runs: Path, path: Path) -> int:
    """Write the chart and say where; returns the exit code."""
    data = json.dumps(chart_data(job, bench_path, runs))
    command = [sys.executable, "-m", "benchwarden.results.chart_plan", str(path)]
    drawn = subprocess.run(command, input=data, check=False, capture_output=True, text=True)
    if drawn.returncode:
        why = drawn.stderr.strip().splitlines()[-1:] or ["no reason given"]
        print(f"the chart was not drawn: {why[0]}", file=sys.stderr)
        return NOT_DRAWN
    print(f"chart: {path}")
    return DONE
