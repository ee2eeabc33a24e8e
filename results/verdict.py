"""Says in words what repeated runs of packs show: which is better, by how much, and what more runs would show.

Means of repeated runs with their repeatability (JCGM 100, 4.2), meters' errors that the runs share (F.1.2.3), degrees
of freedom by Welch–Satterthwaite (G.4.1). Lower bounds never enter. A verdict is about the packs that were tested;
about a design only from three specimens of each (common practice, no source).

What is near zero for what it may be off by has no percentage: it is judged by its difference.
"""

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from statistics import fmean, variance
from typing import Any, Literal, TypeAlias

from benchwarden.results.figure import Figure
from benchwarden.results.uncertain import Inputs, Part, Uncertain, expand, t_factor, value_of

SPECIMENS = 3
"""Specimens of each design before anything is said of it (common practice, no source)."""
MORE_RUNS = 3
MOST_RUNS = 100
_HELPS = 0.9
MOST_U_OF_VALUE = 0.5
"""A figure with a U above this share of its value is judged by difference, not by percentage (no source)."""
BY_DIFFERENCE = frozenset({"temperature_rise_k", "inspected_spread_v", "stored_spread_v"})
"""Differences themselves, so that their size says nothing of what a difference between two of them means."""
STEP = "step between the burst that was held and the one that was not"
TESTED_ONCE = (
    "one run of a pack says nothing of how far its next run would lie from it: that is not in ±; "
    "three runs of each pack would tell"
)

About: TypeAlias = Literal["these runs", "these packs", "these designs"]

PHRASES: Mapping[str, tuple[str, str, str]] = {
    "delivered_ah": ("delivers", "more charge", "less charge"),
    "delivered_wh": ("delivers", "more energy", "less energy"),
    "energy_per_mass_wh_kg": ("delivers", "more energy per gram", "less energy per gram"),
    "energy_per_volume_wh_l": ("delivers", "more energy per litre", "less energy per litre"),
    "mean_voltage_v": ("holds", "more voltage", "less voltage"),
    "dc_resistance_ohm": ("has", "more resistance", "less resistance"),
    "temperature_rise_k": ("warms up by", "more", "less"),
    "peak_c": ("holds a burst of", "more current for its capacity", "less current for its capacity"),
    "iec_resistance_ohm": ("has", "more resistance by two steps of current", "less resistance by two steps of current"),
    "flight_min": ("flies", "longer", "shorter"),
    "cycle_retention": ("keeps", "more of its first charge", "less of its first charge"),
    "best_cycle_over_rated": ("delivers at best", "more of its rated charge", "less of its rated charge"),
    "peak_interpolated_c": ("meets its floor at", "more current for its capacity", "less current for its capacity"),
    "peak_w_per_kg": ("holds", "more power per gram", "less power per gram"),
    "energy_efficiency": ("returns", "more of the energy put in", "less of the energy put in"),
    "charge_efficiency": ("returns", "more of the charge put in", "less of the charge put in"),
    "inspected_spread_v": ("has its groups", "further apart", "closer together"),
    "stored_spread_v": ("has its groups", "further apart once stored", "closer together once stored"),
}
"""Figure: verb, what is more of it, what is less of it."""
PULSE_PHRASES: Mapping[str, tuple[str, str, str]] = {
    r"pulse_drawn_([0-9.]+)_power_w": (r"gives, \1 % drawn,", "more pulse power", "less pulse power"),
    r"pulse_drawn_([0-9.]+)_([0-9.]+)c_([0-9.]+)s_ohm": (
        r"has, \1 % drawn,",
        r"more resistance after \3 s at \2C",
        r"less resistance after \3 s at \2C",
    ),
}
"""The same for figures whose names hold numbers, by what their names look like."""
_SHOWN = {"Ω": ("mΩ", 1000.0), "V": ("mV", 1000.0), "1": ("percentage points", 100.0)}
"""Unit and factor in which a difference is shown; units that are not here stay."""


