"""How charts look: colours that stay apart for colour-blind readers, sizes, captions, thinning of long curves.

Colours: M. Okabe and K. Ito, Color Universal Design (2008), without its yellow, which is lost on white. Lines that
could be mixed up differ in dash as well. The width is that of two columns of a printed page; PNG has 300 dots an inch.
"""

import io
import math
import re
from collections.abc import Sequence
from datetime import datetime
from itertools import pairwise
from pathlib import Path
from typing import Any, Literal

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.container import BarContainer
from matplotlib.figure import Figure
from matplotlib.gridspec import GridSpec
from matplotlib.layout_engine import ConstrainedLayoutEngine
from matplotlib.text import Text

from benchwarden.results.chart_place import DrawnChart
from benchwarden.results.run import Run
from benchwarden.results.series import Numbers, Series

COLOURS = ("#0072B2", "#D55E00", "#000000", "#009E73", "#CC79A7", "#56B4E9", "#E69F00")
DASHES: tuple[Any, ...] = ("-", "--", "-.", (0, (1, 1)), (0, (5, 1, 1, 1, 1, 1)), (0, (8, 2)), (0, (1, 2)), (0, (3, 3)))
INK = "#1d2329"
GREY = "#59636d"
PALE = "#dfe4e8"
SHADES = {
    "charge": "#e3eefa",
    "discharge": "#fbe9dc",
    "ladder": "#f3e3ee",
    "store": "#e4f3ee",
    "rest": "#ffffff",
}
Corner = Literal["best", "upper left", "upper right", "lower left", "lower right"]
WIDTH_IN = 7.2
NARROW_IN = 3.8
"""Width of the drawing for phones: one to one on a screen of 390 px."""
DPI = 300
SLICES = 900
"""A long curve is drawn as the highest and the lowest value of so many slices: more than a printer tells apart."""
STYLE: dict[Any, Any] = {
    "text.parse_math": False,  # a pack's name may hold dollar signs
    "svg.fonttype": "none",  # text stays text: it can be searched, and the reader's own typeface fits
    "svg.hashsalt": "benchwarden",  # the same chart twice is the same file
    "font.family": "sans-serif",
    "font.sans-serif": ["DejaVu Sans"],
}
# This module lives in a process that draws charts and does nothing else, so that its settings may be the process's.
mpl.rcParams.update(STYLE)


def new_figure(height_in: float) -> Figure:
    """Return an empty figure of the common width, `height_in` inches high, with its own canvas."""
    figure = Figure(figsize=(WIDTH_IN, height_in), dpi=DPI, layout="constrained", facecolor="white")
    FigureCanvasAgg(figure)
    engine = figure.get_layout_engine()
    if isinstance(engine, ConstrainedLayoutEngine):
        engine.set(w_pad=0.08, h_pad=0.05)
    return figure


def dress(axes: Axes, x_label: str, y_label: str) -> None:
    """Give axes their labels with units, a quiet grid and readable type."""
    axes.set_xlabel(x_label, fontsize=8.5, color=INK)
    axes.set_ylabel(y_label, fontsize=8.5, color=INK)
    axes.tick_params(labelsize=8, colors=INK, direction="out", length=3)
    axes.grid(visible=True, color=PALE, linewidth=0.6)
    axes.set_axisbelow(True)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    for side in ("left", "bottom"):
        axes.spines[side].set_color(GREY)


_TITLE: dict[str, Any] = {"x": 0.012, "ha": "left", "fontsize": 10.5, "fontweight": "bold", "color": INK}
_CAPTION: dict[str, Any] = {"x": 0.012, "ha": "left", "fontsize": 7, "color": GREY}


def title(figure: Figure, text: str) -> None:
    """Put the chart's title above everything, at the left."""
    figure.suptitle(text, **_TITLE)


def caption(figure: Figure, text: str) -> None:
    """Put the procedure and the conditions below everything, broken into lines that fit."""
    figure.set_label(text)  # is not drawn: the narrow drawing breaks it anew
    figure.supxlabel(broken(text, 150), **_CAPTION)


