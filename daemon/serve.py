"""`benchwarden serve`: this process becomes the guardian of a worker that serves waiting lists.

Exit codes: 0 asked to stop and every bay confirmed off, 1 not confirmed, 2 bad input or another service there, 4 the
guardian had to switch off.
"""

import json
import os
import sys
from collections.abc import Sequence
from pathlib import Path

from benchwarden.daemon import clock, control, instrument_lock, state_folder
from benchwarden.daemon.guardian import Guardian, alarm_command, to_terminal
from benchwarden.daemon.guardian_desk import DeskRefused
from benchwarden.results.folder import utc_text

BAD_INPUT = 2


def serve(bench: Path, state: Path) -> int:
    """Serve a bench until SIGTERM or Ctrl-C; returns the exit code. Paths must be absolute.

    Raises InstrumentsTaken where another program has instruments of this bench.
    """
    try:
        state_folder.make_folder(state)
        who = f"process {os.getpid()} since {utc_text(clock.unix_s())}, bench {bench}"
        held = state_folder.hold(state, who)
    except state_folder.StateRefused as error:
        print(error, *control.took_over_lines(state), sep="\n", file=sys.stderr)
        return BAD_INPUT
    try:
        with instrument_lock.held(bench, None) as hold:
            return _guard(bench, state, hold)
    except DeskRefused as error:  # its socket could not be made; nothing was started
        print(error, file=sys.stderr)
        return BAD_INPUT
    finally:
        os.close(held)


def _guard(bench: Path, state: Path, hold: Sequence[int]) -> int:
    before = state_folder.keep_log_of_before(state)

    def tell(text: str) -> None:
        to_terminal(text)
        state_folder.append_line(state / state_folder.GUARDIAN_LOG, f"{utc_text(clock.unix_s())} {text}")

    orders = json.dumps({"bench": str(bench), "state": str(state), "before": before})
    command = [sys.executable, "-m", "benchwarden.daemon.service", orders]
    control = state / state_folder.GUARDIAN_SOCKET
    return Guardian(command, control=control, tell=tell, alarm=alarm_command(bench), hold=hold).run()
