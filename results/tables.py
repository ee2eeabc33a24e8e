"""Figures as rows of cells, one number a cell: for spreadsheets, as CSV, and for programs, as JSON."""

from collections.abc import Sequence
from typing import Any

from benchwarden.results.compare import Comparison, judged
from benchwarden.results.figure import Figure, Figures
from benchwarden.results.figures import result_data
from benchwarden.results.run import Run
from benchwarden.results.verdict import verdict_data

RUN_HEAD = (
    *("run", "pack", "imported", "figure", "value", "U", "unit", "at least", "u", "k", "dof", "mostly from"),
    *("formula", "first sample", "last sample", "note"),
)


def run_table(run: Run, found: Figures) -> list[list[str]]:
    """Return a run's figures, a row a figure, below their head; numbers with all their digits."""
    rows = [list(RUN_HEAD)]
    for name, figure in found.items():
        own = [run.name, run.info.pack_name, "imported" if run.info.imported else "", name]
        rows.append([*own, *_cells(figure)])
    return rows


def _cells(figure: Figure) -> list[str]:
    return [
        repr(figure.value),
        _number(figure.U),
        figure.unit,
        "at least" if figure.at_least else "",
        _number(figure.u),
        _number(figure.k),
        _number(figure.dof) if figure.U is None or figure.dof is not None else "infinite",
        figure.budget[0].input if figure.budget else "",
        figure.formula,
        *(str(number) for number in figure.from_samples),
        figure.note,
    ]


def _number(value: float | None) -> str:
    return "" if value is None else repr(value)


def comparison_table(comparison: Comparison) -> list[list[str]]:
    """Return figures of runs beside each other: a row a figure, for each run its value, U, and "≥" for a bound."""
    head = ["figure", "unit"]
    for entry in comparison.entries:
        head += [entry.label, f"U of {entry.label}", f"bound of {entry.label}"]
    names = dict.fromkeys(name for entry in comparison.entries for name in entry.figures)
    rows = [head]
    for name in names:
        found = [entry.figures.get(name) for entry in comparison.entries]
        row = [name, next(figure.unit for figure in found if figure is not None)]
        for figure in found:
            row += (
                ["", "", ""]
                if figure is None
                else [
                    repr(figure.value),
                    _number(figure.U),
                    "≥" if figure.at_least else "",
                ]
            )
        rows.append(row)
    return rows


def runs_data(runs: Sequence[tuple[Run, Figures]]) -> list[dict[str, Any]]:
    """Return what result.json holds of each run, for `report --json`."""
    return [result_data(run, found) | {"folder": str(run.path)} for run, found in runs]


def comparison_data(comparison: Comparison) -> dict[str, Any]:
    """Return a comparison for programs: what was compared, flags, each run's result, every verdict."""
    return {
        "title": comparison.title,
        "fingerprint": comparison.fingerprint,
        "flags": list(comparison.flags),
        "runs": [
            {"label": entry.label, "folder": str(entry.run.path)} | result_data(entry.run, entry.figures)
            for entry in comparison.entries
        ],
        "verdicts": {name: [verdict_data(one) for one in found] for name, found in judged(comparison).items()},
    }
