"""The front's publisher between a real feed and a real broker, in one loop; the worker's side is what a test tells."""

import asyncio
import json
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

from benchwarden.daemon import clock
from benchwarden.daemon.bench import Bench, read_bench
from benchwarden.daemon.front.feed_reader import FeedReader
from benchwarden.daemon.front.mqtt_login import Login
from benchwarden.daemon.front.mqtt_publisher import Publisher
from benchwarden.daemon.serving.feed import Feed
from benchwarden.daemon.serving.messages import event_message, utc_ms
from benchwarden.results.folder import event_line
from tests.broker import until

_BAY = """
[[bay]]
name = "{name}"
cooling = "still air"
[bay.load]
at = "TCPIP::192.0.2.1::{port}::SOCKET"
map = "load-function"
sense = "pack connector"
limits = {{ voltage = "60 V", current = "60 A", power = "600 W" }}
"""
RUN = "sanderling/2026-11-25T21-04-11Z_capacity"


def bench_of(every: str = "100 ms") -> Bench:
    """Return a bench "Bird Shed" with the bays left and right."""
    bays = "".join(_BAY.format(name=name, port=port) for name, port in (("left", 5025), ("right", 5026)))
    return read_bench(f'name = "Bird Shed"\nmqtt = {{ url = "mqtt://127.0.0.1", every = "{every}" }}\n{bays}', "bench")


def state_of(bay: str, **more: Any) -> dict[str, Any]:
    """Return a state as the worker tells it."""
    return {
        "kind": "state",
        "bench": "Bird Shed",
        "bay": bay,
        "utc": utc_ms(clock.unix_s()),
        "valid_for_s": 60.0,
        "stand": "running",
        "why": "",
        "heat": "no",
        "pack": "Sanderling",
        "run": RUN,
        "tests": [],
        "question": None,
        "off": None,
    } | more


def sample_of(bay: str, seq: int) -> dict[str, Any]:
    """Return a sample; what it holds beside its number is of no matter here."""
    return {"kind": "sample", "bench": "Bird Shed", "bay": bay, "run": RUN, "seq": seq, "voltage_v": 24.1}


class Rig:
    """`told` says an event as the worker does: into the record first, and then to the feed."""

    def __init__(self, folder: Path, port: int) -> None:
        self.state, self.runs = folder / "state", folder / "runs"
        self.state.mkdir()
        (self.runs / RUN).mkdir(parents=True)
        self.login = Login("127.0.0.1", port, None, None, None)
        self.states = {"left": state_of("left")}
        self.said: list[str] = []
        self.feed = Feed(self.state / "feed.sock", lambda: list(self.states.values()))
        self.reader = FeedReader(self.state / "feed.sock")
        self._seq = 0

    def told(self, event: str, *, feed: bool = True, record: bool = True, **details: Any) -> None:
        self._seq += 1
        said = {"seq": self._seq, "test_time_s": float(self._seq), "utc": utc_ms(clock.unix_s()), "event": event}
        said |= details
        if record:
            with (self.runs / RUN / "events.jsonl").open("a") as file:
                file.write(event_line(said))
        if feed:
            self.feed.tell(event_message("Bird Shed", "left", RUN, said))

    def result(self, **figures: Any) -> None:
        (self.runs / RUN / "result.json").write_text(json.dumps(figures))

    @asynccontextmanager
    async def running(self, every: str = "100 ms") -> AsyncIterator[Publisher]:
        """Serve the feed, and read and publish it, meanwhile."""
        async with self.feed:
            publisher = Publisher(
                bench_of(every), self.login, self.reader, self.runs, self.state, self.said.append, lambda: 0.0
            )
            reading = asyncio.create_task(self.reader.keep_reading())
            await until(lambda: self.feed.heard)
            try:
                yield publisher
            finally:
                await publisher.leave()
                reading.cancel()
                await asyncio.wait({reading})
