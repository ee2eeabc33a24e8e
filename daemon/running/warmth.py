"""Does the pack warm as its current says it must? Pure: heat put in, probes seen, the reason to trip out.

The heat is I²R, with the resistance from where the current began to flow last, into mass × 1000 J/(kg K)
(batterydesign.net, "Specific heat capacity of lithium ion cells": 800 to 1100). Two predictions are kept, so that each
rule errs towards no trip: a low one, with cooling and a lag, says what a probe must show at least; a high one, all heat
kept, what may be shown at most. Where a figure has no source beside it, it is common practice. For a pack that nobody
weighed the mass is the least that it can be: what may be shown at most still holds, what must be shown does not.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import NamedTuple

from benchwarden.daemon.safety import Breach, Heat

HEAT_J_PER_KG_K = 1000.0
# A fan may cool a pack with this time constant; what its cells make reaches a probe with that one.
COOLING_S, LAG_S = 200.0, 60.0
# A probe that shows less than this share of a rise of so many kelvins has fallen off.
MUST_SHOW_K, MUST_SHARE = 5.0, 0.3
# Under load, and in the rests between bursts: rise beyond so many times the prediction and some kelvins.
MOST_TIMES, MOST_MORE_K = 3.0, 10.0
# At rest and in charge: rise beyond prediction in this window; the heat of the time before may still come out.
WINDOW_S, MOST_K_PER_MIN = 120.0, 1.0
STILL_COMING_S, COMING_TIMES = 360.0, 1.5
_KEPT_EVERY_S = 10.0
# A connector warms by its own contacts, and the air around not at all: neither tells how warm the cells are.
NOT_ON_CELLS = ("ambient_c", "connector_c")
AMBIENT = "ambient_c"


class PutIn(NamedTuple):
    """What the current has put in until `time_s`: `all_k` with all heat kept, `seen_k` cooled and lagging (kelvins).

    `low_k` is the cooled prediction before its lag; `drawn_s` when a load drew last.
    """

    time_s: float
    all_k: float = 0.0
    low_k: float = 0.0
    seen_k: float = 0.0
    drawn_s: float = float("-inf")


def warmed(heat: PutIn, time_s: float, current_a: float, ohm: float | None, mass_kg: float, *, drawing: bool) -> PutIn:
    """Return the heat after a beat at `time_s` (s) with this current (A); `ohm` None: not known, no heat is counted."""
    passed_s = min(max(time_s - heat.time_s, 0.0), 10.0)
    rate_k_s = current_a * current_a * (ohm or 0.0) / (mass_kg * HEAT_J_PER_KG_K)
    low_k = heat.low_k + passed_s * (rate_k_s - heat.low_k / COOLING_S)
    return PutIn(
        time_s,
        heat.all_k + passed_s * rate_k_s,
        low_k,
        heat.seen_k + passed_s * (low_k - heat.seen_k) / LAG_S,
        time_s if drawing else heat.drawn_s,
    )


@dataclass(frozen=True, slots=True)
class Kept:
    """The probes at one moment: °C by place, and all heat put in until then (K)."""

    time_s: float
    all_k: float
    probes_c: Mapping[str, float]


@dataclass(frozen=True, slots=True)
class Probes:
    """Memory of `probes_plausible`: the lowest of each probe so far, what was kept of late, where a draw began."""

    lowest_c: Mapping[str, float]
    kept: tuple[Kept, ...] = ()
    episode: Kept | None = None


def probes_plausible(
    memory: Probes, probes_c: Mapping[str, float], heat: PutIn, *, weighed: bool = True
) -> tuple[Probes, Breach | None]:
    """Judge one reading of the thermometer; missing probes are left out of `probes_c`.

    `weighed`: `heat` went into a mass that is known, and not into the least that it can be.

    Returns the new memory, and why the bay must trip. A rise beyond what the current explains is hot, and everybody's
    business (faults 67, 68): every bay is then switched off. Of a pack whose probe fell off the warmth is not known.
    """
    now = Kept(heat.time_s, heat.all_k, probes_c)
    lowest_c = memory.lowest_c
    if any(value < lowest_c.get(place, float("inf")) for place, value in probes_c.items()):
        lowest_c = {place: min(value, lowest_c.get(place, value)) for place, value in {**lowest_c, **probes_c}.items()}
    episode = memory.episode
    drawn_lately = heat.time_s - heat.drawn_s <= WINDOW_S
    if not drawn_lately:
        episode = None
    elif episode is None:
        episode = now
    kept = memory.kept
    if not kept or now.time_s - kept[-1].time_s >= _KEPT_EVERY_S:
        kept = (*(one for one in kept if now.time_s - one.time_s <= STILL_COMING_S + _KEPT_EVERY_S), now)
    after = Probes(lowest_c, kept, episode)
    fallen = fell_off(probes_c, lowest_c, heat.seen_k) if weighed else None
    if fallen:
        return after, Breach(fallen, Heat.UNKNOWN)
    fast = too_warm_drawing(episode, now) if drawn_lately and episode else too_fast_idle(kept, now)
    return after, Breach(fast, Heat.HOT) if fast else None


def fell_off(probes_c: Mapping[str, float], lowest_c: Mapping[str, float], must_k: float) -> str | None:
    """A probe on the cells that shows less than 30 % of a predicted rise above 5 K has fallen off.

    The rise is counted from the lowest that the probe has shown, or from ambient if that is lower: a pack that was
    warm before shows more, never less.
    """
    if must_k <= MUST_SHOW_K:
        return None
    ambient_c = probes_c.get(AMBIENT)
    for place, value in probes_c.items():
        if place in NOT_ON_CELLS:
            continue
        from_c = lowest_c[place] if ambient_c is None else min(lowest_c[place], ambient_c)
        if value - from_c < MUST_SHARE * must_k:
            return (
                f"temperature {place} shows a rise of {value - from_c:.1f} K where the current must have made at least "
                f"{must_k:.1f} K: the probe fell off"
            )
    return None


def too_warm_drawing(began: Kept, now: Kept) -> str | None:
    """Under load a probe may rise by three times what all heat kept would make, and 10 K."""
    predicted_k = now.all_k - began.all_k
    for place, value in now.probes_c.items():
        if place == AMBIENT or place not in began.probes_c:
            continue
        rise_k = value - began.probes_c[place] - _ambient_rise_k(began, now)
        if rise_k > MOST_TIMES * predicted_k + MOST_MORE_K:
            return (
                f"temperature {place} rose by {rise_k:.1f} K in {now.time_s - began.time_s:.0f} s, where the current "
                f"explains {predicted_k:.1f} K"
            )
    return None


def too_fast_idle(kept: tuple[Kept, ...], now: Kept) -> str | None:
    """At rest and in charge a probe may rise by 1 K/min beyond what the current of the last six minutes explains."""
    began = next((one for one in reversed(kept) if now.time_s - one.time_s >= WINDOW_S), None)
    if began is None or now.time_s - began.time_s > 2 * WINDOW_S:
        return None
    oldest = kept[0]
    explained_k = COMING_TIMES * (now.all_k - oldest.all_k)
    minutes = (now.time_s - began.time_s) / 60.0
    for place, value in now.probes_c.items():
        if place == AMBIENT or place not in began.probes_c:
            continue
        rise_k = value - began.probes_c[place] - _ambient_rise_k(began, now)
        if rise_k > MOST_K_PER_MIN * minutes + explained_k:
            return (
                f"temperature {place} rose by {rise_k:.1f} K in {minutes:.1f} min with the load off, where "
                f"{explained_k:.1f} K are explained and 1 K/min beyond that is borne"
            )
    return None


def _ambient_rise_k(began: Kept, now: Kept) -> float:
    """How much warmer the surroundings have become; a fall explains nothing."""
    if AMBIENT not in began.probes_c or AMBIENT not in now.probes_c:
        return 0.0
    return max(0.0, now.probes_c[AMBIENT] - began.probes_c[AMBIENT])
