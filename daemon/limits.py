"""Turns a plan's limits into what daemon/safety.py judges: one limit for each quantity that a bay measures."""

from collections.abc import Mapping

from benchwarden.daemon.safety import Limit, Limits
from benchwarden.profiles.plan import PlanLimits

# A surrounding outside this range means a broken sensor, not weather (common practice, no source).
AMBIENT_LOW_C, AMBIENT_HIGH_C = -20.0, 60.0


def limits_for(
    plan: PlanLimits,
    series: int,
    places: tuple[str, ...],
    roles: tuple[str, ...],
    off_thresholds_a: Mapping[str, float],
) -> Limits:
    """Return the limits of a bay with these roles; volts, amperes (positive charges), degrees Celsius."""
    found: dict[tuple[str, str], Limit] = {
        ("load", "voltage_v"): Limit(plan.pack_low_v, plan.pack_high_v, plan.blind_voltage_s),
        ("load", "current_a"): Limit(
            -max(plan.max_draw_a, off_thresholds_a["load"]), off_thresholds_a["load"], plan.blind_voltage_s
        ),
    }
    if "supply" in roles:
        found["supply", "current_a"] = Limit(
            -off_thresholds_a["supply"], max(plan.max_feed_a, off_thresholds_a["supply"]), plan.blind_voltage_s
        )
    if "cells" in roles:
        for number in range(1, series + 1):
            found["cells", f"group_{number}_v"] = Limit(plan.group_low_v, plan.group_high_v, plan.blind_groups_s)
    if "temperature" in roles:
        for place in places:
            low_c, high_c = (
                (AMBIENT_LOW_C, AMBIENT_HIGH_C)
                if place == "ambient"
                else (plan.temperature_low_c, plan.temperature_high_c)
            )
            found["temperature", f"{place}_c"] = Limit(low_c, high_c, plan.blind_temperature_s)
    if "voltmeter" in roles:
        found["voltmeter", "voltage_v"] = Limit(plan.pack_low_v, plan.pack_high_v, 2 * plan.blind_voltage_s)
    return found