@dataclass(frozen=True, slots=True)
class Observed:
    """One run's figure: of which pack (and of which design, if its file names one), and the run's name."""

    pack: str
    run: str
    figure: Figure
    design: str | None = None


@dataclass(frozen=True, slots=True)
class Mean:
    """The mean of one pack's runs, or of one design's specimens; `of` says of which.

    `scatter` is the standard deviation of a single one, None where there is only one.
    """

    name: str
    of: Literal["runs", "specimens"]
    count: int
    value: float
    scatter: float | None
    u: float
    dof: float | None
    k: float
    U: float
    budget: tuple[Part, ...]


@dataclass(frozen=True, slots=True)
class Verdict:
    """What can be said of two packs or designs in one figure.

    `seen`: "more", "less" (of the first against the second), "none" (no difference that this bench can see) or
    "unknown" (no verdict; `words` say why). `difference` is in the figure's `unit`, `percent` is (first ÷ second − 1) ·
    100, None where that says nothing; each with its U. `about` says of what: of "these runs" where one side was not
    repeated; U then holds no scatter from run to run of that side (`systematic`, and `caveat` says so). `runs_needed`
    maps a percentage to how many runs of each would show it, None where none would.
    """

    figure: str
    first: Mean | None
    second: Mean | None
    seen: Literal["more", "less", "none", "unknown"]
    words: str
    about: About = "these packs"
    difference: float | None = None
    difference_U: float | None = None
    percent: float | None = None
    percent_U: float | None = None
    k: float | None = None
    dof: float | None = None
    systematic: bool = False
    caveat: str = ""
    runs_needed: Mapping[str, int | None] | None = None
    left_out: tuple[str, ...] = ()
    budget: tuple[Part, ...] = ()
    unit: str = ""

    @property
    def size(self) -> str:
        """The percentage, or the difference where there is none, as "1.2 ± 0.4 %"; empty without a verdict."""
        if self.percent is not None:
            return f"{rounded(self.percent, self.percent_U)} %"
        if self.difference is None:
            return ""
        unit, factor = _SHOWN.get(self.unit, (self.unit, 1.0))
        return f"{rounded(self.difference * factor, (self.difference_U or 0.0) * factor)} {unit}"


@dataclass(frozen=True, slots=True)
class _Side:
    """One side of a comparison: its mean as an uncertain number without and with its repeatability."""

    name: str
    of: Literal["runs", "specimens"]
    values: tuple[float, ...]
    shared: Uncertain
    whole: Uncertain
    one_u: float
    """Standard deviation of one run, measured or stated, whichever is larger."""
    one_dof: float | None

    @property
    def count(self) -> int:
        return len(self.values)


def judge(name: str, first: Sequence[Observed], second: Sequence[Observed]) -> Verdict:
    """Return the verdict on one figure of two packs, or of two designs with SPECIMENS or more packs each.

    Runs whose figure is a lower bound are left out and named. Raises ValueError when a side has no run, or when the
    sides are not of one figure and unit.
    """
    if not first or not second:
        raise ValueError(f"{name}: one side has no run; one or more of each would be right")
    units = {one.figure.unit for one in (*first, *second)}
    if len(units) > 1:
        raise ValueError(f"{name}: units {sorted(units)}; one and the same would be right")
    bounds = tuple(f"{one.run}: a lower bound" for one in (*first, *second) if one.figure.at_least)
    sides = [[one for one in side if not one.figure.at_least] for side in (first, second)]
    names = [_name(side) for side in (first, second)]
    pair = f"no verdict on {names[0]} and {names[1]}"
    if bounded := [who for side, who in zip(sides, names, strict=True) if not side]:
        words = f"{pair}: of {' and '.join(bounded)} there are lower bounds only"
        return Verdict(name, None, None, "unknown", words, left_out=bounds, unit=units.pop())
    missing = sorted({line for side in sides for one in side for line in one.figure.not_stated})
    if missing:
        words = f"{pair}: no accuracy is stated; missing: {'; '.join(missing)}"
        return Verdict(name, None, None, "unknown", words, left_out=bounds, unit=units.pop())
    designs = all(_designs(side) for side in sides)
    inputs = Inputs()
    one, other = (
        _design_side(inputs, side) if designs else _pack_side(inputs, side, who)
        for side, who in zip(sides, names, strict=True)
    )
    return _compared(
        name, first[0].figure.unit, inputs, one, other, "these designs" if designs else "these packs", bounds
    )


