"""A test that failed while the machine stood still is tried once more, and said aloud.

Whole runs in real seconds keep deadlines of seconds, as they must: a program that does not get to look for so long
switches off. Shared machines stand still for as long now and then, the processor or the disk. A timer beside the tests
and a sync of a few bytes tell; a test that fails without such a stall fails, and so does one that fails twice.
"""

import os
import tempfile
import threading
from collections import deque
from collections.abc import Callable

# Bound here: tests may put other clocks in the place of the system's.
from os import fsync
from time import monotonic

import pytest
from _pytest.runner import runtestprotocol

STALL_S = 1.0
"""From here on a deadline of the program itself may be missed: a bay gives a sign of life each second at least."""
TICK_S = 0.05
TICKS_A_SYNC = 10
TRIED_AGAIN = "tried again"


class StallMeter:
    """Notes when this process did not get to run, or the disk took nothing, for `STALL_S` or longer (seconds)."""

    def __init__(self, now: Callable[[], float] = monotonic) -> None:
        self._now = now
        self._stalls: deque[tuple[float, float]] = deque(maxlen=100)

    def start(self) -> None:
        """Measure in a thread that ends with the process."""
        threading.Thread(target=self._measure, name="stall meter", daemon=True).start()

    def _measure(self) -> None:
        tick = threading.Event()
        descriptor, path = tempfile.mkstemp()
        os.unlink(path)
        while True:
            for _ in range(TICKS_A_SYNC):
                began_s = self._now()
                tick.wait(TICK_S)
                self.note(began_s, TICK_S)
            began_s = self._now()
            os.pwrite(descriptor, b"here", 0)
            fsync(descriptor)
            self.note(began_s, 0.0)

    def note(self, began_s: float, usual_s: float) -> None:
        """Take how long something took that takes `usual_s` where nothing stands still."""
        late_s = self._now() - began_s - usual_s
        if late_s >= STALL_S:
            self._stalls.append((self._now(), late_s))

    def longest_s(self, since_s: float) -> float:
        """Return the longest stall that ended since then, 0 without one."""
        return max((late_s for at_s, late_s in self._stalls if at_s >= since_s), default=0.0)


METER = StallMeter()


def pytest_sessionstart() -> None:
    """Begin to measure, in each process that runs tests."""
    METER.start()


@pytest.hookimpl(tryfirst=True)
def pytest_runtest_protocol(item: pytest.Item, nextitem: pytest.Item | None) -> bool:
    """Run a test, and once more if it failed while the machine stood still."""
    item.ihook.pytest_runtest_logstart(nodeid=item.nodeid, location=item.location)
    began_s = monotonic()
    reports = runtestprotocol(item, log=False, nextitem=nextitem)
    stall_s = METER.longest_s(began_s)
    if stall_s and any(report.failed for report in reports):
        why = next(report.longreprtext.strip().rpartition("\n")[2] for report in reports if report.failed)
        item._initrequest()  # type: ignore[attr-defined]  # its fixtures are made anew
        reports = runtestprotocol(item, log=False, nextitem=nextitem)
        reports[-1].user_properties.append((TRIED_AGAIN, f"the machine stood still for {stall_s:.1f} s: {why}"))
    for report in reports:
        item.ihook.pytest_runtest_logreport(report=report)
    item.ihook.pytest_runtest_logfinish(nodeid=item.nodeid, location=item.location)
    return True


def say_tried_again(terminalreporter: pytest.TerminalReporter) -> None:
    """Say aloud which tests were tried again, and why, however they ended then."""
    for reports in terminalreporter.stats.values():
        for report in reports:
            for name, why in getattr(report, "user_properties", ()):
                if name == TRIED_AGAIN:
                    terminalreporter.write_line(f"TRIED AGAIN: {report.nodeid}: {why}")
