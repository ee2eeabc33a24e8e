"""A comparison's report: a single HTML file that prints, reads on a phone, fetches nothing, and can be published."""

import re
from collections.abc import Iterable, Sequence
from pathlib import Path

from benchwarden.results import report_parts as parts
from benchwarden.results.chart_place import DrawnChart
from benchwarden.results.compare import Comparison, cell, headline, judged, observed, planned_text, shown_rows
from benchwarden.results.equal_energy import at_equal_energy, common_energy_wh
from benchwarden.results.figure import Figure
from benchwarden.results.folder import write_text
from benchwarden.results.html import Child, Html, el, page, table
from benchwarden.results.procedure import draws_of
from benchwarden.results.report_run import condition_table
from benchwarden.results.tables import comparison_table
from benchwarden.results.verdict import TESTED_ONCE, Verdict, mean_of, rounded

REPORT_FILE = "comparison.html"
_DRAWN = re.compile(r"(pack|leads|group_\d+)_ohm_\d+_m?s|iec_resistance_group_\d+_ohm")
"""Figures that charts draw and notes name, beside those of the rows and those that are judged."""
MOST_SAID = 6
"""So many verdicts stand at the top; five packs have ten."""
MOST_BESIDE = 5
"""So many columns of figures fit beside each other on A4."""


def write_comparison_report(comparison: Comparison, drawn: Sequence[DrawnChart], out: Path, why_none: str = "") -> Path:
    """Write comparison.html into `out` and return its path; FolderError when the disk refuses."""
    out.mkdir(parents=True, exist_ok=True)
    path = out / REPORT_FILE
    write_text(path, comparison_report(comparison, drawn, why_none))
    return path


def comparison_report(comparison: Comparison, drawn: Sequence[DrawnChart], why_none: str = "") -> str:
    """Return the report; `why_none` says why there are no charts."""
    entries = comparison.entries
    runs = [entry.run for entry in entries]
    packs = list(dict.fromkeys(entry.pack for entry in entries))
    who = ", ".join(packs[:-1]) + (f" and {packs[-1]}" if len(packs) > 1 else packs[-1])
    title = f"{who if len(packs) <= 6 else f'{len(packs)} packs'}: {comparison.title}"
    found = judged(comparison)
    about = headline(found)
    sections: list[tuple[str, str, Child]] = [
        ("figures", "Figures", parts.by_role(_means(comparison), runs)),
        ("charts", "Charts", parts.charts(drawn, why_none or "The runs left nothing to draw.")),
        ("notes", "What stood out", _notes(comparison)),
        ("verdicts", "Verdicts", parts.by_role(_verdicts(found), runs)),
        ("equal-energy", "At equal energy", parts.by_role(_equal_energy(comparison), runs)),
        ("procedure", "Procedure", [parts.procedure(runs[0]), _procedures(comparison)]),
        ("conditions", "Conditions and bench", _conditions(comparison)),
        ("runs", "Every run", _runs(comparison)),
        ("trace", "Where each figure comes from", parts.by_role(_trace(comparison, found), runs)),
        ("reading", "How to read and repeat this", parts.how_to_read()),
        ("spreadsheet", "For a spreadsheet", _spreadsheet(comparison)),
    ]
    shown = [(where, words, body) for where, words, body in sections if body is not None]
    words = f"{len(entries)} runs of {len(packs)} packs" if len(packs) > 1 else f"{len(entries)} runs of one pack"
    top = el(
        "header",
        el("h1", title),
        el("p", f"{words} · {_days(comparison)} · fingerprint {comparison.fingerprint}", class_="soft"),
        _marks(comparison),
        [el("p", f"On {parts.name_words(about)}:", class_="soft"), *_said(found[about])] if about else None,
        parts.linked(*((where, words) for where, words, _ in shown)),
    )
    flags = [
        el("h3", "Before you conclude anything from this"),
        parts.listed(comparison.flags, "flags"),
    ]
    body = [
        el("section", el("h2", words, id=where), content, class_="screen" if where == "spreadsheet" else None)
        for where, words, content in shown
    ]
    return page(title, parts.style(), el("main", top, flags if comparison.flags else None, body), parts.foot(runs))


def _said(found: Sequence[Verdict]) -> list[Child]:
    """Return the verdicts on the headline figure: large where something was seen, plain where runs are wanting."""
    seen = [one for one in found if one.seen != "unknown"]
    shown = (seen or found)[:MOST_SAID]
    said: list[Child] = [el("p", _sentence(one.words), class_="verdict" if seen else None) for one in shown]
    if more := len(seen or found) - len(shown):
        said.append(el("p", f"And {more} more, under ", el("a", "Verdicts", href="#verdicts"), "."))
    caveats = dict.fromkeys(one.caveat for one in shown if seen and one.caveat)
    return [*said, *(el("p", _sentence(caveat), class_="caveat") for caveat in caveats)]