def verdict_data(verdict: Verdict) -> dict[str, Any]:
    """Return a verdict as JSON data."""
    needed = verdict.runs_needed
    return asdict(replace(verdict, runs_needed=None)) | {"runs_needed": None if needed is None else dict(needed)}


def mean_of(side: Sequence[Observed]) -> Mean | None:
    """Return the mean of one side's runs with its uncertainty, None where an accuracy is not stated or none is exact.

    Lower bounds are left out.
    """
    exact = [one for one in side if not one.figure.at_least]
    if not exact or any(one.figure.not_stated for one in exact):
        return None
    inputs = Inputs()
    return _mean(inputs, _design_side(inputs, exact) if _designs(exact) else _pack_side(inputs, exact, _name(exact)))


def _name(side: Sequence[Observed]) -> str:
    if _designs(side) and side[0].design is not None:
        return side[0].design
    packs = list(dict.fromkeys(one.pack for one in side))
    return packs[0] if len(packs) == 1 else " and ".join(packs)


def _designs(side: Sequence[Observed]) -> bool:
    designs = {one.design for one in side}
    return len(designs) == 1 and None not in designs and len({one.pack for one in side}) >= SPECIMENS


def _pack_side(inputs: Inputs, side: Sequence[Observed], name: str) -> _Side:
    """Return the mean of one pack's runs. What is a run's own is in the scatter, unless the stated is larger."""
    values = [one.figure.value for one in side]
    lasting = [
        inputs.again(one.figure.value, [p for p in _parts(one.figure) if p.scope != "run"], one.pack, one.run)
        for one in side
    ]
    own = [p.contribution for one in side for p in one.figure.budget if p.scope == "run"]
    stated = math.sqrt(math.fsum(c * c for c in own) / len(side))
    if len(side) > 1:
        return _side(inputs, name, "runs", values, lasting, stated)
    [one] = side
    whole = inputs.again(one.figure.value, _parts(one.figure), one.pack, one.run)
    return _Side(name, "runs", tuple(values), lasting[0], whole, stated, None)


def _parts(figure: Figure) -> tuple[Part, ...]:
    """Return a figure's budget, and where the pack's limit lies above what was held, the step to what was not.

    One-sided from 0 to a, with the mean square a²/3 of ± a rectangular, as the cut-off (GUM F.2.4.5). Runs of one pack
    end at the same burst: no number of them makes the step smaller.
    """
    if not figure.limit_above:
        return figure.budget
    return (*figure.budget, Part(STEP, figure.limit_above / math.sqrt(3.0), None, "pack"))


def _design_side(inputs: Inputs, side: Sequence[Observed]) -> _Side:
    """Return the mean of a design's specimens, each the mean of its own runs; how far they scatter is measured."""
    packs = {one.pack: [other for other in side if other.pack == one.pack] for one in side}
    means = [_pack_side(inputs, runs, pack) for pack, runs in packs.items()]
    values = [fmean(mean.values) for mean in means]
    return _side(inputs, side[0].design or "", "specimens", values, [mean.shared for mean in means], 0.0)


