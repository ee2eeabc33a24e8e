"""What a step sees, what it can want, and what it decides: the words between the steps and who executes them.

Volts, amperes (positive charges the pack, negative discharges it), seconds, degrees Celsius, ampere-hours.
None is a missing value: it never ends a step and is never compared.
"""

from dataclasses import dataclass
from typing import Literal

Quantity = Literal["current", "power", "resistance"]


@dataclass(frozen=True, slots=True)
class Seen:
    """The newest joined values at one beat of a step.

    `charging_ah` and `discharging_ah` count since the step began, both zero or above. `output` is "off",
    "load" or "supply"; `since_on_s` is the time since it went on. `answer` is what the operator answered to
    the question that was last wanted, given once.
    """

    step_time_s: float
    voltage_v: float | None
    current_a: float | None
    groups_v: tuple[float | None, ...]
    hottest_c: float | None
    ambient_c: float | None
    charging_ah: float
    discharging_ah: float
    output: str
    since_on_s: float | None
    answer: str | None


@dataclass(frozen=True, slots=True)
class Off:
    """Everything off."""


@dataclass(frozen=True, slots=True)
class Draw:
    """The load draws: `quantity` is "current", "power" or "resistance", `level` in A, W or ohm, without sign.

    `ceiling_a` is the largest current it may take; it trips latching below `trip_voltage_v` (pack voltage)
    and, if it can, after `timer_s`.
    """

    quantity: Quantity
    level: float
    ceiling_a: float
    trip_voltage_v: float
    timer_s: float | None


@dataclass(frozen=True, slots=True)
class Feed:
    """The supply feeds at most `current_a`, holds `voltage_v` at the pack and, if it can, ends after `timer_s`."""

    voltage_v: float
    current_a: float
    timer_s: float | None = None


@dataclass(frozen=True, slots=True)
class Question:
    """The operator is asked, with everything off."""

    text: str
    answers: tuple[str, ...]


Want = Off | Draw | Feed | Question

OFF = Off()


@dataclass(frozen=True, slots=True)
class Decision:
    """What a step decides at one beat.

    `next_s` is the time until the next sample. `finished` says in plain words what ended the step, None while
    it goes on; `ended_by` is the same in one word for programs: "done", "cut-off", "temperature", "time",
    "bound", "until" (a condition that the profile asked for), "not possible". `flags` are to be recorded with the
    run. `final` ends the whole run, safe.
    """

    want: Want
    next_s: float
    state: object
    phase: str
    finished: str | None = None
    flags: tuple[str, ...] = ()
    final: bool = False
    ended_by: str = ""


def ended(
    state: object, phase: str, words: str, by: str, flags: tuple[str, ...] = (), *, final: bool = False
) -> Decision:
    """The decision that ends a step, with everything off."""
    return Decision(OFF, 1.0, state, phase, words, flags, final, by)


def lowest_group(seen: Seen, series: int) -> tuple[str, float] | None:
    """The lowest group in words ("lowest group 3") and its volts; None if nothing is known.

    Without any group channel the pack voltage shared by all groups stands in.
    """
    if not seen.groups_v:
        return None if seen.voltage_v is None else ("mean group", seen.voltage_v / series)
    best: float | None = None
    place = 0
    for index, value in enumerate(seen.groups_v):
        if value is not None and (best is None or value < best):
            best, place = value, index
    return None if best is None else (f"lowest group {place + 1}", best)


def highest_group(seen: Seen, series: int) -> tuple[str, float] | None:
    """The highest group in words and its volts; see `lowest_group`."""
    if not seen.groups_v:
        return None if seen.voltage_v is None else ("mean group", seen.voltage_v / series)
    best: float | None = None
    place = 0
    for index, value in enumerate(seen.groups_v):
        if value is not None and (best is None or value > best):
            best, place = value, index
    return None if best is None else (f"highest group {place + 1}", best)


def rest_spread(seen: Seen) -> tuple[float, str] | None:
    """How far the groups lie apart in volts, and in words which is lowest; None unless all are known at rest."""
    known = [value for value in seen.groups_v if value is not None]
    if seen.output != "off" or len(known) != len(seen.groups_v) or len(known) < 2:
        return None
    spread_v = max(known) - min(known)
    place = known.index(min(known)) + 1
    return spread_v, f"groups rest {1000 * spread_v:.0f} mV apart, group {place} was not full"


def time_in_words(seconds: float) -> str:
    """A time as people say it: "90 s", "30 min", "2.5 h"."""
    if seconds < 120:
        return f"{seconds:g} s"
    if seconds < 7200:
        return f"{seconds / 60:.3g} min"
    return f"{seconds / 3600:.3g} h"
