"""Where a pack's resistance sits: in which group with its joints, and in leads and connector.

From the taps and every edge of the load (the start of a discharge, each burst of a ladder): the fall of each group's
voltage by the rise of the current, 0.1, 1 and 10 s after the edge where the group was read then. What the pack's
voltage falls beyond the sum of its groups is leads and connector. Taps cannot tell a bad joint from an ohmic cell.
"""

import math
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from benchwarden.profiles.materials import BRAID_FILL, BRAID_FILL_SPREAD, MATERIALS, conductor_ohm, is_braid, material
from benchwarden.results.discharge import LEAST_CHANGE_A, resting_scatter_v
from benchwarden.results.figure import Figures
from benchwarden.results.run import Run
from benchwarden.results.series import Numbers, Series
from benchwarden.results.uncertain import Uncertain, expand, value_of

WINDOWS = ((0.1, 0.05, "100_ms"), (1.0, 0.2, "1_s"), (10.0, 0.6, "10_s"))
"""Seconds after the edge, how far the reading may lie from it, and the words in a figure's name."""
LONGEST_GAP_S = 2.0
"""An edge counts if the last sample at rest is not older: the pack has then not recovered or drifted by much."""
_STATE = re.compile(r"state (\d+): pulse")
STANDS_OUT = 0.10
"""A group stands out with so much more than the median of the others, and more than U (common practice, no source)."""
LEFT_BEHIND_V = 0.05
"""A group that ends so far below, beyond what its resistance explains, holds less (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Edge:
    """One load-on edge: the index of the last sample before it, of the first and behind the last sample under load."""

    before: int
    first: int
    end: int


def load_edges(samples: Series) -> list[Edge]:
    """Return the edges from off to load whose sample before is measured and not older than LONGEST_GAP_S."""
    on = samples.is_on("load").astype(np.int8)
    begins = np.flatnonzero(np.diff(on) == 1) + 1
    ends = np.flatnonzero(np.diff(on) == -1) + 1
    off = samples.is_on("off")
    found: list[Edge] = []
    for first in begins.tolist():
        later = ends[ends > first]
        before = first - 1
        gap = float(samples.test_time_s[first] - samples.test_time_s[before])
        known = not math.isnan(samples.voltage_v[before] + samples.current_a[before])
        if off[before] and known and gap <= LONGEST_GAP_S:
            found.append(Edge(before, first, int(later[0]) if len(later) else len(samples)))
    return found


def of_one_state(samples: Series, edges: Sequence[Edge]) -> tuple[list[Edge], str]:
    """Return the edges that may be averaged, and in words which: of a pulse series those of its middle state of charge.

    A pack has another resistance at another charge; the series' own figures tell of each state. All edges otherwise.
    """
    matches = [_STATE.match(samples.words[int(samples.phase[edge.first])]) for edge in edges]
    states = sorted({int(match[1]) for match in matches if match is not None})
    if not states:
        return list(edges), ""
    middle = states[(len(states) - 1) // 2]
    kept = [edge for edge, match in zip(edges, matches, strict=True) if match is not None and int(match[1]) == middle]
    return kept, f"state {middle} of {len(states)} of the pulse series"


def names(groups: int) -> list[str]:
    """Return the names of the figures that `resistance_figures` gives for so many groups."""
    who = ["pack", "leads", *(f"group_{number}" for number in range(1, groups + 1))]
    return [f"{one}_ohm_{window}" for _, _, window in WINDOWS for one in who]


def resistance_figures(run: Run, out: Figures) -> None:
    """Add resistances of pack, groups and leads at each window, heat, what the build lets expect, and what stands out.

    Call it after discharge and ladder. What sampling does not allow is "not measured", its reason in `out.missing`.
    """
    samples = Series.of(run.samples)
    groups = samples.groups_v.shape[1]
    edges, out.edges_of = of_one_state(samples, load_edges(samples))
    if not edges:
        out.lack("no edge from off to load with a measured sample before it", *names(groups))
    else:
        for wanted_s, tolerance_s, window in WINDOWS:
            _at_window(samples, edges, wanted_s, tolerance_s, window, out)
    _pulse(run, out)
    _expected(run, out)
    _heat(run, groups, out)
    for words in standing_out(groups, out):
        out.notes.append(words)


def _at_window(
    samples: Series, edges: Sequence[Edge], wanted_s: float, tolerance_s: float, window: str, out: Figures
) -> None:
    groups = samples.groups_v.shape[1]
    times = samples.test_time_s
    whole: list[tuple[int, int]] = []
    scanned: list[tuple[int, int]] = []
    for edge in edges:
        rows = np.arange(edge.first, edge.end)
        rows = rows[~np.isnan(samples.voltage_v[rows] + samples.current_a[rows])]
        lag = times[rows] - times[edge.first]
        whole += [(edge.before, row) for row in _nearest(rows, lag, wanted_s, tolerance_s)]
        age = samples.groups_age_s[rows]
        both = samples.whole_groups()[rows] & bool(samples.whole_groups()[edge.before]) & ~np.isnan(age)
        scanned += [(edge.before, row) for row in _nearest(rows[both], (lag - age)[both], wanted_s, tolerance_s)]
    rule = f"−ΔV/ΔI {wanted_s:g} s after the load went on, mean over the edges by the square of their current"
    rule += f"; {out.edges_of}" if out.edges_of else ""
    reason = f"not measured: no reading {wanted_s:g} ± {tolerance_s:g} s after an edge of the load"
    _put(samples, whole, f"pack_ohm_{window}", "pack", samples.voltage_v, rule, reason, out)
    if not groups:
        out.lack("this bay measures no groups", f"leads_ohm_{window}")
        return
    reason = f"not measured: the groups were not read {wanted_s:g} ± {tolerance_s:g} s after an edge of the load"
    for number in range(1, groups + 1):
        name = f"group_{number}_ohm_{window}"
        _put(samples, scanned, name, number, samples.groups_v[:, number - 1], rule, reason, out)
    apart = samples.voltage_v - samples.groups_v.sum(axis=1)
    formula = f"(ΔV of the pack − sum of ΔV of the groups) ÷ ΔI {wanted_s:g} s after the load went on"
    formula += f"; {out.edges_of}" if out.edges_of else ""
    _put(samples, scanned, f"leads_ohm_{window}", "leads", apart, formula, reason, out)


def _nearest(rows: Any, lag: Numbers, wanted_s: float, tolerance_s: float) -> list[int]:
    if not len(rows):
        return []
    index = int(np.argmin(abs(lag - wanted_s)))
    return [int(rows[index])] if abs(lag[index] - wanted_s) <= tolerance_s + 1e-9 else []


def _put(
    samples: Series,
    pairs: Sequence[tuple[int, int]],
    name: str,
    who: str | int,
    values: Numbers,
    formula: str,
    reason: str,
    out: Figures,
) -> None:
    """Keep one resistance from the changes between pairs of samples, weighed by the square of the change of current."""
    meters = out.meters
    pairs = [
        (before, after)
        for before, after in pairs
        if samples.current_a[before] - samples.current_a[after] >= LEAST_CHANGE_A
        and not math.isnan(values[before] + values[after])
    ]
    if not pairs:
        out.lack(reason, name)
        return
    first, last = np.array(pairs).T
    change_a = samples.current_a[first] - samples.current_a[last]
    drop_v = values[first] - values[last]
    ohms = drop_v / change_a
    weights = change_a**2 / math.fsum((change_a**2).tolist())
    ohm = math.fsum((weights * ohms).tolist())
    # Offsets cancel: before and after are read by one meter. Gains do not. Leads are a difference of two meters.
    value: Uncertain = _scaled(samples, who, first, last, weights, change_a, ohm, out)
    value = value * (1.0 - meters.gain("load", "current"))
    scatter = resting_scatter_v(samples, int(samples.sequence[first[0]]), values)
    if scatter is not None:
        size = math.sqrt(2.0 * math.fsum((weights**2 / change_a**2).tolist())) * scatter[0]
        value = value + meters.inputs.scatter(f"scatter of a reading, {name}", size, scatter[1])
    if len(pairs) > 2:
        spread = math.fsum((weights * (ohms - ohm) ** 2).tolist()) / (len(pairs) - 1)
        value = value + meters.inputs.scatter(f"differences between edges, {name}", math.sqrt(spread), len(pairs) - 1.0)
    where = (int(samples.sequence[first[0]]), int(samples.sequence[last[-1]]))
    lags = samples.test_time_s[last] - samples.test_time_s[first]
    span = f"{float(lags.min()):.2f} to {float(lags.max()):.2f} s"
    note = f"{len(pairs)} edges of up to {float(change_a.max()):.1f} A, {span} between the samples"
    out.put(name, value, "Ω", where, note, formula=formula)


def _scaled(
    samples: Series,
    who: str | int,
    first: Any,
    last: Any,
    weights: Numbers,
    change_a: Numbers,
    ohm: float,
    out: Figures,
) -> Uncertain:
    meters = out.meters
    if who == "pack":
        return ohm * (1.0 + meters.gain("load", "voltage")) + meters.leads_ohm()
    if isinstance(who, int):
        # With cumulative taps offsets cancel here too: before and after are differences of the same two taps.
        return ohm * (1.0 + meters.group_gain(who))
    pack_ohm = math.fsum((weights * (samples.voltage_v[first] - samples.voltage_v[last]) / change_a).tolist())
    return (
        pack_ohm * (1.0 + meters.gain("load", "voltage"))
        + meters.leads_ohm()
        - (pack_ohm - ohm) * (1.0 + meters.gain("cells", "voltage"))
    )


PULSE_NAMES = ("pulse_pack_ohm", "pulse_leads_ohm")


def _pulse(run: Run, out: Figures) -> None:
    """Add what the test pulse before the plan showed; nothing flowed before, so the current's offset stays in it."""
    event = next(run.events_named("test_pulse"), None)
    found = _numbers(event.get(key) for key in ("measured_a", "before_v", "in_v")) if event else None
    if event is None or found is None or abs(found[0]) < LEAST_CHANGE_A:
        out.lack("no test pulse was recorded", *PULSE_NAMES)
        return
    meters = out.meters
    amperes = meters.reading("load", "current", abs(found[0]))
    where = (0, 0) if not len(run.samples) else (run.samples[0].sequence, run.samples[0].sequence)
    note = f"{abs(found[0]):.2f} A before the plan; about 1 s under load"
    drop = (found[1] - found[2]) * (1.0 + meters.gain("load", "voltage")) + abs(found[0]) * meters.leads_ohm()
    out.put("pulse_pack_ohm", drop / amperes, "Ω", where, note, formula="(V before − V in the pulse) ÷ I")
    before, during = (_numbers(event.get(key) or ()) for key in ("groups_before_v", "groups_in_v"))
    if not before or not during or len(before) != len(during):
        out.lack("not every group was measured in the test pulse", "pulse_leads_ohm")
        return
    for number, (first, second) in enumerate(zip(before, during, strict=True), 1):
        fall = (first - second) * (1.0 + meters.group_gain(number))
        name = f"pulse_group_{number}_ohm"
        out.put(name, fall / amperes, "Ω", where, note, formula="(V before − V in the pulse) ÷ I")
        drop = drop - (first - second) * (1.0 + meters.gain("cells", "voltage"))  # alike: the worst for a sum
    formula = "(fall of the pack − sum of the groups' falls) ÷ I"
    out.put("pulse_leads_ohm", drop / amperes, "Ω", where, note, formula=formula)


