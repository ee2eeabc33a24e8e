"""Timers beside a test, in processes of their own: what they are late by is the machine's doing, not the program's."""

import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from tests.benchmarks.measured import share

# A program that does nothing but wake up again and again: what it is late by is the machine's doing. With work to do
# it also tells how much longer that takes than the processor is at it.
BARE = """
import sys, time
period_s, work_s = map(float, sys.argv[1:])
due = time.monotonic()
while True:
    due = max(due + period_s, time.monotonic())
    time.sleep(max(due - time.monotonic(), 0.0))
    began, at_work = time.monotonic(), time.process_time()
    while time.process_time() - at_work < work_s:
        pass
    print(began - due, (time.monotonic() - began) / work_s if work_s else 1.0, flush=True)
"""
TIMERS = 4


class BareTimers:
    """What timers that ran beside a test were late by, in seconds, and how slow work was, once they have ended."""

    def __init__(self) -> None:
        self.late_s: list[float] = []
        self.slower: list[float] = []

    @property
    def p99_s(self) -> float:
        """What is added to a p99 that is asserted."""
        return 4.0 * share(self.late_s, 0.99)

    @property
    def longest_s(self) -> float:
        """What is added to a single time that is asserted."""
        return 4.0 * max(self.late_s)

    @property
    def slow(self) -> float:
        """By what a time of much work is multiplied: at least 1, more where others are at work as well."""
        return max(sum(self.slower) / len(self.slower), 1.0)


@contextmanager
def bare_timers(
    folder: Path, period_s: float = 0.1, *, work_s: float = 0.0, count: int = TIMERS
) -> Iterator[BareTimers]:
    """Have timers run meanwhile that do nothing else, or `work_s` each time."""
    found, paths = BareTimers(), [folder / f"timer-{number}" for number in range(count)]
    processes = []
    try:
        for path in paths:
            with path.open("w") as file:
                command = [sys.executable, "-c", BARE, str(period_s), str(work_s)]
                processes.append(subprocess.Popen(command, stdout=file))
        yield found
    finally:
        for process in processes:
            process.kill()
            process.wait()
    for path in paths:
        for line in path.read_text().splitlines():
            late_s, slower = map(float, line.split())
            found.late_s.append(late_s)
            found.slower.append(slower)
