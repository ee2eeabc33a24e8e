"""Several runs beside each other, if they may be compared at all, as a table for the terminal.

Runs may be compared when their fingerprints agree: everything in the plan that decides the result, relative
to the pack, was the same.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

from rich.table import Table

from benchwarden.profiles.fingerprint import differences
from benchwarden.results.figure import Figures
from benchwarden.results.figures import figures
from benchwarden.results.ladder import planned_step
from benchwarden.results.pulse_names import half_ohm, half_power, longest, pulse_ohms, pulse_powers
from benchwarden.results.run import Run, RunInfo
from benchwarden.results.verdict import PHRASES, SPECIMENS, Observed, Verdict, judge, rounded

_OWN = ("flight_min", "best_cycle_over_rated", "cycle_retention", "iec_resistance_ohm")
_COMMON = (
    *("energy_per_mass_wh_kg", "delivered_wh", "peak_c", "peak_w_per_kg"),
    *("inspected_spread_v", "stored_spread_v"),
)
START_TOLERANCE_K = 2.0
"""Start temperatures further apart than this are flagged (common practice, no source)."""


DRAWN_TOLERANCE = 0.1
"""An imported run's mean power of the discharge further off than this share is flagged (common practice, no source)."""


class ComparisonRefused(Exception):
    """The runs may not be compared; `reasons` says in words in what they differ."""

    def __init__(self, reasons: Sequence[str]) -> None:
        """Take the reasons, one sentence each."""
        super().__init__("these runs may not be compared: " + "; ".join(reasons))
        self.reasons = tuple(reasons)


@dataclass(frozen=True, slots=True)
class Compared:
    """One run in a comparison, under a label that no other run in it has."""

    label: str
    run: Run
    figures: Figures

    @property
    def pack(self) -> str:
        """The pack's name; said to be imported where the run is, so that it never stands for our own runs of it."""
        name = self.run.info.pack_name
        return f"{name} (imported)" if self.run.info.imported else name


@dataclass(frozen=True, slots=True)
class Comparison:
    """Runs that may be compared, with what a reader must know before concluding anything from them."""

    fingerprint: str
    title: str
    entries: tuple[Compared, ...]
    flags: tuple[str, ...]


def compare(runs: Sequence[Run]) -> Comparison:
    """Return the runs beside each other with their figures.

    Raises ComparisonRefused for fewer than two runs, a run given twice, a run without a fingerprint, or
    fingerprints that differ; the message names every difference.
    """
    reasons = _refusals(runs)
    if reasons:
        raise ComparisonRefused(reasons)
    entries = tuple(Compared(label, run, figures(run)) for label, run in zip(_labels(runs), runs, strict=True))
    return Comparison(
        fingerprint=runs[0].info.fingerprint or "",
        title=runs[0].info.title,
        entries=entries,
        flags=tuple(_flags(entries)),
    )


def _refusals(runs: Sequence[Run]) -> list[str]:
    if len(runs) < 2:
        return [f"found {len(runs)} run; two or more would be right"]
    reasons: list[str] = []
    paths = [run.path.resolve() for run in runs]
    for index, run in enumerate(runs):
        if paths[index] in paths[:index]:
            reasons.append(f"{run.name} is given twice")
        if run.info.fingerprint is None and run.info.imported:
            reasons.append(
                f"{run.name}: imported, so nobody knows its procedure; `import --like RUN` says that it was the same"
            )
        elif run.info.fingerprint is None:
            reasons.append(f"{run.name}: run.json names no fingerprint")
    first = runs[0]
    for run in runs[1:]:
        theirs, ours = run.info.fingerprint, first.info.fingerprint
        if theirs is None or ours is None or theirs == ours:
            continue
        words = _differences(first, run) or [f"fingerprint {ours} / {theirs}, and their parts do not say why"]
        reasons.extend(f"{first.name} / {run.name}: {word}" for word in words)
    return reasons


def _differences(one: Run, other: Run) -> list[str]:
    try:
        return differences(one.info.fingerprint_parts, other.info.fingerprint_parts)
    except (AttributeError, KeyError, TypeError):
        return []  # run.json was changed by hand: the parts are not what a plan wrote


def headlines(names: Iterable[str]) -> list[str]:
    """Return, among figures' names, those that a run is made for: what one profile alone measures comes first."""
    names = list(names)
    wanted = (*_OWN, half_power(names), half_ohm(names), *_COMMON)
    return [name for name in wanted if name in names]