def _numbers(values: Iterable[Any]) -> list[float] | None:
    """Return values as numbers, None if one of them is none."""
    found = list(values)
    if any(not isinstance(value, int | float) or isinstance(value, bool) for value in found):
        return None
    return [float(value) for value in found]


EXPECTED_NAMES = ("expected_link_ohm", "expected_links_ohm", "expected_leads_ohm", "expected_joints_share")


def _expected(run: Run, out: Figures) -> None:
    """Add what links and leads should have by the pack file's [build] and handbook resistivities."""
    build = run.info.pack.get("build")
    build = build if isinstance(build, Mapping) else {}
    links, leads = build.get("links"), build.get("leads")
    start = out.get("start_temperature_c")
    warmth = start.value if start is not None else 20.0
    where = (0, 0) if not len(run.samples) else (run.samples[0].sequence, run.samples[-1].sequence)
    total: Uncertain = 0.0
    if isinstance(links, Mapping) and run.info.series is not None:
        words = str(links.get("material", ""))
        one = material(words)
        if one is None:
            known = ", ".join(each.name for each in MATERIALS)
            out.lack(f"pack file, build.links: material {words!r} is not known; known are {known}", *EXPECTED_NAMES[:2])
        else:
            braid = is_braid(words)
            given = links.get("fill")
            fill = float(given) if isinstance(given, int | float) else BRAID_FILL if braid else 1.0
            area = float(links["width"]) * float(links["thickness"]) * fill
            ohm: Uncertain = conductor_ohm(one, float(links["length"]), area, warmth)
            ohm = ohm * (1.0 + out.meters.inputs.limits(f"resistivity of {one.name}", one.spread))
            if braid and not isinstance(given, int | float):
                ohm = ohm * (1.0 + out.meters.inputs.limits("fill of the braid", BRAID_FILL_SPREAD / BRAID_FILL))
            note = f"{one.name}, {one.source}; fill {fill:g}; at {warmth:.0f} °C; contact resistance not in it"
            out.put("expected_link_ohm", ohm, "Ω", where, note, formula="ρ·L ÷ (width · thickness · fill)")
            total = ohm * float(run.info.series - 1)
            out.put("expected_links_ohm", total, "Ω", where, note, formula="(series − 1) links")
    else:
        out.lack("the pack file's [build] names no links", *EXPECTED_NAMES[:2])
    if isinstance(leads, Mapping):
        copper = material("copper")
        assert copper is not None
        both: Uncertain = 2.0 * conductor_ohm(copper, float(leads["length"]), float(leads["gauge"]), warmth)
        # Strands are longer than their wire by 2 to 5 % (from memory): on average 3.5 %, not corrected.
        both = both * (1.0 + out.meters.inputs.limits("strands of the leads", 0.05))
        both = both * (1.0 + out.meters.inputs.limits("resistivity of copper", copper.spread))
        note = f"copper, {copper.source}; at {warmth:.0f} °C; connector not in it"
        out.put("expected_leads_ohm", both, "Ω", where, note, formula="2 · ρ·L ÷ cross-section")
        total = total + both
    else:
        out.lack("the pack file's [build] names no leads", "expected_leads_ohm")
    pack = next((f"pack_ohm_{w}" for w in ("1_s", "100_ms", "10_s") if f"pack_ohm_{w}" in out), None)
    if value_of(total) <= 0.0 or pack is None or out[pack].value <= 0.0:
        out.lack("no build in the pack file, or no resistance of the pack", "expected_joints_share")
        return
    share = total / out.uncertain[pack]
    out.put("expected_joints_share", share, "1", where, f"of {pack}", formula="expected links and leads ÷ pack")
    leads_ohm, measured = out.get("expected_leads_ohm"), out.get(pack.replace("pack", "leads"))
    if leads_ohm is not None and measured is not None and leads_ohm.value < (measured.U or 0.0):
        out.notes.append(
            f"the leads' expected {leads_ohm.value * 1000:.2f} mΩ lie below what this bench resolves "
            f"(± {(measured.U or 0.0) * 1000:.2f} mΩ)"
        )


