"""`benchwarden serve` and `run`: this process becomes the guardian, of a service or of a single run.

Exit codes of `serve`: 0 asked to stop and every bay confirmed off, 1 not confirmed, 2 bad input or another service
there, 4 the guardian had to switch off. Those of `run` stand in daemon/worker.py.
"""

import json
import os
import sys
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from benchwarden.daemon import clock, state_folder
from benchwarden.daemon.guardian import Guardian, alarm_command, to_terminal, worker_command
from benchwarden.results.folder import utc_text

BAD_INPUT = 2


def serve(bench: Path, state: Path) -> int:
    """Serve a bench until SIGTERM or Ctrl-C; returns the exit code. Paths must be absolute."""
    orders = json.dumps({"bench": str(bench), "state": str(state)})
    command = [sys.executable, "-m", "benchwarden.daemon.service", orders]
    return _guard(command, bench, state, runs=None)


def run(orders: Mapping[str, Any], bench: Path, state: Path) -> int:
    """Carry out a single run's orders (see daemon/worker.py); returns the exit code. Paths must be absolute."""
    command = worker_command(json.dumps({**orders, "state": str(state)}))
    return _guard(command, bench, state, runs=orders.get("runs"))


def _guard(command: Sequence[str], bench: Path, state: Path, *, runs: str | None) -> int:
    try:
        state_folder.make_folder(state)
        who = f"process {os.getpid()} since {utc_text(clock.unix_s())}, bench {bench}"
        held = state_folder.hold(state, who)
    except state_folder.StateRefused as error:
        print(error, file=sys.stderr)
        return BAD_INPUT
    state_folder.keep_log_of_before(state)

    def tell(text: str) -> None:
        to_terminal(text)
        state_folder.append_line(state / state_folder.GUARDIAN_LOG, f"{utc_text(clock.unix_s())} {text}")

    shown = json.dumps({"bench": str(bench), "state": str(state), "runs": runs})
    try:
        return Guardian(
            command,
            control=state / state_folder.GUARDIAN_SOCKET,
            tell=tell,
            alarm=alarm_command(bench),
            front=[sys.executable, "-m", "benchwarden.daemon.front", shown],
        ).run()
    finally:
        os.close(held)
