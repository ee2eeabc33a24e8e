"""What reports of one run and of several have in common: figures in words, their trace, procedure, instruments."""

import re
from collections.abc import Iterable, Mapping, Sequence
from importlib.resources import files
from typing import Any

from benchwarden.results.chart_place import DrawnChart
from benchwarden.results.compare import ROWS
from benchwarden.results.figure import Figure, Figures
from benchwarden.results.html import Child, Html, el, inline_svg, inner, table
from benchwarden.results.procedure import folded_steps
from benchwarden.results.run import Run
from benchwarden.results.verdict import rounded

_ROWS = {name: (words, factor, decimals) for name, words, factor, decimals in ROWS}
_SAID = {
    "delivered_ah": "charge delivered",
    "delivered_wh": "energy delivered",
    "delivered_over_rated": "of rated charge",
    "rated_ah": "rated charge",
    "unmeasured_s": "time not measured",
    "discharge_power_w": "mean power of the discharge",
    "rest_before_v": "voltage at rest before the discharge",
    "rest_60_s_v": "voltage 60 s after the discharge",
    "rest_30_min_v": "voltage 30 min after the discharge",
    "dc_resistance_10_s_ohm": "resistance 10 s after load-on",
    "burst_resistance_ohm": "resistance at the end of the first burst",
    "start_ambient_c": "surroundings at the start",
    "start_temperature_c": "hottest sensor at the start",
    "hottest_c": "hottest sensor at its hottest",
    "hottest_after_stop_s": "hottest moment, after the load went off",
    "hottest_place": "number of the hottest sensor",
    "group_spread_rest_v": "spread of groups at rest",
    "ending_group": "lowest group at the end",
    "ending_group_v": "voltage of the lowest group at the end",
    "groups_against_pack_v": "pack voltage − sum of groups",
    "load_counter_charge_ratio": "charge, samples ÷ the load's own counter",
    "load_counter_energy_ratio": "energy, samples ÷ the load's own counter",
    "load_counter_worst_charge_ratio": "charge, samples ÷ the load's own counter, worst step",
    "load_counter_worst_energy_ratio": "energy, samples ÷ the load's own counter, worst step",
    "ladder_start_temperature_c": "hottest sensor before the ladder",
    "ladder_hottest_c": "hottest sensor in the ladder",
    "peak_a": "peak current",
    "peak_w": "peak power",
    "peak_hold_s": "time the peak was held",
    "peak_charge_used_ah": "charge drawn before the peak",
    "peak_start_temperature_c": "hottest sensor before the peak",
    "peak_over_delivered": "peak current ÷ charge delivered",
    "expected_link_ohm": "expected of one link",
    "expected_links_ohm": "expected of all links",
    "expected_leads_ohm": "expected of the leads",
    "expected_joints_share": "expected share of links and leads",
    "inspected_pack_v": "pack voltage, inspected",
    "inspected_sum_apart_v": "sum of groups − pack voltage, inspected",
    "flight_record_wh": "energy of the record over that time",
    "flight_energy_over_record": "energy delivered ÷ the record's",
    "cycle_retention": "charge of the last ÷ the first cycle",
    "stored_pack_v": "pack voltage, stored",
    "retention": "charge of the last ÷ the first discharge",
}
_PATTERNS = (
    (r"sag_(\d+)_v", r"pack voltage at \1 % of the delivered charge"),
    (r"group_spread_(\d+)_v", r"spread of groups at \1 % of the delivered charge"),
    (r"(pack|leads|group_\d+)_ohm_(\d+)_(m?s)", r"resistance of \1 \2 \3 after load-on"),
    (r"pulse_(pack|leads|group_\d+)_ohm", r"resistance of \1 in the test pulse"),
    (r"(pack|leads|group_\d+)_burst_heat_w", r"heat in \1 at the burst current"),
    (r"inspected_(group_\d+)_v", r"voltage of \1, inspected"),
    (r"iec_resistance_(group_\d+)_ohm", r"resistance of \1 by two steps of current"),
    (r"pulse_drawn_([0-9.]+)_power_w", r"pulse power, \1 % drawn"),
    (r"pulse_drawn_([0-9.]+)_([0-9.]+)c_([0-9.]+)s_ohm", r"resistance after \3 s at \2C, \1 % drawn"),
    (r"cycle_(\d+)_ah", r"charge of cycle \1"),
    (r"cycle_(\d+)_wh", r"energy of cycle \1"),
)
_SCALED = {"Ω": ("mΩ", 1000.0)}