def burst_current_a(run: Run, out: Figures) -> tuple[float, str] | None:
    """Return the current for which heat is told, in A, and where it is from: the ladder, else the pack file."""
    if "peak_a" in out:
        return out["peak_a"].value, "the last burst that was held"
    burst = run.info.pack.get("max_burst")
    if isinstance(burst, Mapping) and isinstance(burst.get("current_a"), int | float):
        return float(burst["current_a"]), "max_burst of the pack file"
    found = run.info.pack.get("max_discharge")
    return (float(found), "max_discharge of the pack file") if isinstance(found, int | float) else None


def _heat(run: Run, groups: int, out: Figures) -> None:
    """Add I²R of the pack, the leads and each group at the burst current, by their resistance after 1 s, else 0.1 s."""
    who = ["pack", "leads", *(f"group_{number}" for number in range(1, groups + 1))]
    wanted = [f"{one}_burst_heat_w" for one in who]
    current = burst_current_a(run, out)
    if current is None:
        out.lack("no burst was held and the pack file names no largest current", *wanted)
        return
    amperes, origin = current
    for one, name in zip(who, wanted, strict=True):
        source = next((f"{one}_ohm_{w}" for w in ("1_s", "100_ms") if f"{one}_ohm_{w}" in out), None)
        if source is None:
            out.lack("its resistance after 0.1 or 1 s was not measured", name)
            continue
        found = out[source]
        note = f"{amperes:.1f} A ({origin}), {source}"
        out.put(name, out.uncertain[source] * amperes**2, "W", found.from_samples, note, formula="I² · R")


