"""Whether a service notices that it grows."""

import os
from pathlib import Path

import pytest

from benchwarden.daemon.guard.self_watch import Held, grown, held


def test_what_this_process_holds_is_told_by_the_system(tmp_path: Path) -> None:
    before = held()
    assert before is not None
    assert before.memory_mb > 5.0
    assert before.threads >= 1
    opened = [os.open(tmp_path, os.O_RDONLY) for _ in range(7)]
    now = held()
    assert now is not None
    assert now.descriptors == before.descriptors + 7
    for descriptor in opened:
        os.close(descriptor)


@pytest.mark.parametrize(
    ("now", "words"),
    [
        (Held(150.0, 30, 8), ""),
        (Held(170.0, 30, 8), "memory, MB: 80 before, 170 now"),
        (Held(80.0, 130, 40), "descriptors: 30 before, 130 now; threads: 8 before, 40 now"),
        (Held(80.0, 70, 18), ""),  # twice as much of little is little
    ],
)
def test_a_leak_is_said_when_something_has_doubled(now: Held, words: str) -> None:
    """Fault 14: a little is lost at every new connection."""
    assert grown(Held(80.0, 30, 8), now) == words
