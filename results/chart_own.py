"""Charts of what single profiles measure: resistance and power over the charge drawn, and charge over cycles.

The same for one run and for several: a curve a run. Bars and bands are ± U, 95 %.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.ticker import MaxNLocator

from benchwarden.results import chart_style as style
from benchwarden.results.chart_place import DrawnChart
from benchwarden.results.figure import Figure, Figures
from benchwarden.results.pulse_names import longest, pulse_ohms, pulse_powers

_CYCLE = re.compile(r"cycle_(\d+)_ah")
_MARKERS = ("o", "s", "^", "D", "v", "P", "X", "<", ">")
MOST_MARKED = 30
"""So many cycles have a marker and a bar each; more are a line with a band."""


@dataclass(frozen=True, slots=True)
class Told:
    """One run's figures, what stands for it in the key (None: another of its pack does), its colour and dash."""

    found: Figures
    label: str | None
    look: dict[str, Any]
    place: int = 0


def own_charts(runs: Sequence[Told], before: str, about: str, caption: str, out: Path) -> list[DrawnChart]:
    """Write the charts of pulses and of cycles that there is data for into `out`.

    `before` begins the charts' names, `about` their headings. Several runs are drawn at the longest pulse only.
    """
    drawn: list[DrawnChart] = []
    if any(pulse_ohms(one.found) for one in runs):
        drawn.append(_pulses(runs, before, about, caption, out))
    if any(len(_cycles(one.found)) > 1 for one in runs):
        drawn.append(_over_cycles(runs, before, about, caption, out))
    return drawn


def _heading(about: str, words: str) -> str:
    return f"{about}{words}" if about else words[0].upper() + words[1:]


def _curve(axes: Axes, told: Told, points: Sequence[tuple[float, Figure]], factor: float, **how: Any) -> None:
    """Draw figures as points with their bars, joined by a line."""
    if not points:
        return
    values = [one.value * factor for _, one in points]
    spreads = [(one.U or 0.0) * factor for _, one in points]
    axes.errorbar(
        [place for place, _ in points],
        values,
        yerr=spreads,
        **{
            "marker": _MARKERS[told.place % len(_MARKERS)],
            "markersize": 4,
            "markerfacecolor": told.look["color"],
            "capsize": 2.5,
            "elinewidth": 0.9,
            "linewidth": 1.3,
            **told.look,
            **how,
        },
    )


def _pulses(runs: Sequence[Told], before: str, about: str, caption: str, out: Path) -> DrawnChart:
    figure = style.new_figure(3.9)
    left, right = figure.subplots(1, 2)
    rates: dict[str, None] = {}
    for told in runs:
        ohms = pulse_ohms(told.found)
        times = sorted({one.time_s for one in (ohms if len(runs) == 1 else longest(ohms))}, reverse=True)
        for index, time_s in enumerate(times):
            points = [(one.percent, told.found[one.name]) for one in ohms if one.time_s == time_s]
            rates[f"{ohms[0].rate_c:g}C"] = None
            how: dict[str, Any] = {"label": told.label and style.label(told.label)}
            if len(runs) == 1:
                how = {
                    "label": f"after {time_s:g} s",
                    "color": style.COLOURS[index % len(style.COLOURS)],
                    "markerfacecolor": style.COLOURS[index % len(style.COLOURS)],
                    "linestyle": style.DASHES[index % len(style.DASHES)],
                    "marker": _MARKERS[index % len(_MARKERS)],
                }
            _curve(left, told, points, 1000.0, **how)
        _curve(right, told, [(percent, told.found[name]) for percent, name in pulse_powers(told.found)], 1.0)
    shown_s = max((one.time_s for told in runs for one in pulse_ohms(told.found)), default=0.0)
    after = "" if len(runs) == 1 else f" after {shown_s:g} s"
    style.dress(left, "charge drawn before the pulse, %", f"resistance{after} at {' / '.join(rates)}, mΩ")
    style.dress(right, "charge drawn before the pulse, %", f"power to the cut-off for {shown_s:g} s, W")
    for axes in (left, right):
        axes.set_xlim(0.0, 100.0)
        axes.set_ylim(0.0, axes.get_ylim()[1] * 1.12)
    style.key(left, where="lower left")
    heading = _heading(about, "resistance and power over the charge drawn")
    style.title(figure, heading)
    style.caption(figure, f"{caption}\nbars ± U, 95 %; power is worked out from voltage and resistance, not drawn")
    words = "Resistance of the pack in each pulse and the power that follows from it, over the charge drawn before it."
    return style.save(figure, out, f"{before}pulses", heading, words)


def _cycles(found: Figures) -> list[tuple[float, Figure]]:
    """Return number and charge of the cycles that the pack itself ended: what was broken off tells nothing."""
    cycles = [(float(match[1]), one) for name, one in found.items() if (match := _CYCLE.fullmatch(name))]
    return sorted((pair for pair in cycles if not pair[1].at_least), key=lambda pair: pair[0])


def _over_cycles(runs: Sequence[Told], before: str, about: str, caption: str, out: Path) -> DrawnChart:
    figure = style.new_figure(3.8)
    axes = figure.subplots()
    for told in runs:
        points = _cycles(told.found)
        label = told.label and style.label(told.label)
        if len(points) <= MOST_MARKED:
            _curve(axes, told, points, 1.0, label=label)
            continue
        numbers = np.array([number for number, _ in points])
        values = np.array([one.value for _, one in points])
        spreads = np.array([one.U or 0.0 for _, one in points])
        style.line(axes, numbers, values, **told.look, linewidth=1.3, label=label)
        axes.fill_between(
            numbers, values - spreads, values + spreads, color=told.look["color"], alpha=0.15, linewidth=0
        )
    style.dress(axes, "cycle", "charge delivered, Ah")
    axes.xaxis.set_major_locator(MaxNLocator(integer=True))
    style.key(axes, 1 + len(runs) // 8, "lower left")
    heading = _heading(about, "charge over the cycles")
    style.title(figure, heading)
    shared = "± U, 95 %, of each cycle; the meter's gain is the same in all of one run and moves them together"
    style.caption(figure, f"{caption}\n{shared}")
    words = "Charge delivered in each cycle."
    return style.save(figure, out, f"{before}cycles", heading, words)
