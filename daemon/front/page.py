"""Serves the page beside whatever else the front shows: binds, runs the server of ASGI, and ends with the front."""

import asyncio
import logging
import socket
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import uvicorn

from benchwarden.daemon.bench import Bench
from benchwarden.daemon.front.feed_reader import FeedReader
from benchwarden.daemon.front.page_access import access_for, split_host
from benchwarden.daemon.front.page_compare import Comparisons
from benchwarden.daemon.front.page_control import Controls
from benchwarden.daemon.front.page_journal import Journal
from benchwarden.daemon.front.page_morning import Morning
from benchwarden.daemon.front.page_notes import Notes
from benchwarden.daemon.front.page_runs import Record
from benchwarden.daemon.front.page_server import Server
from benchwarden.daemon.front.page_stream import Hub
from benchwarden.profiles.mistakes import FileMistakes

AGAIN_S = 10.0
# What a browser that was frozen or unplugged leaves in the kernel is dropped after this (tcp(7), TCP_USER_TIMEOUT).
DROP_AFTER_S = 10.0
WAITING = 128
GRACE_S = 2


class _Uvicorn(uvicorn.Server):
    """The server without its own signal handlers: the front is asked to end, and ends it."""

    @contextmanager
    def capture_signals(self) -> Iterator[None]:
        """Leave signals alone."""
        yield


async def serve_page(bench: Bench, bench_path: Path, state: Path, runs: Path, reader: FeedReader) -> None:
    """Serve the page until cancelled; says on standard error, and ends, if it must not be served as it is set up."""
    if bench.page is None:
        return
    try:
        access = access_for(bench.page, bench_path)
    except FileMistakes as error:
        print(*error.mistakes, "the page is not served", sep="\n", file=sys.stderr)
        return
    bays = [bay.name for bay in bench.bay]
    at = await listening(bench.page.at)
    hub, journal, morning = Hub(reader, bench.name, bays, state), Journal(state), Morning(bench_path, state)
    controls = Controls(bench, bench_path, state)
    record = Record(runs)
    comparisons = Comparisons(state, record)
    server = Server(access, bays, hub, record, controls, Notes(state), morning, journal, comparisons)
    looking = asyncio.create_task(hub.keep_looking(), name="look")
    logging.getLogger("uvicorn.error").setLevel(logging.CRITICAL)  # a page that goes in the middle is no error
    serving = _Uvicorn(
        uvicorn.Config(
            server.app,
            log_config=None,
            access_log=False,
            server_header=False,
            lifespan="off",
            ws="none",
            forwarded_allow_ips="127.0.0.1",
            timeout_graceful_shutdown=GRACE_S,
        )
    )
    task = asyncio.create_task(serving.serve(sockets=[at]), name="page")
    print(f"the page: http://{bench.page.at}/", file=sys.stderr)
    try:
        await asyncio.shield(task)
    finally:
        looking.cancel()
        hub.close()
        serving.should_exit = True
        await asyncio.wait({task, looking}, timeout=GRACE_S + 1)
        task.cancel()  # a machine that stands still may have used the time up; nothing is left behind
        await asyncio.wait({task, looking})
        await morning.close()
        controls.close()
        journal.close()


async def listening(at: str) -> socket.socket:
    """Return a listening socket; says once if the address is taken, and tries again for ever."""
    host, port = split_host(at)
    said = False
    while True:
        try:
            found = socket.create_server(
                (host, int(port)), family=socket.AF_INET6 if ":" in host else socket.AF_INET, backlog=WAITING
            )
            # Inherited by what it accepts.
            found.setsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT, int(DROP_AFTER_S * 1000))
            found.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
            return found
        except (OSError, OverflowError) as error:
            if not said:
                print(f"the page cannot listen at {at}: {error}; it is tried again", file=sys.stderr)
                said = True
            await asyncio.sleep(AGAIN_S)
