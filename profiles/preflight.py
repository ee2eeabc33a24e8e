"""Judges a pack at rest, before anything flows: is it the pack of the plan, and is it wired as the bay says?"""

from collections.abc import Sequence

from benchwarden.profiles.plan import Plan

_DEAD_TAP_V = 0.1
_SUM_SHARE = 0.005
_SUM_LEAST_V = 0.030


def check(groups_v: Sequence[float | None], pack_voltage_v: float | None, plan: Plan) -> list[str]:
    """What speaks against starting, in words; empty if nothing does.

    `groups_v` are the volts of the groups from the negative end, empty if the bay has no meter for them;
    `pack_voltage_v` is that of the whole pack, at zero current. None is a missing value.
    """
    pack, bay = plan.pack, plan.bay
    problems: list[str] = []
    if pack_voltage_v is None:
        problems.append("pack voltage: no reading; the load must read it before a start")
    elif pack_voltage_v < -_DEAD_TAP_V:
        problems.append(f"pack voltage: {pack_voltage_v:.3f} V; the pack is connected the wrong way round")
    elif pack_voltage_v < _DEAD_TAP_V:
        problems.append(f"pack voltage: {pack_voltage_v:.3f} V; no pack is connected")
    elif not plan.limits.pack_low_v <= pack_voltage_v <= plan.limits.pack_high_v:
        problems.append(
            f"pack voltage: {pack_voltage_v:.3f} V; right would be "
            f"{plan.limits.pack_low_v:.2f} to {plan.limits.pack_high_v:.2f} V for {pack.series} groups"
        )
    if bay.group_channels == 0:
        return problems
    live = [value for value in groups_v if value is not None and abs(value) >= _DEAD_TAP_V]
    if len(live) != pack.series:
        problems.append(f"taps: {len(live)} groups answer; pack {pack.name} has {pack.series}")
    for number, value in enumerate(groups_v, start=1):
        if problem := _group(number, value, plan):
            problems.append(problem)
    known = [value for value in groups_v if value is not None]
    if pack_voltage_v is not None and len(known) == len(groups_v) == pack.series:
        allowed_v = max(_SUM_SHARE * abs(pack_voltage_v), _SUM_LEAST_V)
        apart_v = sum(known) - pack_voltage_v
        if not abs(apart_v) <= allowed_v:
            problems.append(
                f"sum of groups: {sum(known):.3f} V, pack voltage {pack_voltage_v:.3f} V; "
                f"they may differ by {1000 * allowed_v:.0f} mV"
            )
    return problems


def _group(number: int, value: float | None, plan: Plan) -> str:
    """What is wrong with one group, in words; empty if nothing is."""
    low_v, high_v = plan.limits.group_low_v, plan.limits.group_high_v
    if value is None:
        return f"group {number}: no reading"
    if low_v <= value <= high_v:
        return ""
    if plan.bay.taps == "cumulative" and not value > _DEAD_TAP_V:
        return f"group {number}: tap {number} is {value:.3f} V above the one below it; taps must step up"
    if value <= -_DEAD_TAP_V:
        return f"group {number}: {value:.3f} V; its taps are the wrong way round"
    if value < _DEAD_TAP_V:
        return f"group {number}: {value:.3f} V; its tap is not connected"
    hint = ""
    if plan.bay.taps == "each" and number > 1 and low_v * number <= value <= high_v * number:
        hint = '; the taps look cumulative: taps = "cumulative"'
    return f"group {number}: {value:.3f} V, outside {low_v:.2f} to {high_v:.2f} V{hint}"
