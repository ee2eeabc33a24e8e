"""The page's first card: what `benchwarden morning` says, worked out in a process of its own and kept for a while."""

import asyncio
import json
import os
import sys
from contextlib import suppress
from pathlib import Path

from benchwarden.daemon.guard.front_process import NICE

OLD_S, SOONEST_S, AT_MOST_S = 900.0, 10.0, 120.0


class Morning:
    """Keeps the newest report; works out a new one when something has changed, never two at once."""

    def __init__(self, bench_path: Path, state: Path) -> None:
        self._command = [
            *(sys.executable, "-m", "benchwarden.daemon.main", "morning", "--json"),
            *("--bench", str(bench_path), "--state", str(state)),
        ]
        self._kept = b""
        self._of, self._made_s = -1, float("-inf")
        self._making: asyncio.Task[None] | None = None

    async def report(self, changed: int) -> bytes:
        """Return the report as JSON text: the one that is kept, while a newer one is made for the next who asks.

        `changed` counts what may have altered it; only the first who asks waits.
        """
        age_s = asyncio.get_running_loop().time() - self._made_s
        if self._making is None and age_s >= SOONEST_S and (changed != self._of or age_s >= OLD_S):
            self._of = changed
            self._making = asyncio.create_task(self._make(), name="morning")
        if not self._kept and self._making:
            await asyncio.wait({self._making})
        return self._kept or b'{"error": "the report cannot be made now"}'

    async def _make(self) -> None:
        try:
            child = await asyncio.create_subprocess_exec(
                *self._command,
                stdin=asyncio.subprocess.DEVNULL,
                stdout=asyncio.subprocess.PIPE,
                stderr=asyncio.subprocess.PIPE,
            )
            try:
                with suppress(OSError):
                    os.setpriority(os.PRIO_PROCESS, child.pid, 2 * NICE)
                async with asyncio.timeout(AT_MOST_S):
                    said, complaint = await child.communicate()
            finally:
                if child.returncode is None:
                    child.kill()
                    await child.wait()
            with suppress(ValueError):
                json.loads(said)
                self._kept = said
                return
            why = complaint.decode("utf-8", "replace").strip() or "it said nothing"
            self._kept = json.dumps({"error": why[-500:]}).encode()
        except (OSError, TimeoutError) as error:
            self._kept = json.dumps({"error": f"the report could not be made: {error!r}"}).encode()
        finally:
            self._made_s = asyncio.get_running_loop().time()
            self._making = None

    async def close(self) -> None:
        """End a report that is being made."""
        if self._making:
            making = self._making
            making.cancel()
            await asyncio.wait({making})
