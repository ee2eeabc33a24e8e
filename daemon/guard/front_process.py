"""The guardian's hold on the front: it starts it, starts it again when it has died, and ends it last."""

import os
import subprocess
import threading
from collections.abc import Callable, Sequence
from contextlib import suppress

NOTHING_TO_SHOW, BAD_INPUT = 0, 2  # exit codes after which it is not started again
AGAIN_S = 10.0
GRACE_S = 5.0
# What shows must never take the processor from what watches.
NICE = 5
start_process = subprocess.Popen


class Front:
    """A process that shows what the worker does to people elsewhere; nothing of the bench depends on it."""

    def __init__(self, command: Sequence[str], tell: Callable[[str], None]) -> None:
        self._command, self._tell = command, tell
        self._child: subprocess.Popen[bytes] | None = None
        self._starting: threading.Thread | None = None
        self._failed = ""
        self._ending = False
        self._due_s = float("-inf")

    def keep(self, now_s: float) -> None:
        """Start it if it is not there, at most once in `AGAIN_S`; returns at once, however long the start takes."""
        if self._starting is not None:
            if self._starting.is_alive():
                return
            self._starting = None
        if self._failed:
            self._tell(f"the front cannot be started: {self._failed}")
            self._failed = ""
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
        # In a thread: a disk that stands still, or a machine without memory, must not hold the guardian up.
        starting = threading.Thread(target=self._start, name="front", daemon=True)
        try:
            starting.start()
        except RuntimeError as error:  # no thread to be had
            self._failed = str(error)
        else:
            self._starting = starting

    def _start(self) -> None:
        try:
            child = start_process([*self._command], stdin=subprocess.DEVNULL)
        except OSError as error:
            self._failed = str(error)
            return
        with suppress(OSError):
            os.setpriority(os.PRIO_PROCESS, child.pid, NICE)
        self._child = child
        if self._ending:  # nobody waits for it any more
            child.terminate()

    def end(self) -> None:
        """Let it say its last words, at most for `GRACE_S`; one that is only just being started is not waited for."""
        self._ending = True
        if self._starting is not None:
            self._starting.join(GRACE_S)
        child, self._child = self._child, None
        if child is None:
            return
        child.terminate()
        try:
            child.wait(GRACE_S)
        except subprocess.TimeoutExpired:
            child.kill()
            child.wait()