def _notes(comparison: Comparison) -> Html | None:
    """Return what each run's own report notes: a group that stands out, figures that do not agree."""
    found = [f"{entry.label}: {note}" for entry in comparison.entries for note in entry.figures.notes]
    return parts.listed(found) if found else None


def _sentence(words: str) -> str:
    return f"{words[:1].upper()}{words[1:]}."


def _days(comparison: Comparison) -> str:
    days = sorted({(entry.run.info.started_utc or "")[:10] for entry in comparison.entries} - {""})
    return "dates not recorded" if not days else days[0] if len(days) == 1 else f"{days[0]} to {days[-1]}"


def _marks(comparison: Comparison) -> Html | None:
    words: list[str] = []
    imported = [entry.label for entry in comparison.entries if entry.run.info.imported]
    if imported:
        words.append(f"imported, not measured by this program: {', '.join(imported)}")
    if any(entry.run.info.others.get("simulated") is True for entry in comparison.entries):
        words.append("simulated bench: no real pack was tested")
    return el("p", [el("span", text, class_="mark") for text in words]) if words else None


def _means(comparison: Comparison) -> list[Child]:
    """Return each pack's (or design's) mean of each figure with its interval."""
    names = shown_rows(entry.figures for entry in comparison.entries)
    sides = {name: observed(comparison, name) for name, *_ in names}
    everyone = list(dict.fromkeys(who for found in sides.values() for who in found))
    rows: list[list[Child]] = []
    for name, words, factor, decimals in names:
        row: list[Child] = [words]
        for who in everyone:
            side = sides[name].get(who, [])
            exact = [one for one in side if not one.figure.at_least]
            mean = mean_of(exact)
            if not side:
                row.append("–")
            elif not exact:
                row.append(f"≥ {min(one.figure.value for one in side) * factor:.{decimals}f}")
            elif mean is None:
                row.append(f"{sum(one.figure.value for one in exact) / len(exact) * factor:.{decimals}f}")
            else:
                more = f"k = {mean.k:.2f}, {len(exact)} run{'s' if len(exact) > 1 else ''}"
                mostly = f"; mostly {mean.budget[0].input}" if mean.budget else ""
                value = el("strong", rounded(mean.value * factor, mean.U * factor))
                row.append([value, el("br"), el("span", f"{more}{mostly}", class_="soft small")])
        rows.append(row)
    words = "Means of each pack's runs, value ± U (95 %). Of a single run: what instruments and sampling allow."
    if any(figure.limit_above for entry in comparison.entries for figure in entry.figures.values()):
        words += " ± of a peak holds the step to the burst that was not held."
    return [el("p", words, class_="small soft"), *_beside(everyone, rows, "means")]


def _beside(heads: Sequence[str], rows: Sequence[Sequence[Child]], class_: str) -> list[Child]:
    """Return a table of figures with a column for each of `heads`; as several, one below the other, of many."""
    shown: list[Child] = []
    for begin in range(0, len(heads), MOST_BESIDE):
        end = begin + MOST_BESIDE
        part = [[row[0], *row[1 + begin : 1 + end]] for row in rows]
        shown.append(table(["figure", *heads[begin:end]], part, class_, lines=True))
    return shown


_SEEN = {"more": "more", "less": "less", "none": "no difference that this bench can see"}


def _seen(one: Verdict) -> str:
    """Return a verdict in few words: the table's other cells say the rest."""
    if one.seen == "unknown":
        return one.words
    return f"{_SEEN[one.seen]}, in these runs" if one.systematic else _SEEN[one.seen]


def _verdicts(found: dict[str, list[Verdict]]) -> Html | None:
    rows: list[list[Child]] = []
    # Where something was judged, a figure with bounds alone is none of what the runs are about.
    any_seen = any(one.seen != "unknown" for ones in found.values() for one in ones)
    for name, ones in found.items():
        if any_seen and all(one.seen == "unknown" and one.left_out for one in ones):
            continue
        for one in ones:
            size = one.size.replace("-", "−")
            k = "" if one.k is None else f"{one.k:.2f} (ν {parts.dof_words(one.dof)})"
            mostly = one.budget[0].input if one.budget else ""
            pair = "" if one.first is None or one.second is None else f"{one.first.name} against {one.second.name}"
            needed = one.runs_needed
            more = (
                ""
                if needed is None
                else ", ".join(f"{share}: {count or 'more runs do not help'}" for share, count in needed.items())
            )
            rows.append([parts.name_words(name), pair, size, _seen(one), k, mostly, more])
    if not rows:
        return None
    head: list[Child] = ["figure", "who", "first ÷ second − 1, or first − second", "verdict", "k", "mostly from"]
    if any(row[-1] for row in rows):
        head.append("runs of each to show")
    single = any(one.systematic for ones in found.values() for one in ones)
    words = f"“In these runs”: {TESTED_ONCE}."
    shown = table(head, [row[: len(head)] for row in rows], "verdicts", lines=True)
    return el("div", el("p", words, class_="small soft") if single else None, shown)


