"""One run's figures as a table for the terminal."""

import re

from rich.table import Table

from benchwarden.results.compare import accuracy_words, cell, shown_rows
from benchwarden.results.figure import Figures
from benchwarden.results.run import Run

_CYCLE = re.compile(r"cycle_(\d+)_ah")
_FEW = 10


def summary(run: Run, found: Figures) -> Table:
    """Return the figures of one run, how it ended, and what could not be told and why."""
    shown = Table()
    shown.add_column("figure")
    shown.add_column("value", justify="right")
    for name, words, factor, decimals in shown_rows([found]):
        shown.add_row(words, cell(found, name, factor, decimals))
    for words, text in further_rows(found):
        shown.add_row(words, text)
    for words, text in (("discharge ended by", found.ended_words), ("ladder ended by", found.ladder_ended_words)):
        if text:
            shown.add_row(words, text)
    ending = run.ending
    off = {True: "confirmed", False: "NOT CONFIRMED", None: "not recorded"}[ending.off_confirmed]
    shown.add_row("run", f"{ending.how}: {ending.why}")
    shown.add_row("off", off)
    lacks = run.info.lacks
    shown.add_row("the bench lacks", "not recorded" if lacks is None else "\n".join(lacks) or "nothing")
    if accuracy := accuracy_words(found):
        shown.add_row("accuracy", accuracy)
    shown.add_row("flags", "\n".join([*found.flags, *run.problems]) or "none")
    return shown


def further_rows(found: Figures) -> list[tuple[str, str]]:
    """Return, in words, what each of a few cycles gave; all of them stand in result.json."""
    cycles = [(match[1], name) for name in found if (match := _CYCLE.fullmatch(name))]
    shown = cycles if len(cycles) <= _FEW else [*cycles[: _FEW // 2], *cycles[-_FEW // 2 :]]
    return [(f"cycle {cycle}, Ah", cell(found, name, 1.0, 3)) for cycle, name in shown]
