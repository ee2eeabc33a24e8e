"""The service's own folder beside the bench file: its sockets, its lists, and the lock that lets one service in.

The guardian's process and the worker's each hold the lock, shared; a second start needs it alone. So nobody starts
while either of them still lives and switches off.
"""

import fcntl
import os
import re
import threading
from contextlib import suppress
from pathlib import Path

from benchwarden.daemon import clock

LOCK_FILE = "service.lock"
WORKER_SOCKET = "worker.sock"
FEED_SOCKET = "feed.sock"
GUARDIAN_SOCKET = "guardian.sock"
GUARDIAN_LOG = "guardian.log"
GUARDIAN_LOG_BEFORE = "guardian-before.log"
# A Unix socket's path has room for 108 bytes and a zero (unix(7), sun_path).
LONGEST_PATH = 107
# A worker whose guardian was killed switches off and ends within some seconds; the next start waits for that.
LEAVING_S = 10.0
LOOK_S = 0.2


class StateRefused(Exception):
    """The state folder cannot be used, or another service holds it; the message says what would be right."""


def state_folder(bench: Path, named: str | None) -> Path:
    """Return the state folder of a bench: the named one, or `state` beside the bench file."""
    return Path(named) if named else bench.parent / "state"


def make_folder(state: Path) -> None:
    """Make the folder so that nobody else may look into it; raises StateRefused."""
    try:
        state.mkdir(mode=0o700, parents=True, exist_ok=True)
        state.chmod(0o700)
    except OSError as error:
        raise StateRefused(f"{state}: {error.strerror}; a folder of our own would be right") from error
    longest = os.fsencode(state.absolute() / GUARDIAN_SOCKET)
    if len(longest) > LONGEST_PATH:
        raise StateRefused(
            f"{state}: its sockets' paths have {len(longest)} bytes; at most {LONGEST_PATH} fit; --state names another"
        )


def hold(state: Path, who: str) -> int:
    """Take the folder for one service and return the descriptor that keeps it; raises StateRefused.

    `who` is what a second start is told. A worker of before, whose guardian was killed, is given some seconds to end.
    """
    end_s = clock.real_s() + LEAVING_S
    while True:
        descriptor = _opened(state)
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
            break
        except OSError as error:
            os.close(descriptor)
            if not _leaving(state) or clock.real_s() >= end_s:
                raise StateRefused(_taken(state)) from error
        threading.Event().wait(LOOK_S)
    with suppress(OSError):  # a full disk keeps nobody from serving
        os.ftruncate(descriptor, 0)
        os.pwrite(descriptor, f"{who}\n".encode(), 0)
    fcntl.flock(descriptor, fcntl.LOCK_SH | fcntl.LOCK_NB)
    return descriptor


def share(state: Path) -> int:
    """Hold the folder together with the guardian that started this process; raises StateRefused."""
    descriptor = _opened(state)
    try:
        fcntl.flock(descriptor, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except OSError as error:
        os.close(descriptor)
        raise StateRefused(_taken(state)) from error
    return descriptor


def _opened(state: Path) -> int:
    try:
        return os.open(state / LOCK_FILE, os.O_RDWR | os.O_CREAT, 0o600)
    except OSError as error:
        raise StateRefused(
            f"{state / LOCK_FILE}: {error.strerror}; a folder of our own would be right, --state names another"
        ) from error


def _leaving(state: Path) -> bool:
    """Tell whether the service that has the folder has ended, so that only its worker still switches off."""
    return has_ended(who_holds(state))


def has_ended(who: str) -> bool:
    """Tell whether the process named by "process N since …" runs no more; one that nobody has buried yet counts."""
    found = re.match(r"process (\d+) ", who)
    if not found:
        return False
    try:
        stat = Path(f"/proc/{found[1]}/stat").read_text("utf-8", "replace")
    except FileNotFoundError:
        return True
    except OSError:
        return False
    return stat.rpartition(")")[2].split()[0] in ("Z", "X")  # proc(5)


def _taken(state: Path) -> str:
    return f"{state}: this bench is in use: {who_holds(state)}; end that first, or name another folder with --state"


def who_holds(state: Path) -> str:
    """Return in words who took the folder last: "process N since …", or that it does not say."""
    with suppress(OSError):
        return (state / LOCK_FILE).read_text(encoding="utf-8", errors="replace").strip() or "it does not say who"
    return "it does not say who"


def keep_log_of_before(state: Path) -> bool:
    """Put the guardian's log of the service before aside; returns whether it had anything to say.

    An older one stays until there is another: `morning` may still tell of it.
    """
    with suppress(OSError):
        (state / GUARDIAN_LOG).replace(state / GUARDIAN_LOG_BEFORE)
        return True
    return False


def words_of_before(state: Path) -> list[str]:
    """Return the last lines that the guardian of the service before left, if it had to say anything."""
    try:
        return (state / GUARDIAN_LOG_BEFORE).read_text(encoding="utf-8", errors="replace").splitlines()[-8:]
    except OSError:
        return []


def append_line(path: Path, text: str) -> None:
    """Append one line to a log; a full disk never stops the caller."""
    with suppress(OSError):
        descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600)
        try:
            os.write(descriptor, f"{text}\n".encode())
        finally:
            os.close(descriptor)
