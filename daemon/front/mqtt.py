"""MQTT as one thing that the front enters: nothing where the bench file has no [mqtt]."""

import os
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

from benchwarden.daemon.bench import Bench
from benchwarden.daemon.front.feed_reader import FeedReader
from benchwarden.daemon.front.mqtt_login import login
from benchwarden.daemon.front.mqtt_publisher import Publisher
from benchwarden.daemon.front.saying import Saying
from benchwarden.profiles.mistakes import FileMistakes
from benchwarden.results.folder import FolderError

LOG = "front.log"


@asynccontextmanager
async def published(bench: Bench, path: Path, reader: FeedReader, runs: Path, state: Path) -> AsyncIterator[None]:
    """Publish what the reader hears meanwhile. FileMistakes where [mqtt] cannot be used; `path` is the bench file."""
    if bench.mqtt is None:
        yield
        return
    found = login(bench.mqtt, path, os.environ)
    say = Saying(state / LOG)
    if found.doubt:
        say(found.doubt)
    try:
        publisher = Publisher(bench, found, reader, runs, state, say)
    except FolderError as error:
        raise FileMistakes([f"{path}: {error}"]) from error
    try:
        yield
    finally:
        await publisher.leave()