def style() -> str:
    """Return the reports' style sheet."""
    return (files("benchwarden.results") / "report.css").read_text(encoding="utf-8")


def name_words(name: str) -> str:
    """Return a figure's name in words, without its unit: "energy per mass", "resistance of pack 1 s after load-on"."""
    if name in _SAID:
        return _SAID[name]
    if name in _ROWS:
        return _ROWS[name][0].rpartition(", ")[0]
    for pattern, words in _PATTERNS:
        if match := re.fullmatch(pattern, name):
            return match.expand(words).replace("_", " ")
    return re.sub(r"_(v|a|w|s|c|k|ah|wh|ohm|wh_kg|wh_g|wh_l|w_per_kg)$", "", name).replace("_", " ")


def scale(name: str, unit: str) -> tuple[str, float]:
    """Return the unit a figure is shown in and the factor to it."""
    if name in _ROWS:
        return _ROWS[name][0].rpartition(", ")[2], _ROWS[name][1]
    if "_spread_" in name and unit == "V":
        return "mV", 1000.0
    return _SCALED.get(unit, ("" if unit == "1" else unit, 1.0))


def value_words(name: str, figure: Figure) -> str:
    """Return "≥ 4.863 ± 0.018" in the unit of `scale`; without U as many digits as the figure's row has, else six."""
    _, factor = scale(name, figure.unit)
    least = "≥ " if figure.at_least else ""
    if figure.U is not None and figure.U > 0.0:
        return f"{least}{rounded(figure.value * factor, figure.U * factor)}"
    if name in _ROWS:
        return f"{least}{figure.value * factor:.{_ROWS[name][2]}f}"
    return f"{least}{figure.value * factor:.6g}"


def dominating(figure: Figure, short: bool = False) -> str:
    """Return what a figure's uncertainty comes from most, with its share of u², or why there is none."""
    if figure.not_stated:
        return f"no U: missing {'; '.join(figure.not_stated)}"
    if not figure.budget or not figure.u:
        return "" if short else "no U: a count, a name or a plain reading"
    first = figure.budget[0]
    return f"{first.input} ({100.0 * (first.contribution / figure.u) ** 2:.0f} % of u²)"


def dof_words(dof: float | None) -> str:
    """Return degrees of freedom; "∞" for infinitely many, "over 1000" for so many that k is Student's limit, 1.96."""
    if dof is None:
        return "∞"
    return "over 1000" if dof > 1000.0 else f"{dof:.0f}" if dof >= 100.0 else f"{dof:.3g}"


def cards(found: Figures, names: Sequence[str]) -> Html:
    """Return the figures that matter most, each with its interval and what decides it."""
    shown: list[Html] = []
    for name in names:
        figure = found.get(name)
        if figure is None:
            continue
        unit, _ = scale(name, figure.unit)
        why = [f"k = {figure.k:.2f}; mostly {dominating(figure)}" if figure.k is not None else dominating(figure)]
        if figure.at_least:
            why.insert(0, f"at least: {figure.note or 'something other than the pack ended the test'}; ")
        value = el("dd", value_words(name, figure), " ", el("span", unit, class_="unit"), class_="value")
        shown.append(el("div", el("dt", name_words(name)), value, el("dd", why, class_="why")))
    return el("dl", shown, class_="cards")


def trace(found: Figures, names: Iterable[str]) -> Html:
    """Return figures as a table that can be traced: value, what dominates, formula, samples, note."""
    rows: list[list[Child]] = []
    for name in names:
        figure = found[name]
        unit, _ = scale(name, figure.unit)
        first, last = figure.from_samples
        exact = "" if figure.k is None else f"{figure.k:.2f} (ν {dof_words(figure.dof)})"
        rows.append(
            [
                [name_words(name), " ", el("br"), el("code", name)],
                f"{value_words(name, figure)} {unit}".rstrip(),
                exact,
                dominating(figure),
                figure.formula,
                f"{first} to {last}",
                figure.note,
            ]
        )
    head = ["figure", "value ± U", "k", "mostly from", "formula", "samples", "note"]
    return table(head, rows, "figures", lines=True)