def _side(
    inputs: Inputs,
    name: str,
    of: Literal["runs", "specimens"],
    values: Sequence[float],
    lasting: Sequence[Uncertain],
    stated: float,
) -> _Side:
    count = len(values)
    measured = math.sqrt(variance(values)) if count > 1 else 0.0
    one_u, dof = (measured, float(count - 1)) if count > 1 and measured >= stated else (stated, None)
    shared = sum(lasting[1:], lasting[0]) / count
    u = one_u / math.sqrt(count)
    scatter = (
        inputs.scatter(f"repeatability of {name}, {count} {of}", u, dof)
        if dof is not None
        else inputs.limits(f"what each run of {name} has of its own, {count} {of}", math.sqrt(3.0) * u)
    )
    return _Side(name, of, tuple(values), shared, shared + scatter, one_u, dof)


def _mean(inputs: Inputs, side: _Side) -> Mean:
    parts, _ = inputs.budget(side.whole)
    found = expand(parts)
    scatter = math.sqrt(variance(side.values)) if side.count > 1 else None
    return Mean(
        side.name, side.of, side.count, fmean(side.values), scatter, found.u, found.dof, found.k, found.U, parts
    )


def _compared(
    name: str,
    figure_unit: str,
    inputs: Inputs,
    one: _Side,
    other: _Side,
    about: About,
    bounds: tuple[str, ...],
) -> Verdict:
    means = _mean(inputs, one), _mean(inputs, other)
    apart_parts, _ = inputs.budget(one.whole - other.whole)
    apart = expand(apart_parts)
    difference = value_of(one.whole) - value_of(other.whole)
    base = value_of(other.whole)
    percent = percent_found = None
    parts = apart_parts
    near_zero = any(MOST_U_OF_VALUE * abs(mean.value) < mean.U for mean in means)
    if base > 0.0 and value_of(one.whole) > 0.0 and name not in BY_DIFFERENCE and not near_zero:
        ratio = 100.0 * (one.whole / other.whole - 1.0)
        parts, _ = inputs.budget(ratio)
        percent, percent_found = value_of(ratio), expand(parts)
    shown = (percent, percent_found) if percent is not None and percent_found is not None else (difference, apart)
    repeated = one.count > 1 and other.count > 1
    seen: Literal["more", "less", "none", "unknown"]
    seen = "none" if abs(shown[0]) <= shown[1].U else "more" if shown[0] > 0.0 else "less"
    lasting, _ = inputs.budget(
        100.0 * (one.shared / other.shared - 1.0) if percent is not None else one.shared - other.shared
    )
    unit, factor = ("%", 1.0) if percent is not None else _SHOWN.get(figure_unit, (figure_unit, 1.0))
    outlook = _outlook(one, other, lasting, None if percent is not None else factor)
    return Verdict(
        figure=name,
        first=means[0],
        second=means[1],
        seen=seen,
        words=_words(name, one, other, seen, (shown[0] * factor, shown[1].U * factor, unit), outlook, parts),
        about=about if repeated else "these runs",
        difference=difference,
        difference_U=apart.U,
        percent=percent,
        percent_U=None if percent_found is None else percent_found.U,
        k=shown[1].k,
        dof=shown[1].dof,
        systematic=not repeated,
        caveat="" if repeated else TESTED_ONCE,
        runs_needed={f"{target:g} %": runs_needed(outlook, target) for target in (1.0, 2.0, 5.0)}
        if repeated and percent is not None
        else None,
        left_out=bounds,
        budget=parts,
        unit=figure_unit,
    )


@dataclass(frozen=True, slots=True)
class Outlook:
    """What more runs would bring: relative standard deviations of one run of each side, and what no run removes.

    All in the unit of the difference that is shown; `counts` are the runs there are.
    """

    one_u: tuple[float, float]
    lasting_u: float
    counts: tuple[int, int]

    def expected_U(self, counts: tuple[int, int]) -> float:
        """Return the U to be expected from so many runs of each, 2 or more, scattering as those seen so far."""
        squares = [u * u / n for u, n in zip(self.one_u, counts, strict=True)]
        total = sum(squares) + self.lasting_u**2
        below = sum(square * square / (n - 1) for square, n in zip(squares, counts, strict=True))
        return t_factor(total * total / below if below > 0.0 else None) * math.sqrt(total)


