"""Decides whether one of the conditions of `until` is met. A value that is missing meets none."""

from dataclasses import dataclass

from benchwarden.profiles.decision import Seen, highest_group, lowest_group, time_in_words
from benchwarden.profiles.planned import PlannedUntil

UNTIL = "until"
# Two looks further apart than this are not joined: what flowed between them is not known.
_LONGEST_S = 3.0
_ROUNDING_S = 1e-3


@dataclass(frozen=True, slots=True)
class Counted:
    """Energy since the step began (Wh, without sign), by the trapezoid rule, and the last look: when, what power (W).

    `last_w` is None while everything is off: nothing flowed between then and the first look with an output on.
    """

    energy_wh: float = 0.0
    last_s: float = 0.0
    last_w: float | None = None


NOTHING_COUNTED = Counted()


def counted(memory: Counted, seen: Seen, every_s: float) -> Counted:
    """The energy with one more look; `every_s` is how often the step looks."""
    if seen.output == "off":
        return Counted(memory.energy_wh, seen.step_time_s)
    if seen.voltage_v is None or seen.current_a is None:
        return memory
    power_w = abs(seen.voltage_v * seen.current_a)
    energy_wh = memory.energy_wh
    passed_s = seen.step_time_s - memory.last_s
    if memory.last_w is not None and passed_s <= max(_LONGEST_S, 2.5 * every_s):
        energy_wh += (memory.last_w + power_w) / 2 * passed_s / 3600
    return Counted(energy_wh, seen.step_time_s, power_w)


def met(until: PlannedUntil, memory: Counted, seen: Seen, series: int, *, charging: bool) -> str:
    """Which condition is met, in words; empty if none is."""
    charge_ah = seen.charging_ah if charging else seen.discharging_ah
    if until.charge_ah is not None and charge_ah >= until.charge_ah:
        return f"{charge_ah:.3f} Ah of {until.charge_ah:g} Ah"
    if until.energy_wh is not None and memory.energy_wh >= until.energy_wh:
        return f"{memory.energy_wh:.3f} Wh of {until.energy_wh:g} Wh"
    if until.time_s is not None and seen.step_time_s >= until.time_s - _ROUNDING_S:
        return f"after {time_in_words(until.time_s)}"
    if seen.output == "off":
        return ""  # voltages and warmth are judged under current
    if until.voltage_v is not None:
        found = highest_group(seen, series) if charging else lowest_group(seen, series)
        if found is not None and (found[1] >= until.voltage_v if charging else found[1] <= until.voltage_v):
            return f"{found[0]} at {found[1]:.3f} V, asked for {until.voltage_v:g} V"
    if until.temperature_c is not None and seen.hottest_c is not None and seen.hottest_c >= until.temperature_c:
        return f"hottest sensor at {seen.hottest_c:.1f} °C, asked for {until.temperature_c:g} °C"
    known = [value for value in seen.groups_v if value is not None]
    if until.group_spread_v is not None and len(known) == len(seen.groups_v) > 1:
        spread_v = max(known) - min(known)
        if spread_v >= until.group_spread_v:
            return f"groups {1000 * spread_v:.0f} mV apart, asked for {1000 * until.group_spread_v:.0f} mV"
    return ""


def left_s(until: PlannedUntil | None, seen: Seen, next_s: float) -> float:
    """When to look next: not after the time that is asked for."""
    if until is None or until.time_s is None:
        return next_s
    return max(_ROUNDING_S, min(next_s, until.time_s - seen.step_time_s))