def judged(comparison: Comparison) -> dict[str, list[Verdict]]:
    """Return the verdicts of a comparison by figure: on every figure that has words and that two sides have.

    Of a pulse series the power at every state of charge, and one resistance: the powers are made from the others.
    """
    names = dict.fromkeys(name for entry in comparison.entries for name in entry.figures)
    resistance = half_ohm(names)
    pulses = [name for _, name in pulse_powers(names)] + ([resistance] if resistance else [])
    wanted = [name for name in (*PHRASES, *pulses) if name in names]
    return {name: found for name in wanted if (found := verdicts(comparison, name))}


def headline(found: Mapping[str, Sequence[Verdict]]) -> str | None:
    """Return the figure that a comparison is about: the first on which there is a verdict, else the first judged."""
    told = headlines(found)
    return next((name for name in told if any(one.k is not None for one in found[name])), next(iter(told), None))


def shown_rows(several: Iterable[Figures]) -> list[tuple[str, str, float, int]]:
    """Return the rows of ROWS that any of several runs has, and a row for each pulse power and its resistance."""
    names = dict.fromkeys(name for found in several for name in found)
    rows = [row for row in ROWS if row[0] in names]
    rows += [(name, f"pulse power, {percent:g} % drawn, W", 1.0, 0) for percent, name in pulse_powers(names)]
    for one in longest(pulse_ohms(names)):
        words = f"resistance after {one.time_s:g} s at {one.rate_c:g}C, {one.percent:g} % drawn, mΩ"
        rows.append((one.name, words, 1000.0, 2))
    return rows


def _labels(runs: Sequence[Run]) -> list[str]:
    names = [f"{run.info.pack_name}, imported" if run.info.imported else run.info.pack_name for run in runs]
    found: list[str] = []
    for index, (name, run) in enumerate(zip(names, runs, strict=True)):
        label = name if names.count(name) == 1 else f"{name}, {run.info.started_utc or run.path.name}"
        found.append(label if label not in found else f"{label} ({index + 1})")
    return found


def _flags(entries: Sequence[Compared]) -> list[str]:
    found: list[str] = []
    for name, words in (
        ("start_temperature_c", "the discharge"),
        ("ladder_start_temperature_c", "the ladder"),
    ):
        starts = [(entry.figures[name].value, entry.label) for entry in entries if name in entry.figures]
        if len(starts) > 1 and max(starts)[0] - min(starts)[0] > START_TOLERANCE_K:
            (low, low_label), (high, high_label) = min(starts), max(starts)
            found.append(
                f"{words} began at {low:.1f} °C in {low_label} and at {high:.1f} °C in {high_label}: "
                f"more than {START_TOLERANCE_K:.0f} K apart"
            )
    asked: tuple[tuple[str, Callable[[RunInfo], str | None]], ...] = (
        ("cooling", lambda info: info.cooling),
        ("sense point", lambda info: info.sense),
        ("bench, so that no meter's error cancels", lambda info: info.bench),
    )
    for name, read in asked:
        values = [read(entry.run.info) or "not named" for entry in entries]
        if len(set(values)) > 1:
            pairs = ", ".join(f"{e.label}: {value}" for e, value in zip(entries, values, strict=True))
            found.append(f"different {name} ({pairs})")
    simulated = [entry.label for entry in entries if entry.run.info.others.get("simulated") is True]
    if 0 < len(simulated) < len(entries):
        found.append(f"on a simulated bench: {', '.join(simulated)}; the others are real")
    if imported := [entry for entry in entries if entry.run.info.imported]:
        words = ", ".join(f"{entry.label} (from {entry.run.info.imported.get('from')})" for entry in imported)
        found.append(f"imported, and the same procedure only because somebody said so: {words}")
        found += _drawn_apart(entries)
    if not _specimens_enough(entries) and _may_be_judged(entries):
        found.append("a verdict on what was tested, not on a design: that takes three specimens of each")
    for entry in entries:
        found.extend(f"{entry.label}: {flag}" for flag in entry.figures.flags)
        found.extend(f"{entry.label}: {problem}" for problem in entry.run.problems)
    return found


