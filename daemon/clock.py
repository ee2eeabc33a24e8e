"""Real time: the only file of the worker that may ask the system what time it is.

Everything else uses the running loop's clock, so that tests and the demonstration can run on virtual time.
"""

import time
from dataclasses import dataclass

STEP_S = 0.5
"""A wall clock that jumps by more was set; a machine that stands still for longer slept."""


def real_s() -> float:
    """Return the system's monotonic clock in seconds: for threads and pipes, which never run on virtual time."""
    return time.monotonic()


def unix_s() -> float:
    """Return the wall clock in seconds since 1970-01-01 UTC."""
    return time.time()


@dataclass(frozen=True, slots=True)
class Clocks:
    """The system's clocks at one moment, in seconds: wall, monotonic, and monotonic that runs on in sleep."""

    unix_s: float
    real_s: float
    boot_s: float


def clocks() -> Clocks:
    """Return the system's clocks; of these only CLOCK_BOOTTIME runs on while Linux sleeps (clock_gettime(2))."""
    return Clocks(time.time(), time.monotonic(), time.clock_gettime(time.CLOCK_BOOTTIME))


def slept_s(before: Clocks, now: Clocks) -> float:
    """Return for how many seconds the machine slept between two looks, 0 if for less than `STEP_S`."""
    slept = (now.boot_s - before.boot_s) - (now.real_s - before.real_s)
    return slept if slept > STEP_S else 0.0


def stepped_s(before: Clocks, now: Clocks) -> float:
    """Return by how many seconds the wall clock was set between two looks, 0 if by less than `STEP_S`.

    Held against the clock that runs on in sleep, so that a sleep is no step.
    """
    step = (now.unix_s - before.unix_s) - (now.boot_s - before.boot_s)
    return step if abs(step) > STEP_S else 0.0
