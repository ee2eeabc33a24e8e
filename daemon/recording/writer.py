"""Writes one run's folder from a thread of its own, so that a slow disk never delays a safety decision.

One whole line per write(2), appended; a row counts as acknowledged when write returned. Synced each second.
A write that fails sends its lines to the reserve; a sync that fails ends its file for good, and what it was not yet
sure of is written again to the next segment. Both set `failed`, on which the bay trips; its reasons are still taken.
"""

import fcntl
import os
import queue
import threading
from collections import deque
from collections.abc import Callable
from contextlib import AbstractContextManager, suppress
from pathlib import Path
from typing import Literal

from benchwarden.daemon import clock
from benchwarden.daemon.recording.segment import Disk, Reserve, Segment
from benchwarden.drivers.line import in_flight
from benchwarden.results.folder import RESERVE_FILE, events_name, segment_name, sync_directory

QUEUE_ROWS = 36_000  # an hour at 10 Hz; more than 10 min at any rate that a bay runs
QUEUE_EVENTS = 1_000  # why a run ends must find a place behind that many rows
HOLD_ROWS = 64  # on virtual time the clock stands still while more than this waits to be written
SYNC_S = 1.0
CLOSE_S = 15.0
KEEP_S, KEEP_LINES = 60.0, 600  # so long and so many lines are kept in memory after they were synced, too
LOOK_S = 10.0  # how often the files are looked for under their names
ROOM_S = 60.0  # how often free space is asked for
RESERVE_BYTES = 16 * 1024 * 1024

Kind = Literal["sample", "event"]
Say = Callable[..., None]


class _Stream:
    """Rows or events: the file that takes them now, and what may have to be written again."""

    def __init__(self, name: Callable[[int], str], folder: Path, disk: Disk, header: bytes) -> None:
        self._name, self._folder, self._disk, self._header = name, folder, disk, header
        self._number = 1
        self.file: Segment | Reserve = Segment(folder / name(1), disk, header)
        self.kept: deque[tuple[float, bytes]] = deque()
        self.fresh = 0  # how many of the kept lines were not yet synced
        self.unsynced = True

    def append(self, line: bytes) -> None:
        self.file.append(line)
        self.unsynced = True

    def keep(self, line: bytes, now_s: float) -> None:
        self.kept.append((now_s, line))
        self.fresh += 1

    def forget(self, now_s: float) -> None:
        """Let go of what was synced, but for the last of it."""
        while self.kept and (now_s - self.kept[0][0] > KEEP_S or len(self.kept) > KEEP_LINES):
            self.kept.popleft()
        self.fresh, self.unsynced = 0, False

    def next_segment(self) -> Segment:
        """Make the next file of this stream; a name that is taken is passed over."""
        while True:
            self._number += 1
            with suppress(FileExistsError):
                return Segment(self._folder / self._name(self._number), self._disk, self._header)

    def turn_to(self, file: Segment | Reserve, lines: int) -> None:
        """Write the last lines again to another file, and go on there; raises OSError if that one fails, too."""
        old, self.file = self.file, file
        if isinstance(old, Segment):
            old.close()
        for _, line in list(self.kept)[len(self.kept) - lines :]:
            self.append(line)


