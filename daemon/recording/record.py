"""One run's folder while it is being written: run.json first, then samples and events, in the writer's thread."""

import asyncio
import threading
from collections.abc import Callable, Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any

from benchwarden.daemon import clock
from benchwarden.daemon.recording import space
from benchwarden.daemon.recording.segment import Disk
from benchwarden.daemon.recording.writer import RESERVE_BYTES, Writer
from benchwarden.results import columns, folder
from benchwarden.results.sample import Sample

BEHIND_S = 10.0


class Record:
    """Keeps samples and events of one run; `problem` says why it no longer can.

    `disk`, `clocks` and `reserve_bytes` are for tests: what the system answers, and how much is kept for a full disk.
    """

    def __init__(
        self,
        path: Path,
        info: Mapping[str, Any],
        started_unix_s: float,
        *,
        reserve_bytes: int = RESERVE_BYTES,
        disk: Disk | None = None,
        clocks: Callable[[], clock.Clocks] = clock.clocks,
        heard: Callable[[Mapping[str, Any]], None] | None = None,
        loop: asyncio.AbstractEventLoop | None = None,
    ) -> None:
        """Write run.json and open the files; `started_unix_s` is now.

        `heard` gets every event in the loop's thread, once it is handed on.

        Waits for the disk, so it belongs into a thread where other bays are at work; `loop` is then the bays' loop.

        Raises FolderError (no room, among others) or OSError.
        """
        self.path = path
        self._loop = loop or asyncio.get_running_loop()
        began_s = self._loop.time()
        needed = space.needed_bytes(info)
        refused = space.refusal(path, needed, disk)
        if refused:
            with suppress(OSError):
                path.rmdir()  # only if it is empty
            raise folder.FolderError(refused)
        folder.write_info(path, info)
        self._started_s = self._loop.time()
        self._started_unix_s = started_unix_s + self._started_s - began_s  # the disk has taken its time
        self._events = 0
        self._heard = heard
        self._numbering = threading.Lock()
        self._clocks = clocks
        self._last_clocks = clocks()
        self._slept: str | None = None
        with self._numbering:  # the writer's thread may have something to say at once
            self._writer = Writer(
                path,
                columns.header(info["series"] if info["group_channels"] else 0, info["places"]),
                say=self.say,
                needed_bytes=needed,
                reserve_bytes=reserve_bytes,
                disk=disk,
            )

    @property
    def started_s(self) -> float:
        """The loop's time from which run time counts, in events and samples."""
        return self._started_s

    @property
    def started_unix_s(self) -> float:
        """The same moment in seconds since 1970."""
        return self._started_unix_s

    @property
    def problem(self) -> str | None:
        """Why the record is no longer kept: a failed write, or a disk more than `BEHIND_S` behind."""
        if self._writer.failed:
            return self._writer.failed
        behind_s = self._writer.behind_s()
        return f"the disk is {behind_s:.0f} s behind, allowed {BEHIND_S:g} s" if behind_s > BEHIND_S else None

    @property
    def warning(self) -> str | None:
        """What a person should see to while the run goes on: the disk is nearly full."""
        return self._writer.warning

    def clock_problem(self) -> str | None:
        """Return why time can no longer be trusted: the machine slept. A wall clock that was set is an event only."""
        before, now = self._last_clocks, self._clocks()
        self._last_clocks = now
        step_s = clock.stepped_s(before, now)
        if step_s:
            self.say("clock_step", by_s=round(step_s, 3), utc_now=folder.utc_text(now.unix_s))
        slept_s = clock.slept_s(before, now)
        if slept_s and not self._slept:
            self._slept = f"the machine slept for {slept_s:.1f} s, and nobody looked at the bay meanwhile"
        return self._slept

    def keep(self, sample: Sample) -> None:
        """Hand one sample to the writer."""
        self._writer.put_sample(columns.row(sample))

    def say(self, event: str, **details: Any) -> None:
        """Hand one event to the writer; may be called from any thread."""
        with self._numbering:
            time_s = self._loop.time() - self._started_s
            said = {
                "seq": self._events + 1,
                "test_time_s": round(time_s, 6),
                "utc": folder.utc_text(self._started_unix_s + time_s),
                "event": event,
                **details,
            }
            self._events += 1
            self._writer.put_event(folder.event_line(said))
        if self._heard:
            with suppress(RuntimeError):  # the loop has ended
                self._loop.call_soon_threadsafe(self._heard, said)

    def close(self) -> None:
        """Write and sync what waits."""
        self._writer.close()
