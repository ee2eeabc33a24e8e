"""Judges a balance lead at rest: every tap one group higher than the last, and together the pack.

The rules of a start (profiles/preflight.py) and of an inspection (profiles/step_inspect.py). Pure: readings in, words
out. Taps are counted from the pack's negative end, tap 0; group n lies between tap n - 1 and tap n. Common practice, no
source.
"""

from collections.abc import Sequence
from dataclasses import dataclass

DEAD_TAP_V = 0.1
_SUM_SHARE, _SUM_LEAST_V = 0.005, 0.030


@dataclass(frozen=True, slots=True)
class Taps:
    """What is expected: the pack's name, its groups, what one may rest at (V), how they are measured, at most so many.

    `how`: "each" or "cumulative". `channels`: 0 without a meter for groups.
    """

    name: str
    series: int
    low_v: float
    high_v: float
    how: str
    channels: int


def pack_wrong(voltage_v: float | None, taps: Taps, low_v: float, high_v: float) -> list[str]:
    """What is wrong with the pack's voltage at its main lead, in words; `low_v` and `high_v` are the pack's."""
    if voltage_v is None:
        return ["pack voltage: no reading; the load must read it before a start"]
    if voltage_v < -DEAD_TAP_V:
        return [f"pack voltage: {voltage_v:.3f} V; the pack is connected the wrong way round"]
    if voltage_v < DEAD_TAP_V:
        return [f"pack voltage: {voltage_v:.3f} V; no pack is connected"]
    if not low_v <= voltage_v <= high_v:
        return [
            f"pack voltage: {voltage_v:.3f} V; right would be {low_v:.2f} to {high_v:.2f} V for {taps.series} groups"
        ]
    return []


def taps_wrong(groups_v: Sequence[float | None], voltage_v: float | None, taps: Taps) -> list[str]:
    """What is wrong with the groups, in words: each one, which taps are open or swapped, and their sum."""
    if taps.channels == 0:
        return []
    problems: list[str] = []
    live = [value for value in groups_v if value is not None and abs(value) >= DEAD_TAP_V]
    if len(live) != taps.series:
        problems.append(f"taps: {len(live)} groups answer; pack {taps.name} has {taps.series}")
    for number, value in enumerate(groups_v, start=1):
        if problem := _group(number, value, taps):
            problems.append(problem)
    known = [value for value in groups_v if value is not None]
    if len(known) != len(groups_v) or len(known) != taps.series:
        return problems
    problems += _swapped(known, taps) or _open(known, taps)
    if voltage_v is not None:
        allowed_v = max(_SUM_SHARE * abs(voltage_v), _SUM_LEAST_V)
        if not abs(sum(known) - voltage_v) <= allowed_v:
            problems.append(
                f"sum of groups: {sum(known):.3f} V, pack voltage {voltage_v:.3f} V; "
                f"they may differ by {1000 * allowed_v:.0f} mV"
            )
    return problems


def _swapped(groups_v: Sequence[float], taps: Taps) -> list[str]:
    """Taps that sit in each other's places: put in order by height, they are one group apart."""
    heights = [0.0]
    for value in groups_v:
        heights.append(heights[-1] + value)
    order = sorted(range(len(heights)), key=lambda place: heights[place])
    if order == list(range(len(heights))):
        return []
    rungs = [heights[order[place + 1]] - heights[order[place]] for place in range(len(groups_v))]
    if not all(taps.low_v <= rung <= taps.high_v for rung in rungs):
        return []
    places = sorted(place for place, tap in enumerate(order) if tap != place)
    if order == list(reversed(range(len(heights)))):
        return ["taps: all are in reverse order: the balance lead is the wrong way round"]
    words = f"{', '.join(str(place) for place in places[:-1])} and {places[-1]}"
    return [f"taps {words} are swapped: in another order every tap is one group above the last"]


def _open(groups_v: Sequence[float], taps: Taps) -> list[str]:
    """A tap that hangs free: its two groups are wrong one by one, and right together."""
    found: list[str] = []
    wrong = [not taps.low_v <= value <= taps.high_v for value in groups_v]
    for tap in range(1, len(groups_v)):
        both_v = groups_v[tap - 1] + groups_v[tap]
        alone = not (tap >= 2 and wrong[tap - 2]) and not (tap + 1 < len(wrong) and wrong[tap + 1])
        if wrong[tap - 1] and wrong[tap] and alone and 2 * taps.low_v <= both_v <= 2 * taps.high_v:
            found.append(f"tap {tap} is open: groups {tap} and {tap + 1} are right only together ({both_v:.3f} V)")
    for tap, group in ((0, 0), (len(groups_v), len(groups_v) - 1)):
        beside = wrong[1:2] if tap == 0 else wrong[-2:-1]
        if wrong[group] and abs(groups_v[group]) < DEAD_TAP_V and not any(beside) and len(groups_v) > 1:
            found.append(f"tap {tap} is open: group {group + 1} alone is dead, at the end of the lead")
    return found


def _group(number: int, value: float | None, taps: Taps) -> str:
    """What is wrong with one group, in words; empty if nothing is."""
    if value is None:
        return f"group {number}: no reading"
    if taps.low_v <= value <= taps.high_v:
        return ""
    if taps.how == "cumulative" and not value > DEAD_TAP_V:
        return f"group {number}: tap {number} is {value:.3f} V above the one below it; taps must step up"
    if value <= -DEAD_TAP_V:
        return f"group {number}: {value:.3f} V; its taps are the wrong way round"
    if value < DEAD_TAP_V:
        return f"group {number}: {value:.3f} V; its tap is not connected"
    hint = ""
    if taps.how == "each" and number > 1 and taps.low_v * number <= value <= taps.high_v * number:
        hint = '; the taps look cumulative: taps = "cumulative"'
    return f"group {number}: {value:.3f} V, outside {taps.low_v:.2f} to {taps.high_v:.2f} V{hint}"