def budget(name: str, figure: Figure) -> Html:
    """Return the whole budget of a figure: input, contribution to u, share of u², degrees of freedom, kind."""
    unit, factor = scale(name, figure.unit)
    u = figure.u or 1.0
    rows = [
        [
            part.input,
            f"{part.contribution * factor:+.2g}",
            f"{100.0 * (part.contribution / u) ** 2:.1f} %",
            dof_words(part.dof),
            "limits, rectangular" if part.rectangular else "scatter",
        ]
        for part in figure.budget
    ]
    spread = f"u = {u * factor:.2g} {unit}, ν = {dof_words(figure.dof)}, k = {figure.k or 0:.2f}"
    title = el("h3", f"{name_words(name)}: {value_words(name, figure)} {unit}")
    return el("section", title, el("p", spread, class_="small soft"), table(_BUDGET, rows, lines=True), class_="budget")


_BUDGET = ("input", "contribution to u", "share of u²", "ν", "from")


def charts(drawn: Sequence[DrawnChart], why_none: str) -> Html:
    """Return the charts, or in words why there are none."""
    if not drawn:
        return el("p", why_none, class_="soft")
    return Html("".join(_chart(one) for one in drawn))


def _chart(one: DrawnChart) -> Html:
    """Return a chart with its words; of the wide and the narrow drawing the style sheet shows the one that fits."""
    words = f"{one.title}. {one.words}"
    shown = [inline_svg(one.svg.read_text(encoding="utf-8"), one.name, words, "broad" if one.narrow_svg else "")]
    if one.narrow_svg:
        shown.append(inline_svg(one.narrow_svg, f"{one.name}-narrow", words, "narrow"))
    return el("figure", shown, el("figcaption", f"{one.words} As files: {one.svg.name}, {one.png.name}."))


def procedure(run: Run) -> Html:
    """Return the plan in words: each step and what ends it, of a repeat its first cycle and how often it is done."""
    steps = folded_steps(run.info.plan)
    purpose = run.info.plan.get("purpose")
    head = el("p", f"{run.info.title}. {purpose}." if isinstance(purpose, str) and purpose else f"{run.info.title}.")
    if not steps:
        return el("div", head, el("p", "The steps are not known.", class_="soft"))
    items = [
        el(
            "li",
            str(step["title"]),
            el("span", f"; ends: {step['ends']}", class_="soft") if step["ends"] else None,
            el("p", f"{step['repeated']}.") if step["repeated"] else None,
            value=str(number) if isinstance(number := step["number"], int) else None,
        )
        for step in steps
    ]
    return el("div", head, el("ol", items))


def accuracy_in_words(entry: Mapping[str, Any]) -> str:
    """Return an instrument's accuracy from run.json: "voltage: 0.05 % of reading + 30 mV"."""
    stated = entry.get("accuracy")
    parts: list[str] = []
    for quantity, limits in stated.items() if isinstance(stated, Mapping) else ():
        if not isinstance(limits, Mapping):
            continue
        share, fixed, unit = limits.get("of_reading"), limits.get("absolute"), limits.get("unit") or ""
        words: list[str] = []
        if isinstance(share, int | float) and share:
            words.append(f"{100 * share:.4g} % of reading")
        if isinstance(fixed, int | float) and fixed:
            words.append(f"{1000 * fixed:.4g} m{unit}" if abs(fixed) < 0.1 else f"{fixed:.4g} {unit}")
        parts.append(f"{quantity}: {' + '.join(words) or '0'}")
    return "; ".join(parts) or "not stated"


def instruments(runs: Sequence[Run]) -> Html:
    """Return every instrument that measured, once: what it is, its accuracy, in which runs' bays it served."""
    seen: dict[tuple[str, str, str], list[str]] = {}
    for run in runs:
        for role, entry in run.info.instruments.items():
            if not isinstance(entry, Mapping):
                continue
            identity = entry.get("identity")
            named = identity if isinstance(identity, Mapping) else {}
            words = " ".join(str(named[key]) for key in ("maker", "model", "serial") if named.get(key))
            place = f"{run.info.bench or '?'}, bay {run.info.bay or '?'}"
            places = seen.setdefault((role, words or "does not say who it is", accuracy_in_words(entry)), [])
            if place not in places:
                places.append(place)
    rows = [[role, who, accuracy, "; ".join(places)] for (role, who, accuracy), places in seen.items()]
    if not rows:
        return el("p", "No instrument is recorded, and so no accuracy.", class_="soft")
    return table(["role", "instrument", "accuracy (limits)", "bench and bay"], rows, lines=True)


