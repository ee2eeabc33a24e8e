"""Real time: the only file of the worker that may ask the system what time it is.

Everything else uses the running loop's clock, so that tests and the demonstration can run on virtual time.
"""

import time


def real_s() -> float:
    """Return the system's monotonic clock in seconds: for threads and pipes, which never run on virtual time."""
    return time.monotonic()


def unix_s() -> float:
    """Return the wall clock in seconds since 1970-01-01 UTC."""
    return time.time()