def _drawn_apart(entries: Sequence[Compared]) -> list[str]:
    """Return which imported runs were drawn at another power, relative to the pack, than the first that was not.

    Nothing else shows it: their fingerprint is lent.
    """
    drawn = [entry for entry in entries if "discharge_power_w" in entry.figures]
    powers = [entry.figures["discharge_power_w"].value for entry in drawn]
    nominal = all(entry.run.info.nominal_v for entry in drawn)
    rated = [_rated_w(entry, nominal) for entry in drawn]
    known = [value for value in rated if value is not None]
    relative = len(known) == len(drawn)
    rates = [power / value for power, value in zip(powers, known, strict=True)] if relative else powers
    ours = next((place for place, entry in enumerate(drawn) if not entry.run.info.imported), 0)
    words = [
        f"{entry.label} at {power:.0f} W" + (f" ({rate:.2g}C)" if relative else "")
        for entry, power, rate in zip(drawn, powers, rates, strict=True)
    ]
    return [
        f"drawn at different mean powers: {words[place]}, {words[ours]}"
        for place, entry in enumerate(drawn)
        if entry.run.info.imported and abs(rates[place] - rates[ours]) > DRAWN_TOLERANCE * rates[ours]
    ]


def _rated_w(entry: Compared, nominal: bool) -> float | None:
    """Return the power of 1C, in W: by the nominal voltage, or else by the mean voltage under load; None if unknown."""
    mean = entry.figures.get("mean_voltage_v")
    volts = entry.run.info.nominal_v if nominal else None if mean is None else mean.value
    rated_ah = entry.run.info.rated_capacity_ah
    return rated_ah * volts if rated_ah and volts else None


def observed(comparison: Comparison, name: str) -> dict[str, list[Observed]]:
    """Return one figure of each run that has it, by pack, or by design where there are specimens enough of each."""
    found: dict[str, list[Observed]] = {}
    designs = _specimens_enough(comparison.entries)
    for entry in comparison.entries:
        figure = entry.figures.get(name)
        if figure is not None:
            pack = entry.pack
            design = _design(entry.run.info) if designs else None
            found.setdefault(design or pack, []).append(Observed(pack, entry.label, figure, design))
    return found


def _may_be_judged(entries: Sequence[Compared]) -> bool:
    """Whether two packs have an exact figure with U for which there are words, so that there is a verdict at all."""
    packs: dict[str, set[str]] = {}
    for entry in entries:
        for name, figure in entry.figures.items():
            if figure.U is not None and not figure.at_least and (name in PHRASES or name.startswith("pulse_drawn_")):
                packs.setdefault(name, set()).add(entry.pack)
    return any(len(names) > 1 for names in packs.values())


def _design(info: RunInfo) -> str | None:
    design = info.pack.get("design")
    return design if isinstance(design, str) and design else None


def _specimens_enough(entries: Sequence[Compared]) -> bool:
    """Whether every pack names its design and each design has so many packs that something may be said of it."""
    packs: dict[str | None, set[str]] = {}
    for entry in entries:
        packs.setdefault(_design(entry.run.info), set()).add(entry.pack)
    return None not in packs and all(len(names) >= SPECIMENS for names in packs.values())


def verdicts(comparison: Comparison, name: str) -> list[Verdict]:
    """Return the verdict on one figure of every two packs (or designs) of a comparison, in their order."""
    return [judge(name, one, other) for one, other in combinations(observed(comparison, name).values(), 2)]


ROWS: tuple[tuple[str, str, float, int], ...] = (
    ("iec_resistance_ohm", "resistance by two steps of current, mΩ", 1000.0, 2),
    ("cycles_done", "cycles", 1.0, 0),
    ("cycle_retention", "last of first cycle, %", 100.0, 1),
    ("best_cycle_over_rated", "best try of rated, %", 100.0, 1),
    ("passed_in_cycle", "passed in try", 1.0, 0),
    ("flight_min", "flown, min", 1.0, 1),
    ("flight_repetitions", "flown, times the record", 1.0, 2),
    ("delivered_ah", "delivered, Ah", 1.0, 3),
    ("delivered_over_rated", "of rated, %", 100.0, 1),
    ("delivered_wh", "delivered, Wh", 1.0, 2),
    ("energy_per_mass_wh_kg", "energy per mass, Wh/kg", 1.0, 1),
    ("mean_voltage_v", "mean voltage, V", 1.0, 3),
    ("voltage_after_load_on_v", "voltage after load-on, V", 1.0, 3),
    ("temperature_rise_k", "temperature rise, K", 1.0, 1),
    ("dc_resistance_ohm", "resistance at load-on, mΩ", 1000.0, 2),
    ("group_spread_end_v", "spread of groups at the end, mV", 1000.0, 0),
    ("peak_c", "peak, C", 1.0, 1),
    ("peak_interpolated_c", "peak, interpolated, C", 1.0, 1),
    ("peak_w_per_kg", "peak power per mass, W/kg", 1.0, 0),
    ("inspected_spread_v", "spread of groups, inspected, mV", 1000.0, 1),
    ("stored_spread_v", "spread of groups, stored, mV", 1000.0, 1),
    ("stored_pack_v", "pack voltage, stored, V", 1.0, 3),
)
"""Figure, words with unit, factor to that unit, decimals: the rows of a comparison in their order.

What one profile alone measures comes first.
"""


