"""One program for each instrument that is switched (fault 37): locks on files that every process of this machine finds.

Held by the guardian's process, and by the worker that inherits them; the kernel lets go of a lock (flock(2)) once both
have ended, however they did. `off` neither waits for one nor is refused.
"""

import fcntl
import hashlib
import ipaddress
import os
import re
import shlex
import stat
import sys
import threading
import tomllib
from collections.abc import Collection, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

from benchwarden.daemon import clock
from benchwarden.daemon.guard.state_folder import LEAVING_S, LOOK_S, has_ended
from benchwarden.results.folder import utc_text

# A lock is taken in each of them that takes a file: which ones do may differ between two users, and one is enough.
FOLDERS = (Path("/run/lock"), Path("/tmp"))
LONGEST = 4096

_QUIET = os.O_NOFOLLOW | os.O_CLOEXEC | os.O_NONBLOCK
_SOCKET = re.compile(r"TCPIP\d*::(?P<host>.+)::(?P<port>\d+)::SOCKET", re.IGNORECASE)
_SERIAL = re.compile(r"ASRL(?P<path>/.+)::INSTR", re.IGNORECASE)
_OUTPUTS = ("load", "supply", "contactor")


class InstrumentsTaken(Exception):
    """Other programs hold instruments of this bench; the message has a line for each: who, since when, and what."""


class _Busy(Exception):
    """A lock is held; the message says by whom."""


def switched(bench: Path, bays: Collection[str] | None) -> dict[str, str]:
    """Return the addresses of what is switched in the named bays (None: all) of a bench file, by names for people.

    Takes what it understands: what is wrong with the file is for whoever reads all of it to say.
    """
    try:
        data = tomllib.loads(bench.read_text("utf-8"))
    except (OSError, ValueError, RecursionError):
        return {}
    found: dict[str, str] = {}
    for bay in _tables(data.get("bay")):
        if bays is not None and bay.get("name") not in bays:
            continue
        for role in _OUTPUTS:
            entries = _tables(bay.get(role))
            for number, entry in enumerate(entries, 1):
                at = entry.get("at")
                if isinstance(at, str) and not at.upper().startswith("MEMORY::"):
                    found[f"{bay.get('name')} {role}" + (f" {number}" if len(entries) > 1 else "")] = at
    return found


def _tables(found: object) -> list[dict[str, Any]]:
    several = found if isinstance(found, list) else [found]
    return [one for one in several if isinstance(one, dict)]


def normalised(address: str) -> str:
    """Return one text for an address however it is written: letters, board number, ways to name a serial port."""
    address = address.strip()
    if found := _SOCKET.fullmatch(address):
        return f"tcp {_host(found['host'])} {int(found['port'])}"
    if found := _SERIAL.fullmatch(address):
        return f"serial {os.path.realpath(found['path'])}"
    return re.sub(r"^([A-Z]+)0?::", r"\1::", address.upper())


def _host(text: str) -> str:
    text = text.strip("[]").lower()
    if text == "localhost":
        return "127.0.0.1"
    with suppress(ValueError):
        return ipaddress.ip_address(text).compressed
    return text  # a name is not looked up: that can take longer than anybody waits


@contextmanager
def held(bench: Path, bays: Collection[str] | None, folders: Sequence[Path] = FOLDERS) -> Iterator[list[int]]:
    """Hold everything that is switched in these bays while the block runs; gives the descriptors that hold it.

    Raises InstrumentsTaken, and then holds nothing.
    """
    addresses = switched(bench, bays)
    end_s = clock.real_s() + LEAVING_S
    while True:
        try:
            taken = _take(addresses, folders)
            break
        except InstrumentsTaken as error:
            if not _leaving(str(error)) or clock.real_s() >= end_s:
                raise
        threading.Event().wait(LOOK_S)
    try:
        _sweep(folders)
        if addresses and not taken:
            where = " or ".join(map(str, folders))
            print(f"no lock could be made in {where}: nothing keeps another program off this bench", file=sys.stderr)
        yield list(taken.values())
    finally:
        _let_go(taken)


def holders(bench: Path, bays: Collection[str] | None, folders: Sequence[Path] = FOLDERS) -> list[str]:
    """Return in words who holds what is switched in these bays, each holder once."""
    found: dict[str, None] = {}
    for address in switched(bench, bays).values():
        for folder in folders:
            with suppress(OSError):
                descriptor = os.open(_path(folder, address), os.O_RDONLY | _QUIET)
                try:
                    fcntl.flock(descriptor, fcntl.LOCK_SH | fcntl.LOCK_NB)
                except BlockingIOError:
                    found[_who(descriptor)] = None
                finally:
                    os.close(descriptor)
    return list(found)


