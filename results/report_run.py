"""One run's report: a single HTML file that prints, reads on a phone, and fetches nothing."""

from collections.abc import Sequence
from pathlib import Path

from benchwarden.results import counters
from benchwarden.results import report_parts as parts
from benchwarden.results.chart_place import DrawnChart
from benchwarden.results.compare import headlines
from benchwarden.results.figure import Figures, Rung
from benchwarden.results.folder import write_text
from benchwarden.results.html import Child, Html, el, page, table
from benchwarden.results.run import Run
from benchwarden.results.series import Series
from benchwarden.results.tables import run_table
from benchwarden.results.verdict import rounded

REPORT_FILE = "report.html"
_MOST_COUNTS = 40
_FURTHER = (
    "delivered_ah",
    "delivered_over_rated",
    "mean_voltage_v",
    "dc_resistance_ohm",
    "temperature_rise_k",
    "peak_interpolated_c",
    "stored_pack_v",
)
"""Figures with a card and a budget, beside those that a run is made for."""


def write_run_report(run: Run, found: Figures, drawn: Sequence[DrawnChart], why_none: str = "") -> Path:
    """Write report.html into the run's folder and return its path; FolderError when the disk refuses."""
    path = run.path / REPORT_FILE
    write_text(path, run_report(run, found, drawn, why_none))
    return path


def run_report(run: Run, found: Figures, drawn: Sequence[DrawnChart], why_none: str = "") -> str:
    """Return the report; `why_none` says why there are no charts."""
    info = run.info
    title = f"{info.pack_name}: {info.title}"
    sections: list[tuple[str, str, Child]] = [
        ("charts", "Charts", parts.charts(drawn, why_none or "The run left nothing to draw.")),
        ("procedure", "Procedure", [parts.procedure(run), _ended(run, found)]),
        ("conditions", "Conditions and bench", _conditions(run)),
        ("figures", "Every figure", parts.by_role(parts.trace(found, found), [run])),
        ("ladder", "Bursts", _rungs(found)),
        ("counters", "The load's own counters", _counts(found)),
        ("budgets", "Uncertainty budgets", parts.by_role(_budgets(found), [run])),
        ("missing", "Not told, and why", _missing(found)),
        ("reading", "How to read and repeat this", parts.how_to_read()),
        ("spreadsheet", "For a spreadsheet", _spreadsheet(run, found)),
    ]
    shown = [(where, words, body) for where, words, body in sections if body is not None]
    top = el(
        "header",
        el("h1", title),
        el("p", f"{info.started_utc or 'start not recorded'} · run {run.name} · 1 run", class_="soft"),
        marks(run),
        parts.linked(*((where, words) for where, words, _ in shown)),
    )
    remarks = [*found.flags, *run.problems]
    body: list[Child] = [
        top,
        parts.by_role(parts.cards(found, _important(found)), [run]),
        el("h3", "Flags") if remarks else None,
        parts.listed(remarks, "flags") if remarks else None,
        el("h3", "Notes") if found.notes else None,
        parts.listed(found.notes) if found.notes else None,
    ]
    body += [
        el("section", el("h2", words, id=where), content, class_="screen" if where == "spreadsheet" else None)
        for where, words, content in shown
    ]
    return page(title, parts.style(), el("main", body), parts.foot([run]))


def marks(run: Run) -> Html | None:
    """Return what a reader must see first: imported, simulated, partial."""
    words: list[str] = []
    if run.info.imported:
        words.append(f"imported from {run.info.imported.get('from') or 'elsewhere'}: not measured by this program")
    if run.info.others.get("simulated") is True:
        words.append("simulated bench: no real pack was tested")
    ending = run.ending
    if ending.how != "finished" and not run.info.imported:
        words.append(f"partial: {ending.how}")
    return el("p", [el("span", text, class_="mark") for text in words]) if words else None


def _ended(run: Run, found: Figures) -> Html:
    rows: list[list[Child]] = []
    for words, text in (("discharge ended by", found.ended_words), ("ladder ended by", found.ladder_ended_words)):
        if text:
            rows.append([words, text])
    ending = run.ending
    off = {True: "confirmed", False: "NOT CONFIRMED", None: "not recorded"}[ending.off_confirmed]
    rows += [["run", f"{ending.how}: {ending.why}" if ending.why else ending.how], ["off at the end", off]]
    rows.append(["fingerprint of the procedure", run.info.fingerprint or "none"])
    return table(["", ""], rows)


def _conditions(run: Run) -> list[Child]:
    return [
        condition_table([("this run", run)]),
        el("h3", "Instruments"),
        parts.instruments([run]),
        el("h3", "What the bench lacks"),
        parts.lacks([run]),
    ]


