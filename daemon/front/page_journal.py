"""What people did through the page, one JSON line each: who, when, what, and what they were answered.

The page never waits for the disk here, and a disk that refuses stops nobody.
"""

import json
import os
from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from pathlib import Path
from typing import Any

from benchwarden.daemon import clock
from benchwarden.daemon.serving.messages import utc_ms

NAME, NAME_BEFORE = "control.jsonl", "control-before.jsonl"
LONGEST = 1 << 20  # bytes; then the file becomes the one before, and what was before that is dropped


class Journal:
    """Writes `control.jsonl` in the state folder, readable by its owner only, from a thread of its own."""

    def __init__(self, state: Path, longest: int = LONGEST) -> None:
        self._path, self._before, self._longest = state / NAME, state / NAME_BEFORE, longest
        self._pen = ThreadPoolExecutor(1, thread_name_prefix="journal")

    def note(self, role: str | None, address: str, what: Mapping[str, Any], answer: str) -> None:
        """Take down one call; returns at once. `what` holds no secret."""
        line = {"utc": utc_ms(clock.unix_s()), "who": f"{role or 'stranger'} at {address}", **what, "answer": answer}
        self._pen.submit(self._write, json.dumps(line, ensure_ascii=False) + "\n")

    def close(self) -> None:
        """Write what is left."""
        self._pen.shutdown()

    def _write(self, line: str) -> None:
        with suppress(OSError):
            if self._path.exists() and self._path.stat().st_size + len(line) > self._longest:
                self._path.replace(self._before)
            descriptor = os.open(self._path, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600)
            try:
                # Half a surrogate pair has no UTF-8; JSON's own escape of it is what this leaves.
                os.write(descriptor, line.encode("utf-8", "backslashreplace"))
            finally:
                os.close(descriptor)