def cell(found: Figures, name: str, factor: float, decimals: int) -> str:
    """Return a figure as a table shows it: "4.740 ± 0.012", "≥ 16.0 ± 0.1" for a lower bound, "–" where it is missing.

    U has two digits at most and the value ends at the same place (JCGM 100, 7.2.6); without U `decimals` are shown.
    """
    figure = found.get(name)
    if figure is None:
        return "–"
    least = "≥ " if figure.at_least else ""
    if figure.U is None or not figure.U > 0.0:
        return f"{least}{figure.value * factor:.{decimals}f}"
    return f"{least}{rounded(figure.value * factor, figure.U * factor)}"


def accuracy_words(found: Figures) -> str:
    """Return what the intervals mean, or the lines in bench.toml that are missing for them; empty without figures."""
    shown = [found[name] for name, *_ in shown_rows([found])]
    missing = list(dict.fromkeys(line for figure in shown for line in figure.not_stated))
    words = (
        [f"± U, 95 %, k = {min(ks):.2f}{f' to {max(ks):.2f}' if max(ks) - min(ks) > 0.005 else ''}"]
        if (ks := [figure.k for figure in shown if figure.k is not None])
        else []
    )
    return "\n".join([*words, *(f"not stated: {line}" for line in missing)])


def table(comparison: Comparison) -> Table:
    """Return the comparison as a table for the terminal: one column a run, one row a figure.

    Cut-offs are printed in volts, since the fingerprint holds their names only.
    """
    shown = Table(title=f"{comparison.title} · fingerprint {comparison.fingerprint}", title_justify="left")
    shown.add_column("figure", no_wrap=True)
    for entry in comparison.entries:
        shown.add_column(entry.label, justify="right")
    for name, words, factor, decimals in shown_rows(entry.figures for entry in comparison.entries):
        shown.add_row(words, *(cell(entry.figures, name, factor, decimals) for entry in comparison.entries))
    for kind, key, words in (
        ("discharge", "cut_off_v", "discharge cut-off, V per group"),
        ("ladder", "floor_v", "ladder floor, V per group"),
    ):
        cells = [planned_text(entry.run, kind, key) for entry in comparison.entries]
        if any(text != "–" for text in cells):
            shown.add_row(words, *cells)
    endings = {
        "discharge ended by": [entry.figures.ended_words for entry in comparison.entries],
        "ladder ended by": [entry.figures.ladder_ended_words for entry in comparison.entries],
    }
    for words, found in endings.items():
        cells = [text or "–" for text in found]
        if any(text != "–" for text in cells):
            shown.add_row(words, *cells)
    shown.add_row("accuracy", *(accuracy_words(entry.figures) or "–" for entry in comparison.entries))
    remarks = [[*entry.figures.flags, *entry.run.problems] for entry in comparison.entries]
    shown.add_row("flags", *("\n".join(found) or "none" for found in remarks))
    every = judged(comparison)
    about = every.get(headline(every) or "", [])
    said = [verdict.words for verdict in about]
    said += dict.fromkeys(f"! {verdict.caveat}" for verdict in about if verdict.caveat)
    if said or comparison.flags:
        shown.caption = "\n".join([*said, *(f"! {flag}" for flag in comparison.flags)])
        shown.caption_justify = "left"
    return shown


def planned_text(run: Run, kind: str, key: str) -> str:
    """Return a planned voltage of the first step of a kind that was carried out; "–" without one."""
    for step in run.steps():
        if step.kind == kind:
            value = planned_step(run, step.count, kind).get(key)
            return f"{value:.3f}" if isinstance(value, int | float) else "–"
    return "–"
