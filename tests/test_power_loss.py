"""What a power failure takes: the rows that were written and not yet synced are never older than a second."""

import asyncio
import statistics
import threading
import time
from pathlib import Path

import pytest

from benchwarden.daemon.recording.segment import Disk
from benchwarden.daemon.recording.writer import Writer

HEADER = "a,b\n"
SLACK_S = 0.15


class Remembering(Disk):
    """A disk that knows how old its oldest row was when it was asked to keep it for good."""

    def __init__(self) -> None:
        self.waiting: dict[int, float] = {}
        self.ages_s: list[float] = []
        self.synced = threading.Event()

    def write(self, descriptor: int, data: bytes) -> int:
        if data.startswith(b"row"):
            self.waiting.setdefault(descriptor, time.monotonic())
        return super().write(descriptor, data)

    def sync(self, descriptor: int) -> None:
        began_s = self.waiting.pop(descriptor, None)
        super().sync(descriptor)
        if began_s is not None:
            self.ages_s.append(time.monotonic() - began_s)
            self.synced.set()


@pytest.mark.realtime
@pytest.mark.parametrize("every_s", [0.05, 0.4, 5.0])
def test_no_row_waits_longer_than_a_second_to_be_kept_for_good(tmp_path: Path, every_s: float) -> None:
    """At any rate of rows; a single one, too, after which nothing comes. The usual of several, as machines hesitate."""
    disk = Remembering()
    writer = Writer(tmp_path, HEADER, disk=disk)
    loop = asyncio.new_event_loop()

    async def rows() -> None:
        for turn in range(3):
            disk.synced.clear()
            number = 0
            while not disk.synced.is_set():
                writer.put_sample(f"row {turn} {number}\n")
                number += 1
                await asyncio.to_thread(disk.synced.wait, every_s)

    try:
        loop.run_until_complete(asyncio.wait_for(rows(), 60.0))
    finally:
        writer.close()
        loop.run_until_complete(loop.shutdown_default_executor())
        loop.close()
    assert len(disk.ages_s) >= 3
    assert statistics.median(disk.ages_s) <= 1.0 + SLACK_S
