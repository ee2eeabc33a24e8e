"""One run's folder while it is being written: run.json first, then samples and events, in the writer's thread."""

import asyncio
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from benchwarden.daemon.writer import Writer
from benchwarden.results import columns, folder
from benchwarden.results.sample import Sample

BEHIND_S = 10.0


class Record:
    """Keeps samples and events of one run; `problem` says why it no longer can."""

    def __init__(self, path: Path, info: Mapping[str, Any], started_unix_s: float) -> None:
        """Write run.json and open the files; raises FolderError or OSError if the folder refuses."""
        self.path = path
        folder.write_info(path, info)
        self._started_unix_s = started_unix_s
        self._loop = asyncio.get_running_loop()
        self._started_s = self._loop.time()
        self._events = 0
        self._writer = Writer(path, columns.header(info["series"] if info["group_channels"] else 0, info["places"]))

    @property
    def problem(self) -> str | None:
        """Why the record is no longer kept: a failed write, or a disk more than `BEHIND_S` behind."""
        if self._writer.failed:
            return self._writer.failed
        behind_s = self._writer.behind_s()
        return f"the disk is {behind_s:.0f} s behind, allowed {BEHIND_S:g} s" if behind_s > BEHIND_S else None

    def keep(self, sample: Sample) -> None:
        """Hand one sample to the writer."""
        self._writer.put_sample(columns.row(sample))

    def say(self, event: str, **details: Any) -> None:
        """Hand one event to the writer."""
        self._events += 1
        time_s = self._loop.time() - self._started_s
        line = folder.event_line(
            {
                "seq": self._events,
                "test_time_s": round(time_s, 6),
                "utc": folder.utc_text(self._started_unix_s + time_s),
                "event": event,
                **details,
            }
        )
        self._writer.put_event(line)

    def close(self) -> None:
        """Write and sync what waits."""
        self._writer.close()