def _path(folder: Path, address: str) -> Path:
    return folder / f"benchwarden-{hashlib.sha256(normalised(address).encode()).hexdigest()[:24]}.lock"


def _take(addresses: Mapping[str, str], folders: Sequence[Path]) -> dict[Path, int]:
    """Return the descriptor of each lock by its file; raises InstrumentsTaken, and then none is held."""
    taken: dict[Path, int] = {}
    refused: dict[str, dict[str, None]] = {}
    command = shlex.join(["benchwarden", *sys.argv[1:]])
    words = f"process {os.getpid()} since {utc_text(clock.unix_s())} ({command}, in {_here()})"
    for name, address in addresses.items():
        for folder in folders:
            path = _path(folder, address)
            if path in taken:
                continue  # one instrument of two bays: a second flock of one's own would be refused, too
            try:
                descriptor = _lock(path, words)
            except _Busy as error:
                refused.setdefault(str(error), {})[f"{name} at {address}"] = None
                continue
            if descriptor is not None:
                taken[path] = descriptor
    if refused:
        _let_go(taken)
        raise InstrumentsTaken("\n".join(f"{who} holds {', '.join(what)}" for who, what in refused.items()))
    return taken


def _sweep(folders: Sequence[Path]) -> None:
    """Take away the names that programs which were killed left behind, as far as they are our own user's.

    Whoever finds one held just then reads the name of a process that has ended, and tries again.
    """
    for folder in folders:
        for path in folder.glob("benchwarden-*.lock"):
            with suppress(OSError):
                descriptor = os.open(path, os.O_RDONLY | _QUIET)
                try:
                    found = os.fstat(descriptor)
                    # An empty one has just been made, and is about to be locked.
                    if found.st_uid == os.geteuid() and stat.S_ISREG(found.st_mode) and found.st_size:
                        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
                        if os.path.samestat(found, os.lstat(path)):
                            path.unlink()
                finally:
                    os.close(descriptor)


def _here() -> str:
    try:
        return os.getcwd()
    except OSError:
        return "a folder that is gone"


def _let_go(taken: Mapping[Path, int]) -> None:
    for path, descriptor in taken.items():
        with suppress(OSError):  # still held: who opens it now finds that it has no name any more, and makes another
            path.unlink()
        os.close(descriptor)


def _lock(path: Path, words: str) -> int | None:
    """Return a descriptor that holds this lock, None where no such file can be made; raises _Busy."""
    for _ in range(100):
        descriptor = _opened(path)
        if descriptor is None:
            return None
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            who = _who(descriptor)
            os.close(descriptor)
            raise _Busy(who) from error
        with suppress(OSError):
            if os.path.samestat(os.fstat(descriptor), os.lstat(path)):
                _sign(descriptor, words)
                return descriptor
        os.close(descriptor)  # whoever had it has just taken its name away
    return None


def _opened(path: Path) -> int | None:
    """Open or make a lock's file: never through a link, and not for writing where it is somebody else's."""
    for _ in range(100):
        was_there = vanished = False
        for flags in (os.O_RDWR | os.O_CREAT | os.O_EXCL, os.O_RDWR, os.O_RDONLY):
            try:
                descriptor = os.open(path, flags | _QUIET, 0o666)
            except OSError as error:
                was_there = was_there or isinstance(error, FileExistsError)
                vanished = isinstance(error, FileNotFoundError)
                continue
            if stat.S_ISREG(os.fstat(descriptor).st_mode):
                return descriptor
            os.close(descriptor)
        if not (was_there and vanished):  # else whoever had it took its name away in between
            break
    return None


def _sign(descriptor: int, words: str) -> None:
    """Write who holds it, where the file is our own; everybody may read that."""
    found = os.fstat(descriptor)
    if found.st_uid != os.geteuid() or found.st_nlink != 1:
        return
    with suppress(OSError):
        os.fchmod(descriptor, stat.S_IMODE(found.st_mode) | 0o444)
        os.ftruncate(descriptor, 0)
        os.pwrite(descriptor, words.encode()[:LONGEST], 0)


def _who(descriptor: int) -> str:
    with suppress(OSError):
        words = os.pread(descriptor, LONGEST, 0).decode("utf-8", "replace")
        found = "".join(sign if sign.isprintable() else "?" for sign in words)
        return found or "a program that does not say who it is"
    return "a program that does not say who it is"


def _leaving(words: str) -> bool:
    """Tell whether everybody named as holding something has ended: what they started only switches off now."""
    return all(has_ended(line) for line in words.splitlines())
