"""A contactor between the pack and all instruments, held closed by a signal that must be renewed each second."""

import base64
from collections.abc import Mapping
from contextlib import suppress
from typing import Any

from benchwarden.daemon.guard.raw_wire import Wire

TIMEOUT_S = 0.5


class Contactor:
    """Renews the signal over one connection; when nobody renews it any more, the contactor opens by itself.

    `entry`: `name`, `address`, `baud`, `renew` (bytes in base 64), `open` (bytes in base 64, or None). Raises OSError
    or ValueError when it cannot be reached.
    """

    def __init__(self, entry: Mapping[str, Any]) -> None:
        self._renew = base64.b64decode(entry["renew"])
        self._open = base64.b64decode(entry["open"]) if entry.get("open") else None
        self._wire = Wire({**entry, "reply_end": base64.b64encode(b"\n")}, TIMEOUT_S)

    def renew(self) -> None:
        """Hold the contactor for a little longer; raises OSError."""
        self._wire.send(self._renew)

    def release(self) -> None:
        """Let it open, at once where there is a word for that; never raises OSError."""
        with suppress(OSError):
            if self._open:
                self._wire.send(self._open)
        with suppress(OSError):
            self._wire.close()
