"""Works out the conditions of `until` in absolute numbers, and how much earlier a step ends by them."""

from benchwarden.profiles.pack import PackValues
from benchwarden.profiles.plan_working import HAIR, Working, refuse, rounded
from benchwarden.profiles.planned import PlannedUntil
from benchwarden.profiles.profile import SimpleStep
from benchwarden.profiles.quantity import Amount
from benchwarden.profiles.step_models import Until


def plan_until(
    until: Until | None,
    step: SimpleStep,
    work: Working,
    *,
    charging: bool,
    cut_off_v: float = 0.0,
    temperature_cut_off_c: float = 0.0,
) -> PlannedUntil | None:
    """The conditions in ampere-hours, watt-hours, seconds, volts of a group, degrees; None if there are none.

    A condition that the step's own end comes before is refused: it could never be met.
    """
    if until is None:
        return None
    pack = work.pack
    group_v, top_v = until.voltage_v, pack.top_v
    if group_v is not None and not charging and not cut_off_v < group_v < top_v:
        refuse(
            work,
            step,
            f"until voltage {group_v:g} V per group does not lie between the cut-off {cut_off_v:g} V and {top_v:g} V",
        )
    if group_v is not None and charging and not pack.discharge_cut_off_v < group_v < top_v:
        refuse(
            work,
            step,
            f"until voltage {group_v:g} V per group does not lie between {pack.discharge_cut_off_v:g} V and "
            f"{top_v:g} V",
        )
    at_most_s = getattr(step, "at_most_s", None)
    if until.time_s is not None and at_most_s is not None and until.time_s > at_most_s * (1 + HAIR):
        refuse(work, step, f"until time {until.time_s:g} s lies beyond at_most {at_most_s:g} s")
    limit_c = pack.temperature_limit_c - 5 if charging else temperature_cut_off_c
    if until.temperature_c is not None and until.temperature_c > limit_c + HAIR:
        refuse(work, step, f"until temperature {until.temperature_c:g} °C lies beyond the cut-off {limit_c:g} °C")
    if until.group_spread_v is not None and work.bay.group_channels < 2:
        refuse(work, step, f"until group_spread needs two groups that are read; bay {work.bay.name} has not")
    return PlannedUntil(
        charge_ah=_absolute(until.charge, pack, 1.0),
        energy_wh=_absolute(until.energy, pack, pack.nominal_pack_v),
        time_s=until.time_s,
        voltage_v=group_v,
        temperature_c=until.temperature_c,
        group_spread_v=until.group_spread_v,
    )


def _absolute(amount: Amount | None, pack: PackValues, per_ah: float) -> float | None:
    if amount is None:
        return None
    if amount.unit == "%":
        return rounded(amount.value / 100 * pack.rated_capacity_ah * per_ah)
    return amount.value


def charged_until(until: PlannedUntil | None, work: Working, whole_s: float, end: float) -> tuple[float, float]:
    """For estimates only: seconds until the step ends, and how full the pack is then (0 to 1).

    `whole_s` is the estimate without conditions, `end` how full the pack would be at its own end.
    """
    if until is None:
        return whole_s, end
    pack = work.pack
    begin, moved = work.charged, abs(end - work.charged)
    shares = [1.0]
    if moved > 0:
        if until.charge_ah is not None:
            shares.append(until.charge_ah / pack.rated_capacity_ah / moved)
        if until.energy_wh is not None:
            shares.append(until.energy_wh / pack.nominal_pack_v / pack.rated_capacity_ah / moved)
        if until.voltage_v is not None:
            low_v = pack.discharge_cut_off_v
            at = (until.voltage_v - low_v) / (pack.top_v - low_v)
            shares.append(max(0.0, (at - begin) / (end - begin)))
    if until.time_s is not None and whole_s > 0:
        shares.append(until.time_s / whole_s)
    share = min(shares)
    return whole_s * share, begin + (end - begin) * share
