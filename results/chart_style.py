"""How charts look: colours that stay apart for colour-blind readers, sizes, captions; no global state.

Colours also differ in lightness, and lines that could be mixed up differ in dash as well.
"""

import math
from collections.abc import Iterable
from datetime import datetime
from pathlib import Path
from typing import Literal

from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.layout_engine import ConstrainedLayoutEngine

from benchwarden.results.run import Run
from benchwarden.results.sample import ambient_c

COLOURS = ("#17476b", "#d4691e", "#1f9a8a", "#8d3a6f", "#b8912b", "#586675", "#5aa0d8", "#7c4a2d")
DASHES = ("-", "--", "-.", ":", (0, (5, 1, 1, 1, 1, 1)), (0, (8, 2)), (0, (1, 1)), (0, (4, 1, 4, 3)))
INK = "#1d2329"
GREY = "#69737d"
PALE = "#dfe4e8"
SHADES = {
    "charge": "#e3eefa",
    "discharge": "#fbe9dc",
    "ladder": "#f3e3ee",
    "store": "#e4f3ee",
    "rest": "#ffffff",
}
Corner = Literal["best", "upper left", "upper right", "lower left", "lower right"]
WIDTH_IN = 9.6
DPI = 120


def new_figure(height_in: float) -> Figure:
    """Return an empty figure of the common width, `height_in` inches high, with its own canvas."""
    figure = Figure(figsize=(WIDTH_IN, height_in), dpi=DPI, layout="constrained", facecolor="white")
    FigureCanvasAgg(figure)
    engine = figure.get_layout_engine()
    if isinstance(engine, ConstrainedLayoutEngine):
        engine.set(w_pad=0.12, h_pad=0.06)
    return figure


def dress(axes: Axes, x_label: str, y_label: str) -> None:
    """Give axes their labels with units, a quiet grid and readable type."""
    axes.set_xlabel(x_label, fontsize=11, color=INK)
    axes.set_ylabel(y_label, fontsize=11, color=INK)
    axes.tick_params(labelsize=10, colors=INK, direction="out", length=3.5)
    axes.grid(visible=True, color=PALE, linewidth=0.8)
    axes.set_axisbelow(True)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    for side in ("left", "bottom"):
        axes.spines[side].set_color(GREY)


def title(figure: Figure, text: str) -> None:
    """Put the chart's title above everything, at the left."""
    figure.suptitle(text, x=0.012, ha="left", fontsize=13.5, fontweight="bold", color=INK)


def caption(figure: Figure, text: str) -> None:
    """Put the procedure and the conditions below everything."""
    figure.supxlabel(text, x=0.012, ha="left", fontsize=9, color=GREY)


def key(axes: Axes, columns: int = 1, where: Corner = "best") -> None:
    """Show the legend of axes that have something to name."""
    if axes.get_legend_handles_labels()[1]:
        axes.legend(
            loc=where,
            ncols=columns,
            fontsize=9.5,
            frameon=True,
            framealpha=0.9,
            edgecolor=PALE,
        )


def save(figure: Figure, path: Path) -> Path:
    """Write the figure as PNG and return its path; the directory is made if it is missing."""
    path.parent.mkdir(parents=True, exist_ok=True)
    figure.savefig(path, format="png", facecolor="white")
    return path


def numbers(values: Iterable[float | None]) -> list[float]:
    """Return values for drawing: a missing one is NaN, which leaves a gap in the line."""
    return [math.nan if value is None else value for value in values]


def conditions(run: Run, *, named: bool = True) -> str:
    """Return in one line how a run was made: procedure (if `named`), surroundings, cooling, sense, start."""
    info = run.info
    around = [value for sample in run.samples if (value := ambient_c(sample, info.places)) is not None]
    parts = [info.title] if named else []
    if around:
        low, high = min(around), max(around)
        parts.append(f"ambient {low:.1f} °C" if high - low < 0.15 else f"ambient {low:.1f} to {high:.1f} °C")
    if info.cooling:
        parts.append(f"cooling: {info.cooling}")
    if info.sense:
        parts.append(f"sensed at: {info.sense}")
    if info.started_utc:
        parts.append(_day(info.started_utc))
    if info.others.get("simulated"):
        parts.append("simulated bench")
    return " · ".join(parts)


def _day(text: str) -> str:
    try:
        return datetime.fromisoformat(text).strftime("%Y-%m-%d %H:%M UTC")
    except ValueError:
        return text