def condition_table(runs: Sequence[tuple[str, Run]]) -> Html:
    """Return under which conditions runs were made, a row a run."""
    head = ["run", "when", "bench, bay", "ambient", "cooling", "sensed at", "taps", "pack"]
    rows: list[list[Child]] = []
    for label, run in runs:
        info = run.info
        pack = [
            str(info.pack.get("chemistry") or "chemistry not named"),
            f"{info.series} in series" if info.series else "",
            f"{info.rated_capacity_ah:g} Ah rated" if info.rated_capacity_ah else "",
            f"{1000 * info.mass_kg:g} g" if info.mass_kg else "mass not known",
            f"{cycles} cycles before" if isinstance(cycles := info.pack.get("cycles"), int) else "cycles not known",
            f"made {made}" if isinstance(made := info.pack.get("made"), str) else "age not known",
        ]
        rows.append(
            [
                label,
                info.started_utc or "not recorded",
                f"{info.bench or 'not named'}, {info.bay or 'not named'}",
                ambient_words(run),
                info.cooling or "not named",
                info.sense or "not named",
                info.taps or "not named",
                ", ".join(word for word in pack if word),
            ]
        )
    return table(head, rows, lines=True)


def ambient_words(run: Run) -> str:
    """Return the temperatures of the surroundings during a run."""
    found = Series.of(run.samples).ambient(run.info.places)
    if found is None:
        return "not measured"
    low, high = found
    return f"{low:.1f} °C" if high - low < 0.15 else f"{low:.1f} to {high:.1f} °C"


def _rungs(found: Figures) -> Html | None:
    if not found.rungs:
        return None
    head = ["burst", "mean, A", "mean, W", "s", "held", "lowest group at its end, V", "sag of the pack, V"]
    head += ["hottest before, °C", "after, °C", "samples"]
    rows = [
        [
            str(rung.number),
            _measured(rung, "mean_a"),
            _measured(rung, "mean_w"),
            f"{rung.duration_s:.1f}",
            "yes" if rung.held else f"no: {rung.why_not}",
            _measured(rung, "end_v") + (f" (group {rung.lowest_group})" if rung.lowest_group else ""),
            _measured(rung, "sag_v"),
            "–" if rung.hottest_start_c is None else f"{rung.hottest_start_c:.1f}",
            "–" if rung.hottest_end_c is None else f"{rung.hottest_end_c:.1f}",
            f"{rung.first} to {rung.last}",
        ]
        for rung in found.rungs
    ]
    words = "The sag is the pack's voltage before the burst less that at its end; result.json holds each one's budget."
    return el("div", el("p", words, class_="small soft"), table(head, rows, "numbers", lines=True))


def _counts(found: Figures) -> Html | None:
    """Return what the load has counted beside the samples, step by step; nothing where it counted nothing."""
    judged = [count for count in found.counts if count.integral is not None]
    if not judged:
        return None
    shown = judged
    if len(judged) > _MOST_COUNTS:
        furthest = {id(count) for count in sorted(judged, key=counters.strain, reverse=True)[:_MOST_COUNTS]}
        shown = [count for count in judged if id(count) in furthest]
    head = [
        "step",
        "quantity",
        "samples",
        "load's counter",
        "sampling explains",
        "samples ÷ counter",
        "draws",
        "explained",
    ]
    rows = [
        [
            f"{count.step} ({count.kind})",
            f"{count.quantity}, {count.unit}",
            f"{count.integral:.5g}",
            f"{count.count:.5g}",
            f"{count.least:.5g} to {count.most:.5g}",
            "–" if (value := counters.ratio(count)) is None else f"{value:.5f}",
            str(count.draws),
            "yes" if count.explained else "NO",
        ]
        for count in shown
    ]
    words = "One meter, two ways to add: a check of sampling, record and arithmetic, not of the meter."
    if len(shown) < len(judged):
        words += f" The {len(shown)} of {len(judged)} that lie furthest out; result.json holds all."
    return el("div", el("p", words, class_="small soft"), table(head, rows, "numbers"))


def _measured(rung: Rung, name: str) -> str:
    figure = rung.figures.get(name)
    return "–" if figure is None else rounded(figure.value, figure.U)


def _important(found: Figures) -> list[str]:
    return [*headlines(found), *(name for name in _FURTHER if name in found)]


def _budgets(found: Figures) -> list[Child] | None:
    shown: list[Child] = [parts.budget(name, found[name]) for name in _important(found) if found[name].budget]
    return shown or None


def _missing(found: Figures) -> Html | None:
    by_reason: dict[str, list[str]] = {}
    for name, reason in found.missing.items():
        by_reason.setdefault(reason, []).append(parts.name_words(name))
    if not by_reason:
        return None
    return table(["figures", "why"], [[", ".join(names), reason] for reason, names in by_reason.items()], lines=True)


def _spreadsheet(run: Run, found: Figures) -> list[Child]:
    head, *rows = run_table(run, found)
    words = "One number a cell, in SI units with the ampere-hour and the watt-hour: select the table, copy, paste."
    return [el("p", words, class_="small soft"), table(head, rows, "numbers")]