def _equal_energy(comparison: Comparison) -> list[Child] | None:
    energy = common_energy_wh([entry.figures for entry in comparison.entries])
    if energy is None:
        return None
    rows: list[list[Child]] = []
    for entry in comparison.entries:
        found = at_equal_energy(entry.run, entry.figures, energy)
        if found.mean_v is None:
            rows.append([entry.label, found.why_not, "", "", "", "", ""])
            continue
        middle, last = found.sag[4], found.sag[-1]
        rows.append(
            [
                entry.label,
                rounded(found.mean_v.value, found.mean_v.U),
                rounded(middle.value, middle.U),
                rounded(last.value, last.U),
                parts.dominating(found.mean_v, short=True),
                f"{found.mean_v.formula}; samples {_span(found.mean_v)}",
                f"linear between samples {_span(middle)}, and {_span(last)}",
            ]
        )
    words = (
        f"At {energy:.2f} Wh, what the poorest of these runs delivered, every pack has done the same work. "
        "At equal charge a pack that sags more would look no worse."
    )
    head = ["run", "mean voltage, V", "at 50 % of it, V", "at its end, V", "mostly from (mean)"]
    return [el("p", words), table([*head, "the mean", "at 50 % and at its end"], rows, lines=True)]


def _span(figure: Figure) -> str:
    first, last = figure.from_samples
    return f"{first} to {last}"


def _procedures(comparison: Comparison) -> list[Child]:
    rows: list[list[Child]] = []
    for entry in comparison.entries:
        rows.append(
            [
                entry.label,
                "; ".join(draws_of(entry.run.info.plan)) or "not known",
                cell(entry.figures, "discharge_power_w", 1.0, 1),
                planned_text(entry.run, "discharge", "cut_off_v"),
                planned_text(entry.run, "ladder", "floor_v"),
                entry.figures.ended_words or "–",
                entry.figures.ladder_ended_words or "–",
                entry.run.ending.how,
            ]
        )
    words = (
        "The steps above are the first run's; the same fingerprint means the same procedure relative to each pack. "
        "C is a multiple of the rated charge, or rated charge × nominal voltage, in an hour."
    )
    head = ["run", "drawn, as planned", "mean power of the discharge, W"]
    head += ["cut-off, V per group", "ladder floor, V", "discharge ended by", "ladder ended by", "run"]
    return [el("p", words, class_="small soft"), table(head, rows, lines=True)]


def _conditions(comparison: Comparison) -> list[Child]:
    runs = [entry.run for entry in comparison.entries]
    return [
        condition_table([(entry.label, entry.run) for entry in comparison.entries]),
        el("h3", "Instruments"),
        parts.instruments(runs),
        el("h3", "What the bench lacks"),
        parts.lacks(runs),
    ]


def _runs(comparison: Comparison) -> list[Child]:
    rows: list[list[Child]] = []
    for name, words, factor, decimals in shown_rows(entry.figures for entry in comparison.entries):
        rows.append([words, *(cell(entry.figures, name, factor, decimals) for entry in comparison.entries)])
    return _beside([entry.label for entry in comparison.entries], rows, "numbers")


def traced(comparison: Comparison, found: Iterable[str]) -> list[str]:
    """Return the figures that a comparison's report shows anywhere but for spreadsheets: its rows, what is judged
    (`found`), and what is drawn or noted of groups and leads. Of cycles each run's own report tells.
    """
    names = dict.fromkeys(name for entry in comparison.entries for name in entry.figures)
    rows = [name for name, *_ in shown_rows(entry.figures for entry in comparison.entries)]
    drawn = [name for name in names if _DRAWN.fullmatch(name)]
    return list(dict.fromkeys([*rows, *found, *drawn]))


def _trace(comparison: Comparison, found: Iterable[str]) -> list[Child]:
    wanted = traced(comparison, found)
    body: list[Child] = []
    for entry in comparison.entries:
        names = [name for name in wanted if name in entry.figures]
        where = f"{entry.run.name}; its report.html and result.json hold every figure and every budget"
        body += [el("h3", entry.label), el("p", where, class_="small soft"), parts.trace(entry.figures, names)]
    return body


def _spreadsheet(comparison: Comparison) -> list[Child]:
    head, *rows = comparison_table(comparison)
    words = "One number a cell, in SI units with the ampere-hour and the watt-hour; comparison.csv holds the same."
    return [el("p", words, class_="small soft"), table(head, rows, "numbers")]
