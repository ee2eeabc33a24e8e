"""Is this process growing? Leaks of a few kilobytes a connection end a service after weeks (fault 14)."""

import os
import threading
from pathlib import Path
from typing import NamedTuple

LOOK_S = 60.0
# Until then a process still loads what it needs.
SETTLED_S = 600.0
TIMES = 2.0
_LEAST = (50.0, 50, 20)  # below these, twice as much is nothing


class Held(NamedTuple):
    """What this process holds: resident memory in MB, open descriptors, threads."""

    memory_mb: float
    descriptors: int
    threads: int


def held() -> Held | None:
    """Return what this process holds now; None where the system does not tell."""
    try:
        pages = int(Path("/proc/self/statm").read_text("ascii").split()[1])
        descriptors = len(os.listdir("/proc/self/fd"))
    except (OSError, ValueError, IndexError):
        return None
    return Held(round(pages * os.sysconf("SC_PAGE_SIZE") / 1e6, 1), descriptors, threading.active_count())


def grown(before: Held, now: Held) -> str:
    """Say what has doubled since `before`, in words; empty if nothing has."""
    names = ("memory, MB", "descriptors", "threads")
    found = [
        f"{name}: {was:g} before, {is_now:g} now"
        for name, was, is_now, least in zip(names, before, now, _LEAST, strict=True)
        if is_now > TIMES * was and is_now - was > least
    ]
    return "; ".join(found)
