"""`benchwarden serve`, `run` and `demo --live`: this process becomes the guardian of a service or of a single run.

Exit codes of `serve`: 0 asked to stop and every bay confirmed off, 1 not confirmed, 2 bad input or another service
there, 4 the guardian had to switch off. Those of `run` stand in daemon/worker.py.
"""

import json
import os
import socket
import sys
from collections.abc import Callable, Collection, Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any

from benchwarden.daemon import clock
from benchwarden.daemon.guard import instrument_lock, state_folder
from benchwarden.daemon.guard.guardian_desk import DeskRefused
from benchwarden.daemon.guardian import Guardian, alarm_command, to_terminal, worker_command
from benchwarden.daemon.serving import asking
from benchwarden.results.folder import utc_text

BAD_INPUT = 2
PAGE_PORT = 8640


def serve(bench: Path, state: Path) -> int:
    """Serve a bench until SIGTERM or Ctrl-C; returns the exit code. Paths must be absolute.

    Raises InstrumentsTaken where another program has instruments of this bench.
    """

    def command(before: bool) -> list[str]:
        orders = json.dumps({"bench": str(bench), "state": str(state), "before": before})
        return [sys.executable, "-m", "benchwarden.daemon.serving.service", orders]

    return _guard(command, bench, state, bays=None, runs=None)


def run(orders: Mapping[str, Any], bench: Path, state: Path, bays: Collection[str]) -> int:
    """Carry out a single run's orders (see daemon/worker.py) in these bays; returns the exit code.

    Paths must be absolute. Raises InstrumentsTaken where another program has instruments of these bays.
    """
    command = worker_command(json.dumps({**orders, "state": str(state)}))
    return _guard(lambda before: command, bench, state, bays=bays, runs=orders["runs"])


def demonstrate(profile: str, out: Path) -> int:
    """Guard a service on a simulated bench that goes on until Ctrl-C, with its page; returns the exit code.

    `out` (absolute) is where its files go.
    """
    bench, state = out / "bench.toml", out / "state"
    try:
        state_folder.make_folder(state)
        held = state_folder.hold(state, f"process {os.getpid()} since {utc_text(clock.unix_s())}, a demonstration")
        try:
            bench.unlink(missing_ok=True)  # of an earlier one: its addresses are nobody's now
            orders = json.dumps({"out": str(out), "profile": profile, "at": _page_address()})
            shown = json.dumps({"bench": str(bench), "state": str(state), "awaited": True})
            return Guardian(
                [sys.executable, "-m", "benchwarden.daemon.commands.demo", orders],
                bench_inside_worker=True,
                control=state / state_folder.GUARDIAN_SOCKET,
                front=[sys.executable, "-m", "benchwarden.daemon.front", shown],
            ).run()
        finally:
            os.close(held)
    except (state_folder.StateRefused, DeskRefused) as error:
        print(error, file=sys.stderr)
        return BAD_INPUT


def _page_address() -> str:
    """Return where the demonstration's page is served: the usual port, or one that is free, on this machine only."""
    for port in (PAGE_PORT, 0):
        with suppress(OSError), socket.create_server(("127.0.0.1", port)) as free:
            return f"127.0.0.1:{free.getsockname()[1]}"
    raise state_folder.StateRefused("no port of 127.0.0.1 is free for the page")


def _guard(
    command: Callable[[bool], Sequence[str]],
    bench: Path,
    state: Path,
    *,
    bays: Collection[str] | None,
    runs: str | None,
) -> int:
    """Become the guardian of what `command` starts; it is told whether the guardian before had something to say."""
    try:
        with instrument_lock.held(bench, bays) as hold:
            state_folder.make_folder(state)
            who = f"process {os.getpid()} since {utc_text(clock.unix_s())}, bench {bench}"
            held = state_folder.hold(state, who)
            try:
                before = state_folder.keep_log_of_before(state)

                def tell(text: str) -> None:
                    to_terminal(text)
                    line = f"{utc_text(clock.unix_s())} {text}"
                    state_folder.append_line(state / state_folder.GUARDIAN_LOG, line)

                shown = json.dumps({"bench": str(bench), "state": str(state), "runs": runs})
                return Guardian(
                    command(before),
                    control=state / state_folder.GUARDIAN_SOCKET,
                    tell=tell,
                    alarm=alarm_command(bench),
                    hold=hold,
                    front=[sys.executable, "-m", "benchwarden.daemon.front", shown],
                ).run()
            finally:
                os.close(held)
    except (state_folder.StateRefused, DeskRefused) as error:  # nothing was started
        print(*(asking.took_over_lines(state) or [str(error)]), sep="\n", file=sys.stderr)
        return BAD_INPUT