def by_role(body: Child, runs: Sequence[Run]) -> Html | None:
    """Return a part of a page in which each instrument is called by its role, and its bay where there are several.

    Maker, model and serial number in every cell hide the figures. An instrument that served in two places, and a place
    with two instruments, keep them: the words would no longer tell which is meant.
    """
    if body is None:
        return None
    places: dict[str, set[tuple[str, str, str]]] = {}
    for run in runs:
        for role, entry in run.info.instruments.items():
            identity = entry.get("identity") if isinstance(entry, Mapping) else None
            named = identity if isinstance(identity, Mapping) else {}
            words = " ".join(str(named.get(key) or "").strip() for key in ("maker", "model", "serial"))
            places.setdefault(words, set()).add((role, run.info.bay or "?", run.info.bench or "?"))
    every = [place for found in places.values() for place in found]
    bays, benches = {place[1:] for place in every}, {place[2] for place in every}
    text = inner(body)
    for words, found in places.items():
        [place, *more] = found
        if not words.strip() or more or every.count(place) > 1:
            continue
        role, bay, bench = place
        where = [f"bay {bay}"] * (len(bays) > 1) + [f"of {bench}"] * (len(benches) > 1)
        short = inner(f"{role} ({' '.join(where)})" if where else role)
        # A serial number may begin another; a backslash in the words would be one of the pattern's.
        text = Html(re.sub(re.escape(inner(words)) + r"(?![\w-])", short.replace("\\", r"\\"), text))
    return text


def lacks(runs: Sequence[Run]) -> Html:
    """Return what the benches' instruments cannot do for themselves."""
    texts: dict[str, None] = {}
    for run in runs:
        found = run.info.lacks
        texts |= dict.fromkeys(["not recorded"] if found is None else found)
    return el("ul", [el("li", text) for text in texts]) if texts else el("p", "Nothing.")


def listed(texts: Sequence[str], class_: str | None = None, none: str = "None.") -> Html:
    """Return texts as a list, or the word for none."""
    return el("ul", [el("li", text) for text in texts], class_=class_) if texts else el("p", none)


def linked(*titles: tuple[str, str]) -> Html:
    """Return links to a page's own parts."""
    return el("nav", el("ul", [el("li", el("a", words, href=f"#{where}")) for where, words in titles]))


def how_to_read() -> Html:
    """Return what the numbers mean and how anybody can repeat them."""
    return el(
        "div",
        el(
            "p",
            "Value ± U: U = k · u holds the true value in 95 of 100 cases (JCGM 100:2008). u is the standard "
            "uncertainty, ν its effective degrees of freedom (Welch–Satterthwaite), k Student's t for 95 % and ν. "
            "“≥” marks a lower bound: something other than the pack ended the test. “Mostly from” names the input "
            "with the largest share of u², an instrument by its role and bay as the table of instruments has them.",
        ),
        el(
            "p",
            "Each figure can be worked out again from its formula, the samples it names (column “Record Index / 1” of "
            "samples-001.csv in the run's folder) and the accuracies of the instruments listed here. result.json holds "
            "all of it, with the whole budget of each figure; `benchwarden report` makes it again from the samples.",
        ),
        el(
            "p",
            "Not in U: whether the pack was full, its age and history, a meter out of calibration, contact resistance "
            "at the sense point. Repeated runs show the first of these, nothing here shows the others.",
        ),
    )


def foot(runs: Sequence[Run]) -> Html:
    """Return by what the report was made, and of what it says nothing."""
    versions = ", ".join(sorted({run.info.benchwarden or "unknown" for run in runs}))
    return el(
        "footer",
        el("p", f"Runs recorded by benchwarden {versions}. Worked out from their folders; nothing in it was typed."),
        el(
            "p",
            "Figures of tested packs, not advice for their use. Lithium packs burn: the data sheet and local codes "
            "come first.",
        ),
    )
