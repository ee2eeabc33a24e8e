"""Keeps the machine awake while a bay is at work: a machine that sleeps measures nothing and switches nothing off.

A child `systemd-inhibit` holds the lock for as long as its standard input is open, so that the lock ends with this
process, however it ends. Where there is none, that is said; a server without a session manager does not sleep anyhow.
"""

import subprocess
import threading
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path

COMMAND = (
    "systemd-inhibit",
    "--what=sleep:idle:handle-lid-switch",
    "--who=benchwarden",
    "--why=a pack is on the bench",
    "--mode=block",
    "cat",
)
# A lock that is refused ends the child at once; one that lives for so long has been granted.
GRANTED_S = 0.5


class Inhibitor:
    """Holds one lock for all bays together; `command` is for tests."""

    def __init__(self, command: Sequence[str] = COMMAND) -> None:
        self._command = command
        self._child: subprocess.Popen[bytes] | None = None
        self._holders: set[str] = set()
        self._turn = threading.Lock()

    def hold(self, bay: str) -> str | None:
        """Hold the lock for a bay; returns why there is none. Takes half a second: call it in a thread."""
        self._holders.add(bay)
        with self._turn:  # bays that begin together come in threads of their own
            return self._hold()

    def _hold(self) -> str | None:
        if self._child is not None and self._child.poll() is None:
            return None
        self._drop()
        try:
            self._child = subprocess.Popen(
                self._command, stdin=subprocess.PIPE, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE
            )
        except OSError as error:
            return f"the machine may fall asleep: {self._command[0]} cannot be started: {error.strerror}"
        try:
            code = self._child.wait(GRANTED_S)
        except subprocess.TimeoutExpired:
            return None
        assert self._child.stderr is not None
        said = self._child.stderr.read().decode("utf-8", "replace").strip()
        self._drop()
        return f"the machine may fall asleep: {self._command[0]} ended with {code}: {said or 'no reason given'}"

    def release(self, bay: str) -> None:
        """Let the lock go when no bay needs it any more."""
        self._holders.discard(bay)
        if not self._holders:  # else nothing to wait for: somebody who is about to hold it is among them
            with self._turn:
                self._drop()

    @property
    def held(self) -> bool:
        """Whether the lock is held now."""
        return self._child is not None and self._child.poll() is None

    def _drop(self) -> None:
        child, self._child = self._child, None
        if child is None:
            return
        for pipe in (child.stdin, child.stderr):
            if pipe:
                with suppress(OSError):
                    pipe.close()
        try:
            child.wait(1.0)
        except subprocess.TimeoutExpired:
            child.kill()
            child.wait()


def on_battery(supplies: Path = Path("/sys/class/power_supply")) -> bool:
    """Tell whether this machine runs on its battery: there is a mains input, and none has power.

    From the kernel's documentation of the power_supply class: `type` is "Mains" or "USB", `online` 0 or 1.
    """
    inputs: list[str] = []
    for supply in sorted(supplies.glob("*")):
        with suppress(OSError):
            if (supply / "type").read_text().strip() in ("Mains", "USB"):
                inputs.append((supply / "online").read_text().strip())
    return bool(inputs) and all(online == "0" for online in inputs)
