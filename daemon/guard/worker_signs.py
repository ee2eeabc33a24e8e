"""The service worker's signs of life, as its guardian counts them: pure, but for what it remembers.

A bay has signs of its own while it is armed. These are for the hours in which nothing is on, and a frozen service would
leave a list waiting until the morning without anybody being told.
"""

# The worker gives one each second; nobody waits longer for one that is frozen.
WORKER_SILENCE_S = 15.0
# A guardian looks ten times a second. What is more between two looks is a machine that stood still, worker and all.
AWAKE_AT_MOST_S = 1.0


class WorkerSigns:
    """Counts for how long signs have been missing, in seconds during which the guardian itself was awake.

    Counts nothing before the first sign: a single run gives none, and a service none while it starts.
    """

    def __init__(self) -> None:
        self._missed_s: float | None = None
        self._looked_s = 0.0

    def heard(self, now_s: float) -> None:
        """Take a sign of life at this time (s)."""
        self._missed_s, self._looked_s = 0.0, now_s

    def missed_s(self, now_s: float) -> float:
        """Look, and return for how many seconds signs have been missing; 0 before the first one."""
        if self._missed_s is None:
            return 0.0
        self._missed_s += min(max(now_s - self._looked_s, 0.0), AWAKE_AT_MOST_S)
        self._looked_s = now_s
        return self._missed_s