def _outlook(one: _Side, other: _Side, lasting: Sequence[Part], factor: float | None) -> Outlook:
    """Return the outlook in percent, or where there is a `factor`, of the difference times that."""
    base, top = value_of(other.whole), value_of(one.whole)
    scale = (100.0 / base, 100.0 * top / (base * base)) if factor is None else (factor, factor)
    left_u = expand(lasting).u * (1.0 if factor is None else factor)
    return Outlook((one.one_u * scale[0], other.one_u * scale[1]), left_u, (one.count, other.count))


def runs_needed(outlook: Outlook, difference: float) -> int | None:
    """Return how many runs of each side would show a difference, in the outlook's unit; None beyond MOST_RUNS.

    A difference is shown when U is not larger; the runs are taken to scatter as those seen so far.
    """
    low, high = 2, MOST_RUNS + 1
    while low < high:  # U falls with each run, so that halving finds the first that is enough
        middle = (low + high) // 2
        if outlook.expected_U((middle, middle)) <= difference:
            high = middle
        else:
            low = middle + 1
    return low if low <= MOST_RUNS else None


def _words(
    name: str,
    one: _Side,
    other: _Side,
    seen: str,
    found: tuple[float, float, str],
    outlook: Outlook,
    parts: Sequence[Part],
) -> str:
    """Return a verdict in words; `found` is the difference with its U and their unit, as they are shown."""
    value, spread, unit = found
    verb, more, less = phrase(name)
    size = f"{rounded(abs(value), spread)} {unit}"
    better = f"{one.name} {verb} {size} {more if value > 0.0 else less} than {other.name}"
    if one.count < 2 or other.count < 2:
        counts = "one run each" if one.count == other.count else f"{one.count} and {other.count} runs"
        if seen != "none":
            return f"in {counts}, {better}"
        found_is = f"no difference that this bench can see ({rounded(value, spread)} {unit})"
        return f"in {counts} of {one.name} and {other.name}, {found_is}"
    if seen == "none":
        stepped = any(part.input.startswith(STEP) for part in parts[:2])
        more_runs = _more_runs(outlook, spread, unit, "the step of the ladder decides" if stepped else "")
        return f"no difference that this bench can see ({rounded(value, spread)} {unit}); {more_runs}"
    return better


def phrase(name: str) -> tuple[str, str, str]:
    """Return verb, what is more and what is less of a figure."""
    for pattern, words in PULSE_PHRASES.items():
        if match := re.fullmatch(pattern, name):
            verb, more, less = (match.expand(text) for text in words)
            return verb, more, less
    return PHRASES.get(name, ("has", f"more {name}", f"less {name}"))


def _more_runs(outlook: Outlook, now_U: float, unit: str, decides: str = "") -> str:
    counts = (outlook.counts[0] + MORE_RUNS, outlook.counts[1] + MORE_RUNS)
    then = outlook.expected_U(counts)
    if not then < _HELPS * now_U or not then > 0.0:
        return f"more runs would not show a smaller one: {decides or 'the instruments decide'}"
    return f"three more runs each would show {_up(then)} {unit}"


def _up(value: float) -> str:
    """Return a number above zero rounded up to two digits."""
    power = 1 - math.floor(math.log10(value))
    text = f"{math.ceil(value * 10.0**power - 1e-9) / 10.0**power:.{max(0, power)}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def rounded(value: float, spread: float | None) -> str:
    """Return "8.1 ± 1.2": U to two digits and the value to the same place (JCGM 100, 7.2.6); without U six digits."""
    if spread is None or not spread > 0.0:
        return f"{value:.6g}"
    power = 1 - math.floor(math.log10(spread))
    spread = round(spread, power)
    places = max(0, 1 - math.floor(math.log10(spread)))
    # What is rounded to nothing has no sign.
    return f"{round(value, places) + 0.0:.{places}f} ± {spread:.{places}f}"
