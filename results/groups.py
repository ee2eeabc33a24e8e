"""Figures of a pack's groups: how far they lie apart, which was lowest, whether they add up to the pack."""

import math
from typing import Any

import numpy as np

from benchwarden.results.figure import Figures
from benchwarden.results.integrate import SAG_PERCENT, running
from benchwarden.results.meters import Meters
from benchwarden.results.run import RunInfo
from benchwarden.results.sample import Sample, lowest_group, spread_v
from benchwarden.results.series import Series
from benchwarden.results.uncertain import Uncertain

SPREAD_FLAG_V = 0.030
"""Spread of the groups at rest before a discharge that flags the run (common practice, no source)."""
SPREAD_NEAR_S = 15.0
"""How far from its moment a reading of the groups may lie for the spread there."""
SPREAD_NAMES = tuple(f"group_spread_{percent}_v" for percent in SAG_PERCENT)
GROUP_NAMES = ("group_spread_rest_v", *SPREAD_NAMES, "group_spread_end_v", "ending_group", "ending_group_v")
CHECK_NAMES = ("groups_against_pack_v",)
NAMES = (*GROUP_NAMES, *CHECK_NAMES)


def group_figures(info: RunInfo, before: Sample | None, loaded: Series, out: Figures) -> None:
    """Add the figures of the groups in one discharge to `out`; `before` is the last sample at rest before it."""
    _groups(before, loaded, out)
    _adds_up(info, loaded, out)


def _groups(before: Sample | None, loaded: Series, out: Figures) -> None:
    if not loaded.groups_v.shape[1]:
        out.lack("this bay measures no groups", *GROUP_NAMES)
        return
    step_v = group_step_v(loaded)
    rest = spread_v(before) if before is not None else None
    if rest is None or before is None:
        out.lack("not every group was measured at rest before the discharge", "group_spread_rest_v")
    else:
        where = (before.sequence, before.sequence)
        apart = spread(out.meters, before, step_v)
        out.put("group_spread_rest_v", apart, "V", where, formula="highest − lowest group at rest")
        low = lowest_group(before)
        if rest > SPREAD_FLAG_V and low is not None:
            out.flags.append(
                f"groups {rest * 1000:.0f} mV apart at rest before the discharge: group {low[0]} was not full"
            )
    rows = np.flatnonzero(loaded.whole_groups())
    if not len(rows):
        out.lack("not every group was measured under load", *GROUP_NAMES)
        return
    _spreads(loaded, rows, step_v, out)
    end = loaded[int(rows[-1])]
    where = (end.sequence, end.sequence)
    out.put("group_spread_end_v", spread(out.meters, end, step_v), "V", where, formula="highest − lowest, load on")
    low = lowest_group(end)
    if low is not None:
        note = "ended the discharge" if out.ended_by == "voltage" else "lowest when the discharge ended"
        note += _others_as_low(out.meters, end, low)
        out.put("ending_group", float(low[0]), "1", where, note, formula="number of the lowest group")
        aged = _aged_v(out.meters, loaded, int(rows[-1]), low[0])
        known = [(volts, number) for number, volts in enumerate(end.groups_v, 1) if volts is not None]
        chosen = _chosen(out.meters, end, "lowest", chosen_v(out.meters, known, low[1], low[0]))
        value = out.meters.group_v(low[1], low[0]) + aged - chosen
        out.put("ending_group_v", value, "V", where, note, formula="lowest group, load on")


def spread(meters: Meters, sample: Sample, step_v: float) -> Uncertain:
    """Return highest − lowest group of a sample in V; `step_v` is the step in which groups are read.

    Each of the two has the errors of its own channel, half a step of the last digit, and what comes from choosing them.
    """
    found = [(value, number) for number, value in enumerate(sample.groups_v, 1) if value is not None]
    (low, low_number), (high, high_number) = min(found), max(found)
    top = meters.group_v(high, high_number) + meters.inputs.limits("last digit of the highest group", step_v / 2)
    end = meters.group_v(low, low_number) + meters.inputs.limits("last digit of the lowest group", step_v / 2)
    top = top + _chosen(meters, sample, "highest", chosen_v(meters, found, high, high_number))
    return top - end - _chosen(meters, sample, "lowest", chosen_v(meters, found, low, low_number))


def _chosen(meters: Meters, sample: Sample, which: str, half_width_v: float) -> Uncertain:
    return meters.inputs.limits(f"which group is the {which} (sample {sample.sequence})", half_width_v)


def chosen_v(meters: Meters, found: list[tuple[float, int]], volts: float, number: int) -> float:
    """Return by how much an extreme group is expected to read too far out because errors chose it, in V.

    The highest of m alike groups reads a·(m − 1)/(m + 1) too high on average, where each error lies evenly within ± a
    (the mean of the largest of m evenly spread numbers). m counts the groups that could be the extreme one, zero where
    there is no other.
    """
    limit_v = meters.group_limit_v(volts, number)
    alike = sum(abs(value - volts) <= limit_v + meters.group_limit_v(value, other) for value, other in found)
    return limit_v * (alike - 1) / (alike + 1)


