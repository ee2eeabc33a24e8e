"""Works out the steps that draw from the pack: discharge, ladder, store."""

import math

from benchwarden.profiles.decision import Quantity
from benchwarden.profiles.fingerprint import rate_c
from benchwarden.profiles.pack import PackValues
from benchwarden.profiles.plan_until import charged_until, plan_until
from benchwarden.profiles.plan_working import (
    HAIR,
    Working,
    amperes,
    default_words,
    degrees,
    load_can,
    refuse,
    rounded,
    volts,
)
from benchwarden.profiles.planned import PlannedDischarge, PlannedLadder, PlannedStore, Rung
from benchwarden.profiles.power_table import PowerTable
from benchwarden.profiles.profile import DischargeStep, LadderStep, StoreStep

_CEILING = 1.1
_MOST_RUNGS = 200
_STORE_TAPER_C = 0.05
# For estimates only, common practice, no source: the warming for each C of discharge, and by a ladder.
_WARMING_K = 10.0
_WARMEST_K = 50.0
_LADDER_WARMING_K = 30.0
# The load's own timer ends a draw that takes half as long again as the pack's rated charge or energy can last, and a
# minute: it guards a computer that died, not the test (common practice, no source).
_LONGER = 1.5
_TIMER_MARGIN_S = 60.0


def plan_discharge(step: DischargeStep, number: int, work: Working) -> PlannedDischarge | None:
    """The discharge in absolute numbers; reasons in `work` where the pack or the load cannot do it."""
    pack, bay = work.pack, work.bay
    name, cut_off_v = volts(work, step, step.stop_at.group_voltage)
    temperature_c = degrees(work, step, step.stop_at.temperature_c)
    low_v, top_v = pack.series * cut_off_v, pack.series * pack.top_v
    load_can(work, step, low_v)
    quantity: Quantity
    table = None if step.power_table is None else work.tables[step.power_table]
    rows: tuple[tuple[float, float], ...] = ()
    if table is not None:
        quantity, rows = "power", _in_watts(table, pack)
        level = max(power_w for _, power_w in rows[:-1])
        largest_a, largest_w, unit = level / low_v, level, "W"
        ceiling_a = _CEILING * largest_a
    elif step.power is not None:
        quantity, level = "power", rounded(rate_c(step.power, pack) * pack.rated_capacity_ah * pack.nominal_pack_v)
        largest_a, largest_w, unit = level / low_v, level, "W"
        # At the knee a constant-power load drives itself up to its ceiling.
        ceiling_a = _CEILING * largest_a
    elif step.current is not None:
        quantity, level = "current", amperes(step.current, pack)
        largest_a, largest_w, unit = level, level * top_v, "A"
        ceiling_a = max(level, min(_CEILING * level, bay.load_max_current_a))
    else:
        assert step.resistance_ohm is not None
        quantity, level = "resistance", step.resistance_ohm
        largest_a, largest_w, unit = top_v / level, top_v * top_v / level, "ohm"
        ceiling_a = max(largest_a, min(_CEILING * largest_a, bay.load_max_current_a))
    where = f"at the cut-off of {low_v:g} V" if quantity == "power" else f"at {top_v:g} V"
    if table is not None:
        _record_fits(step, work, table, low_v)
    elif largest_a > pack.max_discharge_a * (1 + HAIR):
        refuse(
            work,
            step,
            f"{level:g} {unit} is {largest_a:.1f} A {where}, above the pack's max discharge {pack.max_discharge_a:g} A"
            f"{default_words(pack, 'max_discharge')}",
        )
    if ceiling_a > bay.load_max_current_a * (1 + HAIR):
        refuse(
            work,
            step,
            f"{level:g} {unit} needs a ceiling of {ceiling_a:.1f} A {where}, above the load's "
            f"{bay.load_max_current_a:g} A",
        )
    if largest_w > bay.load_max_power_w * (1 + HAIR):
        refuse(
            work,
            step,
            f"{level:g} {unit} is up to {largest_w:.0f} W, above the load's {bay.load_max_power_w:g} W",
        )
    # The longest that the rated charge can last: at constant resistance the current is least at the cut-off.
    least_a = {"power": level / pack.nominal_pack_v, "current": level, "resistance": low_v / level}[quantity]
    mean_a = level / pack.nominal_pack_v if quantity == "power" else largest_a
    if table is not None:
        mean_a = least_a = table.mean * level / table.highest / pack.nominal_pack_v
    estimate_s = min(step.at_most_s, 0.95 * pack.rated_capacity_ah / mean_a * 3600 * max(work.charged, 0.1))
    until = plan_until(
        step.until,
        step,
        work,
        charging=False,
        cut_off_v=cut_off_v,
        temperature_cut_off_c=temperature_c,
    )
    estimate_s, work.charged = charged_until(until, work, estimate_s, 0.0)
    work.warmer_k = min(_WARMEST_K, _WARMING_K * mean_a / pack.rated_capacity_ah)
    draws = f"at {level:g} {unit}"
    if table is not None:
        draws = f"as recorded in {step.power_table}, at most {level:g} W,"
    early = "" if until is None else ", or until what the profile asks for"
    return PlannedDischarge(
        number=number,
        title=f"discharge {draws} to the {name} {cut_off_v:.2f} V of the lowest group{early}",
        estimate_s=estimate_s,
        quantity=quantity,
        level=level,
        ceiling_a=rounded(ceiling_a),
        series=pack.series,
        cut_off_name=name,
        cut_off_v=cut_off_v,
        temperature_cut_off_c=temperature_c,
        trip_voltage_v=rounded(pack.series * pack.hard_low_v),
        timer_s=_timer_s(pack.rated_capacity_ah, least_a, step.at_most_s),
        ambient_low_c=work.ambient.low_c if work.ambient else None,
        ambient_high_c=work.ambient.high_c if work.ambient else None,
        at_most_s=step.at_most_s,
        every_s=step.every_s,
        until=until,
        table=rows,
        table_s=0.0 if table is None else table.duration_s,
    )