def broken(text: str, longest: int) -> str:
    """Return a text with its lines broken where they have more letters than `longest`; a longer word stays whole."""
    return "\n".join(line for part in text.splitlines() for line in _broken(part, longest))


def _broken(text: str, longest: int) -> list[str]:
    lines = [""]
    for part in re.findall(r"\S+\s*", text):
        if lines[-1] and len(lines[-1]) + len(part.rstrip()) > longest:
            lines.append("")
        lines[-1] += part
    return [line.rstrip() for line in lines]


def key(axes: Axes, columns: int = 1, where: Corner = "best") -> None:
    """Show the legend of axes that have something to name."""
    if axes.get_legend_handles_labels()[1]:
        axes.legend(
            loc=where,
            ncols=columns,
            fontsize=7.5,
            frameon=True,
            framealpha=0.9,
            edgecolor=PALE,
            handlelength=3.2,
        )


def label(text: str) -> str:
    """Return a text as a legend shows it: one that begins with an underscore would be left out."""
    return f" {text}" if text.startswith("_") else text


def save(figure: Figure, out: Path, name: str, heading: str, words: str) -> DrawnChart:
    """Write the figure as PNG and SVG under its name, and draw it for phones; the directory is made if it is missing.

    The figure is not to be used after that.
    """
    out.mkdir(parents=True, exist_ok=True)
    png, svg = out / f"{name}.png", out / f"{name}.svg"
    figure.savefig(png, format="png", facecolor="white", pil_kwargs={"compress_level": 4})
    engine = figure.get_layout_engine()
    if engine is not None:
        figure.set_layout_engine("none")  # it is laid out; a second time would only cost
    figure.savefig(svg, format="svg", facecolor="white", metadata={"Date": None, "Creator": "benchwarden"})
    return DrawnChart(name, heading, words, png, svg, _narrow(figure))


def _narrow(figure: Figure) -> str:
    """Return the figure as SVG for a screen of 390 px: in type that can be read there, what was beside now below."""
    stacked = _stacked(figure)
    height_in = float(figure.get_size_inches()[1])
    caption_words = broken(str(figure.get_label()), 72)
    more_in = 0.13 * (caption_words.count("\n") + 1)
    figure.set_size_inches(NARROW_IN, 0.8 + (height_in - 0.9) * stacked * (0.85 if stacked == 1.0 else 0.9) + more_in)
    figure.supxlabel(caption_words, **_CAPTION)
    figure.suptitle(broken(figure.get_suptitle(), 42), **_TITLE | {"fontsize": 9.5})
    figure.set_layout_engine("constrained", w_pad=0.05, h_pad=0.05)
    figure.draw_without_rendering()
    for axes in figure.axes:
        _make_room(axes)
    file = io.StringIO()
    figure.savefig(file, format="svg", facecolor="white", metadata={"Date": None, "Creator": "benchwarden"})
    return file.getvalue()


def _stacked(figure: Figure) -> float:
    """Put charts that stand beside each other below each other; return by how much the rows became more."""
    shown = [axes for axes in figure.axes if axes.get_visible()]
    places = [place for axes in shown if (place := axes.get_subplotspec()) is not None]
    grid = places[0].get_gridspec() if places else None
    if grid is None or grid.ncols == 1:
        return 1.0
    below = GridSpec(len(shown), 1, figure=figure)
    for row, axes in enumerate(shown):
        axes.set_subplotspec(below[row])
        axes.tick_params(labelleft=True)
        if not axes.get_ylabel() and axes.get_shared_y_axes().joined(axes, shown[0]):
            axes.set_ylabel(shown[0].get_ylabel(), fontsize=8.5, color=INK)
    return len(shown) / grid.nrows