def group_step_v(loaded: Series) -> float:
    """Return the step in which groups are read, in V: the least difference between readings; zero below a microvolt."""
    known = np.unique(loaded.groups_v[~np.isnan(loaded.groups_v)])
    steps = np.diff(known)
    steps = steps[steps > 1e-6]
    return float(steps.min()) if len(steps) and len(steps) == len(known) - 1 else 0.0


def _spreads(loaded: Series, rows: Any, step_v: float, out: Figures) -> None:
    """Add the spread of the groups at each tenth of the delivered charge, where groups were read near it."""
    known = np.flatnonzero(~np.isnan(loaded.voltage_v + loaded.current_a))
    if len(known) < 2:
        out.lack("no voltage and current were measured under load", *SPREAD_NAMES)
        return
    charge, _ = running(loaded.measured())
    for percent, name in zip(SAG_PERCENT, SPREAD_NAMES, strict=True):
        wanted = known[int(np.searchsorted(charge, charge[-1] * percent / 100).clip(0, len(charge) - 1))]
        row = int(rows[int(np.argmin(abs(rows - wanted)))])
        if abs(loaded.test_time_s[row] - loaded.test_time_s[wanted]) > SPREAD_NEAR_S:
            out.lack(f"no reading of every group within {SPREAD_NEAR_S:.0f} s of {percent} % of the charge", name)
            continue
        sample = loaded[row]
        where = (sample.sequence, sample.sequence)
        formula = f"highest − lowest group at {percent} % of the delivered charge"
        out.put(name, spread(out.meters, sample, step_v), "V", where, formula=formula)


def _others_as_low(meters: Meters, sample: Sample, low: tuple[int, float]) -> str:
    """Return in words which other groups may have been the lowest, by what their meter allows; else nothing."""
    number, volts = low
    limit_v = meters.group_limit_v(volts, number)
    found = [
        str(other)
        for other, value in enumerate(sample.groups_v, 1)
        if value is not None and other != number and value - volts <= limit_v + meters.group_limit_v(value, other)
    ]
    return f"; group {' and '.join(found)} lay no higher than the meter can tell" if found and limit_v > 0.0 else ""


def _aged_v(meters: Meters, loaded: Series, row: int, number: int) -> Uncertain:
    """Return what a group may have moved by between its reading and the sample: slope × age."""
    age = float(loaded.groups_age_s[row])
    column = loaded.groups_v[:, number - 1]
    earlier = max(0, row - 5)
    span = float(loaded.test_time_s[row] - loaded.test_time_s[earlier])
    if math.isnan(age) or span <= 0.0 or math.isnan(column[earlier]):
        return 0.0
    slope = abs(float(column[row] - column[earlier])) / span
    return meters.inputs.limits(f"age of the reading of group {number}", slope * age)


def _adds_up(info: RunInfo, loaded: Series, out: Figures) -> None:
    """Add pack voltage minus the sum of the groups, where every group of the series was read, and judge it.

    The worst mean over stretches of the discharge would hide behind noise: the median over the whole of it is taken.
    """
    name = CHECK_NAMES[0]
    whole = loaded.whole_groups() & ~np.isnan(loaded.voltage_v) & ~np.isnan(loaded.current_a)
    if not whole.any() or loaded.groups_v.shape[1] != (info.series or loaded.groups_v.shape[1]):
        out.lack("pack voltage and every group were not measured together under load", name)
        return
    rows = np.flatnonzero(whole)
    apart = loaded.voltage_v[rows] - loaded.groups_v[rows].sum(axis=1)
    row = int(rows[int(np.argsort(apart, kind="stable")[len(apart) // 2])])
    sample = loaded[row]
    amperes, volts = -(sample.current_a or 0.0), sample.voltage_v or 0.0
    value = out.meters.pack_v("load", volts, amperes)
    value = value - out.meters.groups_sum_v([group or 0.0 for group in sample.groups_v])
    where = (int(loaded.sequence[rows[0]]), int(loaded.sequence[rows[-1]]))
    note = "leads and connector between the taps and the sense point count in"
    out.put(name, value, "V", where, note, formula="median over the discharge of pack voltage − sum of groups")
    figure = out[name]
    limit = info.path_ohm * amperes if info.path_ohm is not None else 0.0
    if figure.U is not None and not -limit - figure.U <= figure.value <= figure.U:
        out.notes.append(
            f"pack voltage and the sum of the groups are {figure.value * 1000:.0f} mV apart under load; "
            f"their meters allow ± {figure.U * 1000:.0f} mV and the leads {limit * 1000:.0f} mV less"
        )