def _in_watts(table: PowerTable, pack: PackValues) -> tuple[tuple[float, float], ...]:
    per_unit_w = pack.rated_capacity_ah * pack.nominal_pack_v if table.unit == "C" else 1.0
    return tuple((time_s, rounded(power * per_unit_w)) for time_s, power in table.rows)


def _record_fits(step: DischargeStep, work: Working, table: PowerTable, low_v: float) -> None:
    """The pack may give every power of the record: continuously, or as a burst that is short enough."""
    pack = work.pack
    per_unit_w = pack.rated_capacity_ah * pack.nominal_pack_v if table.unit == "C" else 1.0
    largest_a = table.highest * per_unit_w / low_v
    longest_s = table.longest_above_s(pack.max_discharge_a * low_v / per_unit_w * (1 + HAIR))
    if longest_s > 0 and (pack.max_burst_s is None or longest_s > pack.max_burst_s * (1 + HAIR)):
        refuse(
            work,
            step,
            f"{step.power_table} asks for up to {largest_a:.1f} A at the cut-off of {low_v:g} V, above the pack's max "
            f"discharge {pack.max_discharge_a:g} A for {longest_s:g} s at a time{default_words(pack, 'max_discharge')}",
        )
    elif longest_s > 0 and largest_a > pack.max_burst_a * (1 + HAIR):
        refuse(
            work,
            step,
            f"{step.power_table} asks for up to {largest_a:.1f} A at the cut-off of {low_v:g} V, above the pack's max "
            f"burst {pack.max_burst_a:g} A{default_words(pack, 'max_burst')}",
        )
    top_v = pack.series * pack.top_v
    least_w = work.bay.least_draw_a * top_v
    for row, (_, power) in enumerate(table.rows[:-1], start=1):
        if 0 < power * per_unit_w < least_w * (1 - HAIR):
            refuse(
                work,
                step,
                f"{step.power_table}, row {row}: {power * per_unit_w:g} W is {power * per_unit_w / top_v:.3g} A at "
                f"{top_v:g} V, and bay {work.bay.name} takes up to {work.bay.load_off_a:.3g} A of its load for "
                f"nothing; right would be 0 or {least_w:.4g} W and more",
            )
            break


def _timer_s(rated_ah: float, current_a: float, at_most_s: float) -> float:
    """Seconds after which a draw of at least `current_a` has gone on for too long, whatever ends it otherwise."""
    return rounded(min(at_most_s, _LONGER * rated_ah / current_a * 3600.0) + _TIMER_MARGIN_S)