def _make_room(axes: Axes) -> None:
    """Turn what would overlap where there is less room; a text with a label of its own is shortened to that."""
    if axes.get_legend() and any(isinstance(one, BarContainer) for one in axes.containers):
        axes.set_ylim(top=1.4 * axes.get_ylim()[1])  # else the key lies on the bars
    if _overlap([text for text in axes.get_xticklabels() if text.get_text()]):
        axes.tick_params(axis="x", labelrotation=90)
    if not _overlap(axes.texts):
        return
    tall = False
    for text in axes.texts:
        if text.get_label():
            text.set_text(str(text.get_label()))
        else:
            text.set_rotation(90)
            tall = True
    if tall:
        axes.set_ylim(top=1.3 * axes.get_ylim()[1])
    last_px = -math.inf
    for text in axes.texts:
        where = text.get_window_extent()
        if text.get_label() and where.x0 < last_px + _GAP_PX:
            text.set_visible(False)
        else:
            last_px = where.x1


_GAP_PX = 8.0
"""Between two texts beside each other, at the PNG's dots an inch (two points)."""


def _overlap(texts: Sequence[Text]) -> bool:
    places = [text.get_window_extent().padded(_GAP_PX / 2) for text in texts]
    return any(one.overlaps(other) for one, other in pairwise(places))


def thinned(x: Numbers, y: Numbers, slices: int = SLICES) -> tuple[Numbers, Numbers]:
    """Return a curve's first, lowest, highest and last point in each of so many slices of its rows; gaps stay gaps."""
    count = len(x)
    if count <= 4 * slices:
        return x, y
    size = count // slices
    whole = size * slices
    table = y[:whole].reshape(slices, size)
    starts = np.arange(slices) * size
    missing = np.isnan(table)
    keep = [
        starts,
        starts + size - 1,
        starts + np.argmin(np.where(missing, np.inf, table), axis=1),
        starts + np.argmax(np.where(missing, -np.inf, table), axis=1),
        np.flatnonzero(np.diff(np.isnan(y).astype(np.int8))),
        np.flatnonzero(np.diff(np.isnan(y).astype(np.int8))) + 1,
        np.array([*range(whole, count, max(1, (count - whole) // 4)), count - 1]),
    ]
    rows = np.unique(np.concatenate(keep))
    return x[rows], y[rows]


def line(axes: Axes, x: Numbers, y: Numbers, **how: Any) -> None:
    """Draw a curve, thinned if it is long."""
    axes.plot(*thinned(x, y), **how)


def conditions(runs: Sequence[Run], *, named: bool = True) -> str:
    """Return in one line how runs were made: their number, procedure (if `named`), surroundings, cooling, sense, when.

    Where runs differ, all that was found stands there.
    """
    infos = [run.info for run in runs]
    parts = [f"{len(runs)} run{'s' if len(runs) > 1 else ''}"]
    if named:
        parts.append(_each([info.title for info in infos]))
    around = [found for run in runs if (found := Series.of(run.samples).ambient(run.info.places)) is not None]
    if around:
        low, high = min(pair[0] for pair in around), max(pair[1] for pair in around)
        parts.append(f"ambient {low:.1f} °C" if high - low < 0.15 else f"ambient {low:.1f} to {high:.1f} °C")
    if len(around) < len(runs):
        parts.append("ambient not measured" if not around else f"ambient not measured in {len(runs) - len(around)}")
    parts += [f"cooling: {_each([info.cooling or 'not named' for info in infos])}"]
    parts += [f"sensed at: {_each([info.sense or 'not named' for info in infos])}"]
    days = sorted({day(info.started_utc) for info in infos if info.started_utc})
    if days:
        parts.append(days[0] if len(days) == 1 else f"{days[0][:10]} to {days[-1][:10]}")
    if any(info.others.get("simulated") for info in infos):
        parts.append("simulated bench" if all(info.others.get("simulated") for info in infos) else "some simulated")
    if any(info.imported for info in infos):
        parts.append("imported" if all(info.imported for info in infos) else "some imported")
    return " · ".join(parts)


def _each(texts: Sequence[str]) -> str:
    return " / ".join(dict.fromkeys(texts))


def day(text: str) -> str:
    """Return a time of run.json as people write it: "2026-11-25 21:04 UTC"."""
    try:
        return datetime.fromisoformat(text).strftime("%Y-%m-%d %H:%M UTC")
    except ValueError:
        return text
