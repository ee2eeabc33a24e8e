"""STOP over MQTT: what is taken as one, and what is asked of worker and guardian; it can only switch off.

Nothing here is remembered for longer than a STOP is fresh, and nothing waits in a queue.
"""

from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any

from pydantic import ValidationError

from benchwarden.daemon.serving.asking import stop_outcome
from benchwarden.daemon.serving.messages import StopRequest

# How far the sender's clock and the way together may be off.
FRESH_S = 10.0
LONGEST = 1000
NONCES = 10_000


class StopRefused(Exception):
    """It is no STOP for now; the message says why. `nonce` is its nonce where it may be answered."""

    def __init__(self, why: str, nonce: str | None = None) -> None:
        super().__init__(why)
        self.nonce = nonce


class Gate:
    """Tells a STOP that is meant now from one that is old, kept by the broker, or said again by somebody else."""

    def __init__(self) -> None:
        self._seen: dict[str, float] = {}

    def judge(self, payload: bytes, *, retained: bool, unix_s: float) -> str:
        """Return the nonce of a STOP that counts; raises StopRefused. `unix_s` is the wall clock now."""
        if retained:
            raise StopRefused("the broker kept it (retained); a STOP is meant now or not at all")
        request = _read(payload)
        try:
            sent = datetime.fromisoformat(request.utc)
        except ValueError:
            sent = None
        if sent is None or sent.tzinfo is None:
            raise StopRefused("its utc is no time with a zone; 2026-11-25T21:04:11Z would be right", request.nonce)
        age_s = unix_s - sent.astimezone(UTC).timestamp()
        if abs(age_s) > FRESH_S:
            raise StopRefused(f"it is {age_s:.1f} s old by this machine's clock; within {FRESH_S:g} s", request.nonce)
        self._forget(unix_s)
        if request.nonce in self._seen:
            raise StopRefused("its nonce was used before; each STOP needs a new one")
        self._seen[request.nonce] = unix_s
        return request.nonce

    def _forget(self, unix_s: float) -> None:
        """Let go of nonces that no fresh STOP can have, and of the oldest of too many: off twice does no harm."""
        while self._seen:
            nonce, at_s = next(iter(self._seen.items()))
            if abs(unix_s - at_s) <= 2 * FRESH_S and len(self._seen) < NONCES:
                break
            del self._seen[nonce]


def _read(payload: bytes) -> StopRequest:
    if len(payload) > LONGEST:
        raise StopRefused(f"it has {len(payload)} bytes; at most {LONGEST} would be right")
    try:
        return StopRequest.model_validate_json(payload)
    except ValidationError as error:
        wrong = ", ".join(sorted({".".join(map(str, one["loc"])) or "JSON" for one in error.errors()}))[:80]
        raise StopRefused(
            f'found something else ({wrong}); {{"nonce": "8 to 64 letters and digits", "utc": "…"}} would be right'
        ) from None


class Calm:
    """Lets `burst` things through at once, then one in `every_s`; the rest is counted."""

    def __init__(self, burst: int, every_s: float) -> None:
        self._burst, self._every_s = burst, every_s
        self._room, self._at_s = float(burst), float("-inf")
        self.held_back = 0

    def passes(self, now_s: float) -> bool:
        """Tell whether one more may pass at this time (s)."""
        if now_s > self._at_s:
            self._room = min(float(self._burst), self._room + (now_s - self._at_s) / self._every_s)
            self._at_s = now_s
        if self._room < 1.0:
            self.held_back += 1
            return False
        self._room -= 1.0
        return True


def outcome(answers: Mapping[str, Mapping[str, Any] | str]) -> tuple[bool | None, list[str], dict[str, dict[str, Any]]]:
    """Return what became of a STOP: whether off is confirmed, both answers in words, and measured amperes by bay."""
    words, off = stop_outcome(answers)
    worker = answers.get("worker")
    bays = worker.get("bays", {}) if isinstance(worker, Mapping) else {}
    if off is None:
        words = [*words, "nobody acted; whether it is off is not known: use the hard-wired stop"]
    return off, words, {name: dict(one["current_a"]) for name, one in bays.items() if one}
