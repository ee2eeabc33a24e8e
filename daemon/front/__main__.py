"""The front's process; started by the guardian beside the worker.

Started as `python -m benchwarden.daemon.front ORDERS`: the orders as JSON. Exit codes: 0 nothing to show, 2 bad input,
after which the guardian does not start it again; 3 asked to end.
"""

import asyncio
import json
import os
import signal
import sys
import threading
from collections.abc import Sequence
from contextlib import AsyncExitStack, suppress
from dataclasses import dataclass
from pathlib import Path

from benchwarden.daemon.bench import Bench
from benchwarden.daemon.front.feed_reader import FeedReader
from benchwarden.daemon.front.mqtt import published
from benchwarden.daemon.front.page import serve_page
from benchwarden.daemon.guard.state_folder import FEED_SOCKET
from benchwarden.daemon.planning.jobs import load_bench
from benchwarden.profiles.mistakes import FileMistakes

NOTHING_TO_SHOW, BAD_INPUT, ENDED = 0, 2, 3
PARENT_LOOK_S, WRITTEN_LOOK_S = 1.0, 0.1


@dataclass(frozen=True, slots=True)
class Orders:
    """What the command line asked for, paths as text; `runs`: where run folders lie, if elsewhere.

    `awaited`: the worker has yet to write the bench file.
    """

    bench: str
    state: str
    runs: str | None = None
    awaited: bool = False


def main(arguments: Sequence[str]) -> int:
    """Show what the worker does until SIGTERM; returns the exit code."""
    for number in (signal.SIGINT, signal.SIGHUP, signal.SIGQUIT):
        signal.signal(number, signal.SIG_IGN)  # the guardian hears them and decides
    orders = Orders(**json.loads(arguments[0]))
    path = Path(orders.bench)
    if orders.awaited:
        _wait_for(path)
    try:
        bench = load_bench(path)
    except FileMistakes as error:
        print(*error.mistakes, sep="\n", file=sys.stderr)
        return BAD_INPUT
    if bench.mqtt is None and bench.page is None:
        return NOTHING_TO_SHOW
    runs = Path(orders.runs) if orders.runs else path.parent / bench.runs
    return asyncio.run(_show(bench, path, Path(orders.state), runs))


def _wait_for(path: Path) -> None:
    """Wait until a file is there, or whoever is to see to it has gone."""
    parent = os.getppid()
    while not path.exists() and os.getppid() == parent:
        threading.Event().wait(WRITTEN_LOOK_S)


async def _show(bench: Bench, path: Path, state: Path, runs: Path) -> int:
    stopping = asyncio.Event()
    asyncio.get_running_loop().add_signal_handler(signal.SIGTERM, stopping.set)
    reader = FeedReader(state / FEED_SOCKET)
    async with AsyncExitStack() as around:
        try:
            await around.enter_async_context(published(bench, path, reader, runs, state))
        except FileMistakes as error:  # what is wrong with one way to show must not take the other along
            print(*error.mistakes, sep="\n", file=sys.stderr)
            if bench.page is None:
                return BAD_INPUT
        reading = asyncio.create_task(reader.keep_reading(), name="feed")
        page = asyncio.create_task(serve_page(bench, path, state, runs, reader), name="page")
        parent = os.getppid()
        while not stopping.is_set() and os.getppid() == parent:  # a guardian that was killed leaves nobody to end this
            with suppress(TimeoutError):
                async with asyncio.timeout(PARENT_LOOK_S):
                    await stopping.wait()
        reading.cancel()
        page.cancel()
        await asyncio.wait({reading, page})
    return ENDED


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