def standing_out(groups: int, out: Figures) -> list[str]:
    """Return in words which group has more resistance than the others, and what the taps can and cannot tell apart."""
    found: list[str] = []
    for number in range(1, groups + 1) if groups > 2 else ():
        excess = {w: e for _, _, w in WINDOWS if (e := _excess(groups, number, w, out)) is not None}
        short = next((excess[w] for w in ("100_ms", "1_s") if w in excess and excess[w][2]), None)
        late = excess.get("10_s")
        if short is None and not (late and late[2]):
            continue
        window, (ohm, U, _) = next((w.replace("_", " "), e) for w, e in excess.items() if e[2])
        spread = f" ± {U * 1000:.2f}" if U is not None else ""
        words = f"group {number} has {ohm * 1000:.2f}{spread} mΩ more than the median of the others after {window}: "
        soon = excess.get("1_s")
        grows = late is not None and soon is not None and _grows(soon, late)
        if _holds_less(number, ohm, out):
            words += "with less charge than the others, as when a parallel cell is lost"
        elif grows:
            words += "it grows from 1 to 10 s, so that a cell is behind it at least in part"
        elif short is None:
            words += "only after 10 s, so that a cell is behind it"
        else:
            words += "a joint or a cell, the taps cannot tell which"
            words += "" if late is not None else "; 10 s after an edge were not measured"
        found.append(words)
    return found


