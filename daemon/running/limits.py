"""Turns a plan's limits into what daemon/safety.py judges, for each state that a bay can be in.

What may flow depends on what should be on: a load that draws while the bay rests is as wrong as one that draws too
much.
"""

from collections.abc import Mapping
from dataclasses import replace

from benchwarden.daemon.safety import Limit, Limits, State
from benchwarden.profiles.pack import PackValues
from benchwarden.profiles.plan import PlanLimits
from benchwarden.results.sample import Sample

# A surrounding outside this range means a broken sensor, not weather (common practice, no source).
AMBIENT_LOW_C, AMBIENT_HIGH_C = -20.0, 60.0


def limits_by_state(
    plan: PlanLimits,
    series: int,
    places: tuple[str, ...],
    roles: tuple[str, ...],
    off_a: Mapping[str, float],
) -> dict[State, Limits]:
    """Return the limits of a bay with these roles for READY, DRAWING and FEEDING.

    Volts, amperes (positive charges), degrees Celsius. `off_a`: the currents of "load" and "supply" that count as off.
    While off is being confirmed the limits of the state before stay.
    """
    off: dict[tuple[str, str], Limit] = {
        ("load", "voltage_v"): Limit(plan.pack_low_v, plan.pack_high_v, plan.blind_voltage_s),
        ("load", "current_a"): Limit(-off_a["load"], off_a["load"], plan.blind_voltage_s),
    }
    if "supply" in roles:
        off["supply", "current_a"] = Limit(-off_a["supply"], off_a["supply"], plan.blind_voltage_s)
    if "cells" in roles:
        for number in range(1, series + 1):
            off["cells", f"group_{number}_v"] = Limit(plan.group_low_v, plan.group_high_v, plan.blind_groups_s)
    if "temperature" in roles:
        for place in places:
            low_c, high_c = (
                (AMBIENT_LOW_C, AMBIENT_HIGH_C)
                if place == "ambient"
                else (plan.temperature_low_c, plan.temperature_high_c)
            )
            off["temperature", f"{place}_c"] = Limit(low_c, high_c, plan.blind_temperature_s)
    if "voltmeter" in roles:
        off["voltmeter", "voltage_v"] = Limit(plan.pack_low_v, plan.pack_high_v, 2 * plan.blind_voltage_s)
    drawing, feeding = dict(off), dict(off)
    load = off["load", "current_a"]
    drawing["load", "current_a"] = replace(load, low=-max(plan.max_draw_a, off_a["load"]))
    if "supply" in roles:
        supply = off["supply", "current_a"]
        feeding["supply", "current_a"] = replace(supply, high=max(plan.max_feed_a, off_a["supply"]))
    return {State.READY: off, State.DRAWING: drawing, State.FEEDING: feeding}


def limits_while_recovering(limits: Mapping[State, Limits], plan: PlanLimits, series: int) -> dict[State, Limits]:
    """Return the same limits for a pack that rests too low and is charged slowly with somebody there.

    Only what is off or fed may be lower, never what is drawn from; everything else stays as it is.
    """
    low_v = plan.group_low_v if plan.recover_low_v is None else plan.recover_low_v

    def lowered(one: Limits) -> Limits:
        return {
            (role, name): replace(limit, low=low_v)
            if role == "cells"
            else replace(limit, low=series * low_v)
            if name == "voltage_v"
            else limit
            for (role, name), limit in one.items()
        }

    return {state: one if state is State.DRAWING else lowered(one) for state, one in limits.items()}


def has_recovered(sample: Sample, pack: PackValues) -> bool:
    """Tell whether every group is clear of the hard limit again; False while one of them is not known."""
    groups = sample.groups_v or (None if sample.voltage_v is None else sample.voltage_v / pack.series,)
    return all(value is not None and value >= pack.recover_below_v for value in groups)
