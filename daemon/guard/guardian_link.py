"""The worker's end of the socket to the guardian: arming, signs of life both ways, disarming."""

import asyncio
import base64
import json
import socket
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import asdict
from typing import Any

from benchwarden.daemon import clock
from benchwarden.drivers.line import in_flight
from benchwarden.drivers.off_plan import OffPlan

# The guardian asks every instrument of a bay who it is before it says yes.
ARM_TIMEOUT_S = 20.0
# Signs of life closer together than this (real seconds) are left out: on virtual time an hour lasts seconds.
BEAT_GAP_S = 0.2
# The guardian gives a sign each half second; nothing stays on without it for longer than this (real seconds).
GUARDIAN_SILENCE_S = 3.0
# A service gives a sign of its own so often, whatever is armed.
ALIVE_S = 1.0
# A machine that stands still for some seconds stops both: this process must have looked in vain for so long, too, while
# it was awake. At the latest that begins when two thirds of the silence are over.
DOUBT_S = 1.0
# Its end of the socket closes with its process, however that ended.
ENDED = "the guardian has gone (its process ended)"


class GuardianGone(Exception):
    """The guardian does not answer, refuses, or no longer listens; nothing may be on without it."""


class GuardianLink:
    """Speaks to the guardian over the inherited socket `descriptor`; one for all bays of the worker."""

    def __init__(self, descriptor: int) -> None:
        self._socket = socket.socket(fileno=descriptor)
        self._socket.setblocking(False)
        self._loop = asyncio.get_running_loop()
        self._waiting: dict[str, asyncio.Future[None]] = {}
        self._lost: dict[str, str] = {}
        self._sent_s: dict[str, float] = {}
        self._pending = b""
        self._heard_s = clock.real_s()
        self._doubted_s: float | None = None
        self._gone: str | None = None
        self._loop.add_reader(descriptor, self._hear)

    def close(self) -> None:
        """Hang up; the guardian takes the end of the socket for the worker's end."""
        if self._socket.fileno() >= 0:
            self._loop.remove_reader(self._socket.fileno())
            self._socket.close()

    @property
    def gone(self) -> str | None:
        """Why there is no guardian any more, or None."""
        return self._gone

    async def arm(self, bay: str, off: Sequence[Mapping[str, Any]], contactor: Mapping[str, Any] | None = None) -> None:
        """Hand over how to switch the bay off and wait for the guardian's word; GuardianGone if it is no.

        `off` has one entry for each instrument (`off_entry`). The guardian asks each who it is on a connection of its
        own, so the bay's own connections are closed meanwhile.
        """
        self._lost.pop(bay, None)
        waiting = self._waiting[bay] = self._loop.create_future()
        message = {"arm": bay, "off": list(off), "contactor": contactor}
        try:
            with in_flight():
                async with asyncio.timeout(ARM_TIMEOUT_S):
                    await self._loop.sock_sendall(self._socket, json.dumps(message).encode() + b"\n")
                    await waiting
        except (OSError, TimeoutError) as error:
            why = ENDED if isinstance(error, ConnectionError) else f"the guardian did not confirm bay {bay}: {error!r}"
            raise GuardianGone(why) from error
        finally:
            self._waiting.pop(bay, None)

    def beat(self, bay: str, sequence: int, on: bool) -> None:
        """Give a sign of life; only ever called after a valid and judged reading. Raises GuardianGone."""
        now = clock.real_s()
        if self._gone:
            raise GuardianGone(self._gone)
        if bay in self._lost:
            raise GuardianGone(self._lost[bay])
        self._judge_silence(now)
        if now - self._sent_s.get(bay, 0.0) < BEAT_GAP_S:
            return
        self._sent_s[bay] = now
        self._send({"beat": bay, "n": sequence, "on": on})

    def hand_over(self, addresses: Sequence[str]) -> None:
        """Leave the guardian the addresses of those whom it tells when this process has gone, and its files perhaps.

        They hold secrets: nobody else can read this socket. Raises GuardianGone.
        """
        self._send({"addresses": list(addresses)})

    async def keep_alive(self) -> None:
        """Give the service's own signs of life until cancelled or the guardian has gone; on a clock of real seconds.

        From the loop that looks at the bays, so that they end when it does.
        """
        number = 0
        while not self._gone:
            number += 1
            with suppress(GuardianGone):  # whoever looks at `gone` learns of it
                self._send({"alive": number})
            await asyncio.sleep(ALIVE_S)

    def _judge_silence(self, now: float) -> None:
        if now - self._heard_s > GUARDIAN_SILENCE_S - DOUBT_S:
            self._hear()  # a sign may lie in the socket, unread while the loop was busy
        silent_s = now - self._heard_s
        if silent_s <= GUARDIAN_SILENCE_S - DOUBT_S:
            self._doubted_s = None
            return
        if self._doubted_s is None:
            self._doubted_s = now
        if silent_s > GUARDIAN_SILENCE_S and now - self._doubted_s >= DOUBT_S:
            raise GuardianGone(f"no sign of life from the guardian for {silent_s:.1f} s")

    def disarm(self, bay: str, currents_a: Mapping[str, float | None]) -> None:
        """Say that the bay is off: read back, and by these measured currents. Raises GuardianGone."""
        self._send({"disarm": bay, "current_a": dict(currents_a)})

    def _send(self, message: Mapping[str, object]) -> None:
        data = json.dumps(message).encode() + b"\n"
        try:
            sent = self._socket.send(data)
        except OSError as error:
            why = ENDED if isinstance(error, ConnectionError) else f"the guardian no longer listens: {error!r}"
            raise GuardianGone(why) from error
        if sent != len(data):
            self._gone = f"the guardian no longer listens: it took {sent} of {len(data)} bytes"
            raise GuardianGone(self._gone)

    def _hear(self) -> None:
        try:
            block = self._socket.recv(65536)
        except BlockingIOError:
            return
        except OSError:
            block = b""
        if not block:
            self._end(ENDED)
            return
        self._heard_s = clock.real_s()
        *lines, self._pending = (self._pending + block).split(b"\n")
        try:
            for line in lines:
                self._take(json.loads(line))
        except (ValueError, KeyError, TypeError) as error:
            self._end(f"the guardian sent what no guardian sends ({error!r})")

    def _take(self, message: Mapping[str, Any]) -> None:
        if "armed" in message:
            self._answer(message["armed"], None)
        elif "refused" in message:
            self._answer(message["refused"], str(message["why"]))
        elif "lost" in message:
            self._lost[message["lost"]] = str(message["why"])
        elif "alive" not in message:
            raise ValueError(f"unknown message {message}")

    def _answer(self, bay: str, why_not: str | None) -> None:
        waiting = self._waiting.get(bay)
        if waiting is None or waiting.done():
            return
        if why_not is None:
            waiting.set_result(None)
        else:
            waiting.set_exception(GuardianGone(f"the guardian refuses bay {bay}: {why_not}"))

    def _end(self, why: str) -> None:
        self._gone = why
        self._loop.remove_reader(self._socket.fileno())
        for waiting in self._waiting.values():
            if not waiting.done():
                waiting.set_exception(GuardianGone(why))


def off_entry(plan: OffPlan, threshold_a: float, identity: Sequence[str] | None = None) -> dict[str, object]:
    """Return what the guardian needs of one instrument, as JSON data; bytes in base 64.

    `threshold_a`: the current in amperes below which it counts as off; `identity`: its maker, model and serial.
    """
    data = {
        name: base64.b64encode(value).decode() if isinstance(value, bytes) else value
        for name, value in asdict(plan).items()
    }
    return data | {"threshold_a": threshold_a, "identity": list(identity) if identity else None}
