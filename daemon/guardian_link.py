"""The worker's end of the socket to the guardian: arming, signs of life, disarming."""

import asyncio
import base64
import json
import socket
from collections.abc import Mapping, Sequence
from dataclasses import asdict

from benchwarden.daemon import clock
from benchwarden.drivers.line import in_flight
from benchwarden.drivers.off_plan import OffPlan

ARM_TIMEOUT_S = 5.0
# Signs of life closer together than this (real seconds) are left out: on virtual time an hour lasts seconds.
BEAT_GAP_S = 0.2


class GuardianGone(Exception):
    """The guardian does not answer or no longer listens; nothing may be on without it."""


class GuardianLink:
    """Speaks to the guardian over the inherited socket `descriptor`; one for all bays of the worker."""

    def __init__(self, descriptor: int) -> None:
        self._socket = socket.socket(fileno=descriptor)
        self._socket.setblocking(False)
        self._lock = asyncio.Lock()
        self._sent_s: dict[str, float] = {}

    async def arm(self, bay: str, off: Sequence[tuple[OffPlan, float]]) -> None:
        """Hand over how to switch the bay off and wait for the guardian's word; GuardianGone if none comes.

        `off` has, with each instrument, the current in amperes below which it counts as off.
        """
        message = {"arm": bay, "off": [off_entry(plan, threshold_a) for plan, threshold_a in off]}
        loop = asyncio.get_running_loop()
        async with self._lock:
            try:
                with in_flight():
                    async with asyncio.timeout(ARM_TIMEOUT_S):
                        await loop.sock_sendall(self._socket, json.dumps(message).encode() + b"\n")
                        answer = await loop.sock_recv(self._socket, 65536)
            except (OSError, TimeoutError) as error:
                raise GuardianGone(f"the guardian did not confirm bay {bay}: {error!r}") from error
        if answer.strip() != json.dumps({"armed": bay}).encode():
            raise GuardianGone(f"the guardian answered {answer!r} when asked to watch bay {bay}")

    def beat(self, bay: str, sequence: int, on: bool) -> None:
        """Give a sign of life; only ever called after a valid and judged reading."""
        now = clock.real_s()
        if now - self._sent_s.get(bay, 0.0) < BEAT_GAP_S:
            return
        self._sent_s[bay] = now
        self._send({"beat": bay, "n": sequence, "on": on})

    def disarm(self, bay: str, currents_a: Mapping[str, float | None]) -> None:
        """Say that the bay is off: read back, and by these measured currents."""
        self._send({"disarm": bay, "current_a": dict(currents_a)})

    def _send(self, message: Mapping[str, object]) -> None:
        try:
            self._socket.send(json.dumps(message).encode() + b"\n")
        except OSError as error:
            raise GuardianGone(f"the guardian no longer listens: {error!r}") from error


def off_entry(plan: OffPlan, threshold_a: float) -> dict[str, object]:
    """Return what the guardian needs of one instrument, as JSON data; bytes in base 64."""
    data = {
        name: base64.b64encode(value).decode() if isinstance(value, bytes) else value
        for name, value in asdict(plan).items()
    }
    return data | {"threshold_a": threshold_a}
