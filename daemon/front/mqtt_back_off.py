"""How long to wait before the broker is tried again: 1 to 30 s, longer after each failure, never the same twice.

The jitter keeps the benches of a house from coming back to a restarted broker in one moment.
"""

from collections.abc import Callable

SHORTEST_S, LONGEST_S = 1.0, 30.0
# A connection that lived so long was a good one.
GOOD_S = 10.0


class BackOff:
    """`draw` returns a number from 0 to 1, such as random.random."""

    def __init__(self, draw: Callable[[], float]) -> None:
        self._draw = draw
        self._longest_s = 2.0 * SHORTEST_S

    def next_s(self, lived_s: float = 0.0) -> float:
        """Return the seconds to wait after a connection that lived for `lived_s` (0: there was none)."""
        if lived_s >= GOOD_S:
            self._longest_s = 2.0 * SHORTEST_S
        longest_s = self._longest_s
        self._longest_s = min(2.0 * longest_s, LONGEST_S)
        return longest_s / 2.0 * (1.0 + self._draw())