def _grows(soon: tuple[float, float | None, bool], late: tuple[float, float | None, bool]) -> bool:
    return late[0] - soon[0] > max(STANDS_OUT * abs(soon[0]), math.hypot(soon[1] or 0.0, late[1] or 0.0))


def _excess(groups: int, number: int, window: str, out: Figures) -> tuple[float, float | None, bool] | None:
    """Return a group's resistance above the median of the others in Ω, its U, and whether it stands out."""
    values = {n: out.uncertain.get(f"group_{n}_ohm_{window}") for n in range(1, groups + 1)}
    own = values.pop(number)
    others = [value for value in values.values() if value is not None]
    if own is None or len(others) != groups - 1:
        return None
    others.sort(key=value_of)
    half = len(others) // 2
    middle = others[half] if len(others) % 2 else 0.5 * (others[half - 1] + others[half])
    parts, missing = out.meters.inputs.budget(own - middle)
    U = None if missing else expand(parts).U
    size = value_of(own) - value_of(middle)
    return size, U, size > STANDS_OUT * value_of(middle) and size > (U or 0.0)


def _holds_less(number: int, excess_ohm: float, out: Figures) -> bool:
    ended, spread, mean_w, last_v = (
        out.get(name) for name in ("ending_group", "group_spread_end_v", "discharge_power_w", "mean_voltage_v")
    )
    if ended is None or spread is None or mean_w is None or last_v is None or out.ended_by != "voltage":
        return False
    explained = excess_ohm * mean_w.value / last_v.value
    at_rest = out.get("group_spread_rest_v")
    left = spread.value - explained - (at_rest.value if at_rest is not None else 0.0)
    return ended.value == number and left > LEFT_BEHIND_V
