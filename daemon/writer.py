"""Writes one run's folder from a thread of its own, so that a slow disk never delays a safety decision.

One whole line per write(2), appended; a row counts as acknowledged when write returned. Synced each second.
The first failed write or sync ends the writer: `failed` says why, and the bay trips on it.
"""

import os
import queue
import threading
from contextlib import AbstractContextManager, suppress
from pathlib import Path
from typing import Literal

from benchwarden.daemon import clock
from benchwarden.drivers.line import in_flight

QUEUE_ROWS = 36_000  # an hour at 10 Hz; more than 10 min at any rate that a bay runs
HOLD_ROWS = 64  # on virtual time the clock stands still while more than this waits to be written
SYNC_S = 1.0
CLOSE_S = 15.0

Kind = Literal["sample", "event"]


class Writer:
    """Appends samples and events to the two files of a run folder; `put_*` never wait."""

    def __init__(self, folder: Path, header: str) -> None:
        flags = os.O_WRONLY | os.O_APPEND | os.O_CREAT | os.O_EXCL
        self._files = {
            "sample": os.open(folder / "samples-001.csv", flags, 0o644),
            "event": os.open(folder / "events.jsonl", flags, 0o644),
        }
        os.write(self._files["sample"], header.encode())
        self._queue: queue.Queue[tuple[Kind, bytes, float] | None] = queue.Queue(QUEUE_ROWS)
        self._lock = threading.Lock()
        self._waiting = 0
        self._oldest_s = 0.0
        self._hold: AbstractContextManager[object] | None = None
        self.failed: str | None = None
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
        """Write what waits, sync and close; waits for the thread at most twice `CLOSE_S`."""
        if self._thread.is_alive():
            with suppress(queue.Full):  # a disk that takes nothing any more must not keep the worker
                self._queue.put(None, timeout=CLOSE_S)
            self._thread.join(CLOSE_S)
        self._release()

    def _put(self, kind: Kind, text: str) -> None:
        if self.failed:
            return
        with self._lock:
            if not self._waiting:
                self._oldest_s = clock.real_s()
            self._waiting += 1
            if self._waiting > HOLD_ROWS and self._hold is None:
                self._hold = in_flight()
                self._hold.__enter__()
        try:
            self._queue.put_nowait((kind, text.encode(), clock.real_s()))
        except queue.Full:
            self.failed = f"{QUEUE_ROWS} rows wait to be written: the disk does not keep up"

    def _run(self) -> None:
        synced_s = clock.real_s()
        unsynced = False
        try:
            while True:
                try:
                    item = self._queue.get(timeout=SYNC_S)
                except queue.Empty:
                    item = ("sample", b"", 0.0)
                if item is None:
                    break
                kind, line, put_s = item
                if line:
                    self._write(self._files[kind], line)
                    unsynced = True
                    self._written(put_s)
                now = clock.real_s()
                if unsynced and (now - synced_s >= SYNC_S or kind == "event"):
                    self._sync()
                    synced_s, unsynced = now, False
            self._sync()
        except OSError as error:
            self.failed = f"the run folder cannot be written: {error.strerror}"
        finally:
            for descriptor in self._files.values():
                os.close(descriptor)
            self._release()

    def _write(self, descriptor: int, line: bytes) -> None:
        done = os.write(descriptor, line)
        if done != len(line):  # a full disk takes part of a line before it says so
            raise OSError(28, f"only {done} of {len(line)} bytes were taken")

    def _sync(self) -> None:
        for descriptor in self._files.values():
            os.fsync(descriptor)

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
