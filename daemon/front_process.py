"""The guardian's hold on the front: it starts it, starts it again when it has died, and ends it last."""

import os
import subprocess
from collections.abc import Callable, Sequence
from contextlib import suppress

NOTHING_TO_SHOW, BAD_INPUT = 0, 2  # exit codes after which it is not started again
AGAIN_S = 10.0
GRACE_S = 5.0
# What shows must never take the processor from what watches.
NICE = 5


class Front:
    """A process that shows what the worker does to people elsewhere; nothing of the bench depends on it."""

    def __init__(self, command: Sequence[str], tell: Callable[[str], None]) -> None:
        self._command, self._tell = command, tell
        self._child: subprocess.Popen[bytes] | None = None
        self._due_s = float("-inf")

    def keep(self, now_s: float) -> None:
        """Start it if it is not there, at most once in `AGAIN_S`; returns at once."""
        if self._child is not None and self._child.poll() is None:
            return
        if self._child is not None:
            code, self._child = self._child.returncode, None
            if code in (NOTHING_TO_SHOW, BAD_INPUT):
                self._due_s = float("inf")
            else:
                self._tell(f"the front ended with exit code {code}; it is started again")
        if now_s < self._due_s:
            return
        self._due_s = now_s + AGAIN_S
        try:
            self._child = subprocess.Popen([*self._command], stdin=subprocess.DEVNULL)
            with suppress(OSError):
                os.setpriority(os.PRIO_PROCESS, self._child.pid, NICE)
        except OSError as error:
            self._tell(f"the front cannot be started: {error}")

    def end(self) -> None:
        """Let it say its last words, at most for `GRACE_S`."""
        child, self._child = self._child, None
        if child is None:
            return
        child.terminate()
        try:
            child.wait(GRACE_S)
        except subprocess.TimeoutExpired:
            child.kill()
            child.wait()