class Writer:
    """Appends samples and events to the files of a run folder; `put_*` never wait.

    `say` takes the writer's own events (name and details), from its thread. `needed_bytes` is what the run was
    expected to need; less room than what is left of it is an event and a `warning`.
    """

    def __init__(
        self,
        folder: Path,
        header: str,
        *,
        say: Say = lambda event, **details: None,
        needed_bytes: int = 0,
        reserve_bytes: int = RESERVE_BYTES,
        disk: Disk | None = None,
    ) -> None:
        """Make the files and lock the folder; FileExistsError or OSError if a file cannot be made."""
        self._folder, self._say, self._needed_bytes = folder, say, needed_bytes
        self._disk = disk or Disk()
        self._header, self._reserve_bytes = header.encode(), reserve_bytes
        samples = _Stream(segment_name, folder, self._disk, self._header)
        try:
            events = _Stream(events_name, folder, self._disk, b"")
            self._reserve = self._make_reserve()
        except OSError:
            samples.file.close()
            raise
        self._streams: dict[Kind, _Stream] = {"sample": samples, "event": events}
        self._lock_descriptor = _locked(folder)
        self._queue: queue.SimpleQueue[tuple[Kind, bytes, float] | None] = queue.SimpleQueue()
        self._lock = threading.Lock()
        self._waiting = 0
        self._written_bytes = 0
        self._oldest_s = 0.0
        self._hold: AbstractContextManager[object] | None = None
        self._ended = False
        self.failed: str | None = None
        self.warning: str | None = None
        self._thread = threading.Thread(target=self._run, name=f"writer {folder.name}", daemon=True)
        self._thread.start()

    def put_sample(self, row: str) -> None:
        """Hand over one CSV row with its line end."""
        self._put("sample", row)

    def put_event(self, line: str) -> None:
        """Hand over one JSON line with its line end; it is synced at once."""
        self._put("event", line)

    def behind_s(self) -> float:
        """Return for how many real seconds the oldest unwritten line has waited."""
        with self._lock:
            return clock.real_s() - self._oldest_s if self._waiting else 0.0

    def close(self) -> None:
        """Write what waits, sync and close; waits for the thread at most `CLOSE_S`."""
        if self._thread.is_alive():
            self._queue.put(None)
            self._thread.join(CLOSE_S)  # a disk that takes nothing any more must not keep the worker
        self._release()

    def _put(self, kind: Kind, text: str) -> None:
        if self._ended:
            return
        with self._lock:
            if self._waiting >= QUEUE_ROWS + (QUEUE_EVENTS if kind == "event" else 0):
                self.failed = self.failed or f"{QUEUE_ROWS} rows wait to be written: the disk does not keep up"
                return
            if not self._waiting:
                self._oldest_s = clock.real_s()
            self._waiting += 1
            if self._waiting > HOLD_ROWS and self._hold is None and threading.current_thread() is not self._thread:
                self._hold = in_flight()
                self._hold.__enter__()
        self._queue.put((kind, text.encode(), clock.real_s()))

    def _run(self) -> None:
        try:
            self._serve()
        except OSError as error:  # the reserve failed, too
            self._fail(error)
        except Exception as error:  # noqa: BLE001  whatever is wrong with this program, the bay trips on it
            self.failed = self.failed or f"a fault of this program in the writer: {error!r}"
        finally:
            self._ended = True
            for stream in self._streams.values():
                stream.file.close()
            self._reserve.close()
            if self._lock_descriptor is not None:
                os.close(self._lock_descriptor)
            self._release()

    def _serve(self) -> None:
        synced_s = looked_s = clock.real_s()
        asked_s = looked_s - ROOM_S
        try:
            sync_directory(self._folder)
        except OSError as error:
            self._tell_failed(RESERVE_FILE, f"its folder cannot be synced: {error.strerror}", error)
        while True:
            kind: Kind | None = None
            with suppress(queue.Empty):
                # No longer than until the next sync: a row that comes meanwhile must not put it off.
                item = self._queue.get(timeout=max(0.0, synced_s + SYNC_S - clock.real_s()))
                if item is None:
                    break
                kind, line, put_s = item
                self._take(kind, line)
                self._written(put_s)
            now_s = clock.real_s()
            if now_s - synced_s >= SYNC_S or kind == "event":
                self._sync()
                synced_s = now_s
            if now_s - looked_s >= LOOK_S:
                self._look()
                looked_s = now_s
            if now_s - asked_s >= ROOM_S:
                self._ask_for_room()
                asked_s = now_s
        self._sync()
        while not self._queue.empty():  # what that last sync had to say
            if item := self._queue.get():
                self._take(item[0], item[1])
                self._written(item[2])
        self._sync()

    def _take(self, kind: Kind, line: bytes) -> None:
        stream = self._streams[kind]
        stream.keep(line, clock.real_s())
        try:
            stream.append(line)
        except OSError as error:
            self._to_reserve(stream, "cannot be written", error)
        self._written_bytes += len(line)

    def _to_reserve(self, stream: _Stream, what: str, error: OSError) -> None:
        """Go on in the reserve with all that was not synced; raises OSError when that is what failed."""
        if stream.file is self._reserve:
            raise error
        name = stream.file.path.name
        stream.turn_to(self._reserve, stream.fresh)
        self._tell_failed(name, f"{what}: {error.strerror}", error)

    def _sync(self) -> None:
        for stream in self._streams.values():
            if not stream.unsynced:
                continue
            try:
                stream.file.sync()
            except OSError as error:
                self._renew(stream, error)
            stream.forget(clock.real_s())

    def _renew(self, stream: _Stream, error: OSError) -> None:
        """End a file whose sync failed: a second one may report success although the pages are gone (fault 44)."""
        if stream.file is self._reserve:
            raise error
        name = stream.file.path.name
        try:
            stream.turn_to(stream.next_segment(), len(stream.kept))
            stream.file.sync()
            sync_directory(self._folder)
        except OSError as second:
            self._to_reserve(stream, "cannot be written, either", second)
            self._reserve.sync()
        self._tell_failed(name, f"cannot be synced: {error.strerror}", error)

    def _look(self) -> None:
        """Look for the files under their names; what went astray is gone on with in a new one (fault 46)."""
        for stream in self._streams.values():
            old = stream.file
            if not isinstance(old, Segment):
                continue
            why = old.astray()
            if why is None:
                continue
            try:
                new = stream.next_segment()
                if "changed" not in why:
                    old.copy_to(new)  # it is still whole behind the descriptor that is open here
                stream.turn_to(new, len(stream.kept))
                stream.file.sync()
                sync_directory(self._folder)
            except OSError as error:
                self._to_reserve(stream, f"{why}, and there can be no new one", error)
            else:
                self._say("record_moved", file=old.path.name, why=why, now_in=stream.file.path.name)
        if self._reserve.astray() and not self._reserve.used:
            try:
                new_reserve = self._make_reserve()
            except OSError as error:
                self._tell_failed(RESERVE_FILE, f"was deleted or replaced, and cannot be made again: {error}", error)
                return
            self._reserve.used = True  # what lies under its name is the new one
            self._reserve.close()
            self._reserve = new_reserve
            self._say("record_moved", file=RESERVE_FILE, why="was deleted", now_in=RESERVE_FILE)

    def _make_reserve(self) -> Reserve:
        return Reserve(self._folder / RESERVE_FILE, self._disk, self._reserve_bytes, self._header)

    def _ask_for_room(self) -> None:
        try:
            free_bytes = self._disk.free_bytes(self._folder)
        except OSError:
            return
        needed_bytes = max(self._needed_bytes - self._written_bytes, 0)
        if free_bytes >= needed_bytes:
            self.warning = None
        elif self.warning is None:
            self.warning = (
                f"the disk is nearly full: {free_bytes / 1e6:.1f} MB free, this run may still need "
                f"{needed_bytes / 1e6:.1f} MB"
            )
            self._say("disk_nearly_full", free_bytes=free_bytes, needed_bytes=needed_bytes)

    def _tell_failed(self, file: str, why: str, error: OSError) -> None:
        self._fail(error)
        now_in = {kind: stream.file.path.name for kind, stream in self._streams.items()}
        self._say("record_failed", file=file, why=why, rows_now_in=now_in["sample"], events_now_in=now_in["event"])

    def _fail(self, error: OSError) -> None:
        self.failed = self.failed or f"the run folder cannot be written: {error.strerror}"

    def _written(self, put_s: float) -> None:
        with self._lock:
            self._waiting -= 1
            self._oldest_s = put_s
            release = self._hold if self._waiting == 0 else None
            if release:
                self._hold = None
        if release:
            release.__exit__(None, None, None)

    def _release(self) -> None:
        with self._lock:
            hold, self._hold = self._hold, None
        if hold:
            hold.__exit__(None, None, None)


def _locked(folder: Path) -> int | None:
    """Lock a run folder for as long as this process writes it; None on a file system without locks."""
    descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        os.close(descriptor)
        return None
    return descriptor
