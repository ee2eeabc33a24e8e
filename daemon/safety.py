"""What may be switched on, and what must be switched off. Nothing here waits, reads or writes.

Two decisions, and no others, keep a bay safe:

1. `follow`: a table of states and events. A pair that the table does not name trips.
2. `judge`: each reading, as it arrives, against limits. A value outside a hard limit trips at once; outside
   a soft one on the second reading in a row, or after one second. A value that is missing (no reply,
   overload, not a number) is never compared: it runs its blind clock, and trips when that has run out. With
   the reason it says whether that is heat: by this mark, never by words, people are told to keep away.

A profile can end a step earlier than these limits; it can never widen one. What carries the decisions out is
daemon/running/bay.py; if that process hangs or dies, daemon/guardian.py switches off without it.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import Enum
from typing import NamedTuple

from benchwarden.results.sample import Reading


class State(Enum):
    """Where a bay stands. Only DRAWING allows the load on, only FEEDING the supply: never both."""

    IDLE = "idle"
    CHECKING = "checking"
    READY = "ready"  # a plan is active, every output confirmed off
    DRAWING = "drawing"
    FEEDING = "feeding"
    OPENING = "opening"  # off was ordered, not yet confirmed
    TRIPPED = "tripped"


class Event(Enum):
    """What can happen to a bay."""

    BEGIN = "begin"
    CHECKED = "checked"  # instruments identified, off confirmed, guardian armed, pack plausible
    DRAW = "draw"
    FEED = "feed"
    OPEN = "open"
    OFF_CONFIRMED = "off confirmed"  # read back, and by measured current on every instrument
    FINISH = "finish"
    TRIP = "trip"
    ACKNOWLEDGE = "acknowledge"  # a person has looked


class Heat(Enum):
    """What the reason of a trip says of the pack's warmth."""

    NO = "no"
    UNKNOWN = "unknown"  # a probe says nothing, or nothing that can be believed: the pack may be hot
    HOT = "hot"


class Breach(NamedTuple):
    """Why a bay must trip, and whether that is heat."""

    why: str
    heat: Heat = Heat.NO


TABLE: Mapping[tuple[State, Event], State] = {
    (State.IDLE, Event.BEGIN): State.CHECKING,
    (State.CHECKING, Event.CHECKED): State.READY,
    (State.READY, Event.DRAW): State.DRAWING,
    (State.READY, Event.FEED): State.FEEDING,
    (State.DRAWING, Event.OPEN): State.OPENING,
    (State.FEEDING, Event.OPEN): State.OPENING,
    (State.OPENING, Event.OFF_CONFIRMED): State.READY,
    (State.READY, Event.FINISH): State.IDLE,
    (State.TRIPPED, Event.ACKNOWLEDGE): State.IDLE,
}


def follow(state: State, event: Event) -> State:
    """Return the state that follows; TRIPPED for every pair that the table does not name."""
    return TABLE.get((state, event), State.TRIPPED)


@dataclass(frozen=True, slots=True)
class Limit:
    """Fine only if `low` <= x <= `high` (so that what is not a number is never fine); bounds in x's own unit.

    `blind_s`: how long the value may be missing before the bay trips.
    """

    low: float
    high: float
    blind_s: float
    hard: bool = True


def tightened(limits: "Limits", role: str, blind_s: float) -> "Limits":
    """Return the limits with one role's blind times cut to `blind_s`; nothing is ever widened."""
    return {
        key: replace(limit, blind_s=min(limit.blind_s, blind_s)) if key[0] == role else limit
        for key, limit in limits.items()
    }


@dataclass(frozen=True, slots=True)
class Watch:
    """What is remembered of one quantity: when it was last valid, and since when it has been outside."""

    valid_s: float
    outside_since_s: float | None = None


# Keyed by role and quantity: ("cells", "group_3_v").
Limits = Mapping[tuple[str, str], Limit]
Watches = Mapping[tuple[str, str], Watch]

SOFT_S = 1.0
# A load that is on and draws nothing for so long has tripped, or the path is open; it must not come back by itself.
VANISHED_S = 1.0
# In a burst without the load's own timer nobody may be blind for longer than this.
BURST_BLIND_S = 0.5


def watch_from(limits: Limits, now_s: float) -> dict[tuple[str, str], Watch]:
    """Return the memory to begin with: every quantity counts as seen at `now_s`, so its blind clock runs."""
    return {key: Watch(now_s) for key in limits}


def judge(limits: Limits, watches: Watches, reading: Reading) -> tuple[dict[tuple[str, str], Watch], Breach | None]:
    """Return the new memory, and why the bay must trip (None: it need not): the first reason, but for a hot one."""
    after = dict(watches)
    found: list[Breach] = []
    for name, value in reading.values.items():
        key = (reading.role, name)
        limit = limits.get(key)
        if limit is None:
            continue
        before = watches[key]
        if value is None or value != value:  # missing, or not a number: never compared
            if reading.asked_s - before.valid_s > limit.blind_s:
                found.append(_blind(key, limit, reading.asked_s - before.valid_s))
            continue
        if limit.low <= value <= limit.high:
            after[key] = Watch(reading.asked_s)
            continue
        since = before.outside_since_s
        after[key] = Watch(reading.asked_s, reading.asked_s if since is None else since)
        if limit.hard or since is not None:
            found.append(_outside(key, limit, value))
    return after, next((one for one in found if one.heat is Heat.HOT), found[0] if found else None)


def overdue(limits: Limits, watches: Watches, now_s: float) -> Breach | None:
    """Return why the bay must trip because something has not been seen for too long; judged at every beat.

    A soft excursion that lasts `SOFT_S` without a second reading trips here too.
    """
    for key, watch in watches.items():
        limit = limits.get(key)
        if limit is None:
            continue
        if now_s - watch.valid_s > limit.blind_s and watch.outside_since_s is None:
            return _blind(key, limit, now_s - watch.valid_s)
        if watch.outside_since_s is not None and now_s - watch.outside_since_s >= SOFT_S:
            why = f"{key[0]} {key[1]} has been outside its limit for {now_s - watch.outside_since_s:.1f} s"
            return Breach(why, _heat(key, Heat.HOT))  # above it or below: the worse is taken
    return None


def vanished(current_a: float | None, threshold_a: float, since_s: float | None, now_s: float) -> float | None:
    """Return since when a load that is on has drawn nothing; None while it draws or its current is not known.

    `since_s` is what this function returned at the reading before.
    """
    if current_a is None or abs(current_a) > threshold_a:
        return None
    return now_s if since_s is None else since_s


def is_off(currents_a: Mapping[str, float | None], thresholds_a: Mapping[str, float]) -> bool:
    """Tell whether every instrument's measured current is below its threshold; a missing current is not off."""
    return all(current is not None and abs(current) <= thresholds_a[name] for name, current in currents_a.items())


def _outside(key: tuple[str, str], limit: Limit, value: float) -> Breach:
    why = f"{key[0]} {key[1]} is {value:.4g}, allowed {limit.low:.4g} to {limit.high:.4g}"
    # Colder than a pack can be is a broken probe.
    return Breach(why, _heat(key, Heat.HOT if value > limit.high else Heat.UNKNOWN))


def _blind(key: tuple[str, str], limit: Limit, age_s: float) -> Breach:
    why = f"{key[0]} {key[1]} has not been seen for {age_s:.1f} s, allowed {limit.blind_s:.4g} s"
    return Breach(why, _heat(key, Heat.UNKNOWN))


def _heat(key: tuple[str, str], heat: Heat) -> Heat:
    return heat if key[0] == "temperature" else Heat.NO
