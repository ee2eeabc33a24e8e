"""Sees to runs that a crash or a power cut ended: their partial figures are worked out by a child process."""

import subprocess
import sys
from pathlib import Path

from benchwarden.results.folder import interrupted_runs

LONGEST_S = 60.0


def seal_interrupted(runs: Path) -> list[Path]:
    """Have a result written for each interrupted run below `runs` that has none; returns their folders."""
    found = interrupted_runs(runs)
    if found:
        command = [sys.executable, "-m", "benchwarden.daemon.main", "seal", *map(str, found)]
        try:
            subprocess.run(command, check=False, stdin=subprocess.DEVNULL, timeout=LONGEST_S)
        except (OSError, subprocess.TimeoutExpired) as error:
            print(f"interrupted runs were not sealed: {error}", file=sys.stderr)
    return found