def plan_ladder(step: LadderStep, number: int, work: Working) -> PlannedLadder | None:
    """The ladder up to its smallest bound; None, with a reason, if not even the first burst lies within it."""
    pack, bay = work.pack, work.bay
    name, floor_v = volts(work, step, step.floor)
    load_can(work, step, pack.series * floor_v)
    top_v = pack.series * pack.top_v
    bounds = {"max burst": pack.max_burst_a}
    if pack.max_burst_s is not None and step.hold_s > pack.max_burst_s * (1 + HAIR):
        bounds = {"max discharge (max burst is for a shorter hold)": pack.max_discharge_a}
    bounds["load current"] = bay.load_max_current_a
    bounds["load power"] = bay.load_max_power_w / top_v
    if step.last is not None:
        bounds["profile"] = amperes(step.last, pack)
    bound = min(bounds, key=lambda key: bounds[key])
    most_a, first_a, more_a = bounds[bound], amperes(step.first, pack), amperes(step.step, pack)
    count = math.floor((most_a - first_a) / more_a * (1 + HAIR) + 1e-6) + 1
    if count < 1:
        key = next((key for key in ("max_burst", "max_discharge") if bound.startswith(key.replace("_", " "))), "")
        known = default_words(pack, key) if key else ""
        refuse(work, step, f"the first burst {first_a:g} A is above the {bound} of {most_a:.4g} A{known}")
        return None
    if count > _MOST_RUNGS:
        refuse(work, step, f"{count} bursts up to {most_a:g} A; at most {_MOST_RUNGS}: take larger steps")
        return None
    rungs = []
    for index in range(count):
        current_a = rounded(first_a + index * more_a)
        ceiling_a = max(current_a, min(_CEILING * current_a, bay.load_max_current_a))
        rungs.append(Rung(index + 1, current_a, rounded(current_a / pack.rated_capacity_ah), rounded(ceiling_a)))
    estimate_s = count * (step.hold_s + step.rest_s)
    used_ah = sum(rung.current_a for rung in rungs) * step.hold_s / 3600
    work.charged = max(0.0, work.charged - used_ah / pack.rated_capacity_ah)
    work.warmer_k = _LADDER_WARMING_K
    return PlannedLadder(
        number=number,
        title=f"ladder of {count} bursts from {first_a:g} A to {rungs[-1].current_a:g} A, {step.hold_s:g} s each",
        estimate_s=estimate_s,
        rungs=tuple(rungs),
        bound=bound,
        hold_s=step.hold_s,
        rest_s=step.rest_s,
        series=pack.series,
        floor_name=name,
        floor_v=floor_v,
        temperature_cut_off_c=pack.temperature_cut_off_c,
        trip_voltage_v=rounded(pack.series * pack.hard_low_v),
        ambient_low_c=work.ambient.low_c if work.ambient else None,
        ambient_high_c=work.ambient.high_c if work.ambient else None,
        at_most_s=1.5 * estimate_s + 60.0,
        every_s=step.every_s,
    )


def _taper_a(rated_ah: float, feed_a: float | None, least_a: float | None) -> float:
    """0.05C, or what the supply's reading tells from nothing where that is more; half of what is fed at most."""
    return min(max(_STORE_TAPER_C * rated_ah, least_a or 0.0), math.inf if feed_a is None else feed_a / 2)


def plan_store(step: StoreStep, number: int, work: Working) -> PlannedStore | None:
    """Storing with what the pack and the bay can do; None, with a reason, for a pack that is stored charged."""
    pack, bay = work.pack, work.bay
    if not pack.chargeable or pack.full_v is None:
        refuse(work, step, f"{pack.chemistry} is stored charged, which is not done here; leave it out")
        return None
    load_can(work, step, pack.series * pack.discharge_cut_off_v)
    # Not asked for by the profile, so it may bend to what the pack and the bay can do.
    top_v = pack.series * pack.top_v
    draw_a = min(pack.rated_capacity_ah, pack.max_discharge_a, bay.load_max_current_a, bay.load_max_power_w / top_v)
    feed_a = None
    seen = bay.group_channels > 0 or pack.series == 1
    if bay.has_supply and bay.charge == "supply" and bay.supply_max_current_a is not None and seen:
        feed_a = min(0.5 * pack.rated_capacity_ah, pack.max_charge_a, bay.supply_max_current_a)
    target = pack.storage_fraction if pack.storage_fraction is not None else 0.4
    hours = max(0.0, work.charged - target) * pack.rated_capacity_ah / draw_a
    if work.charged < target and feed_a is not None:
        hours = (target - work.charged) * pack.rated_capacity_ah / feed_a
    to = f"{pack.storage_v:.2f} V per group at rest" if pack.storage_v is not None else f"{100 * target:g} %"
    work.charged = target
    return PlannedStore(
        number=number,
        title=f"store at {to}",
        estimate_s=min(step.at_most_s, hours * 3600 + 1800.0),
        series=pack.series,
        rated_capacity_ah=pack.rated_capacity_ah,
        storage_v=pack.storage_v,
        storage_fraction=pack.storage_fraction,
        full_v=pack.full_v,
        cut_off_v=pack.discharge_cut_off_v,
        draw_a=rounded(draw_a),
        ceiling_a=rounded(max(draw_a, min(_CEILING * draw_a, bay.load_max_current_a))),
        trip_voltage_v=rounded(pack.series * pack.hard_low_v),
        timer_s=_timer_s(pack.rated_capacity_ah, draw_a, step.at_most_s),
        feed_a=feed_a,
        recover_below_v=pack.recover_below_v,
        taper_a=rounded(_taper_a(pack.rated_capacity_ah, feed_a, bay.supply_least_a)),
        start_low_c=pack.charge_low_c,
        start_high_c=pack.charge_high_c,
        temperature_cut_off_c=pack.temperature_cut_off_c,
        at_most_s=step.at_most_s,
    )
