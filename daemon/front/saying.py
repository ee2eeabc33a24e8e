"""What the front says for people: standard error and a log in the state folder, from a thread that may be held up."""

import queue
import sys
import threading
from contextlib import suppress
from pathlib import Path

from benchwarden.daemon import clock
from benchwarden.daemon.guard.state_folder import append_line
from benchwarden.results.folder import utc_text

WAITING_AT_MOST = 200
LOG_BYTES = 1 << 20


class Saying:
    """Call it with a line; it never waits. The log is begun anew when it has grown too long."""

    def __init__(self, log: Path) -> None:
        self._log = log
        self._lines: queue.Queue[str] = queue.Queue(WAITING_AT_MOST)
        threading.Thread(target=self._work, name="saying", daemon=True).start()

    def __call__(self, text: str) -> None:
        """Say one line; where two hundred already wait, it is left out."""
        with suppress(queue.Full):
            self._lines.put_nowait(text)

    def _work(self) -> None:
        while True:
            text = self._lines.get()
            with suppress(OSError, ValueError):
                print(text, file=sys.stderr, flush=True)
            with suppress(OSError):
                if self._log.exists() and self._log.stat().st_size > LOG_BYTES:
                    self._log.replace(self._log.with_suffix(".before"))
            append_line(self._log, f"{utc_text(clock.unix_s())} {text}")
