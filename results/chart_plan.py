"""The expected course of a plan as a chart, made in a process of its own.

`python -m benchwarden.results.chart_plan FILE`; what to draw comes as JSON from standard input. The file's name says
whether it is PNG or SVG. Needs matplotlib (extra `charts`).
"""

import json
import sys
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from matplotlib.axes import Axes
from matplotlib.transforms import blended_transform_factory

from benchwarden.results import chart_style as style

_HOUR_S = 3600.0


def plan_chart(data: Mapping[str, Any], path: Path) -> Path:
    """Draw voltage, current and temperature over the hours of a plan, shaded by step, and return the path.

    `data` as daemon/commands/show_plan.py makes it: `points` by name in lists of one length, `steps`, `title`,
    `assumed`.
    """
    points: Mapping[str, Sequence[float]] = data["points"]
    hours = [value / _HOUR_S for value in points["time_s"]]
    figure = style.new_figure(7.4)
    volts, amperes, degrees = figure.subplots(3, 1, sharex=True, height_ratios=(3, 2, 2))
    volts.plot(hours, points["voltage_v"], color=style.COLOURS[0], linewidth=1.6, label="pack")
    cut_offs_v = [data["series"] * value for value in data["cut_offs_v"]]
    for number, value in enumerate(cut_offs_v):
        label = "cut-off × groups" if number == 0 else None
        volts.axhline(value, color=style.COLOURS[1], linestyle="--", linewidth=1.2, label=label)
    amperes.plot(hours, points["current_a"], color=style.COLOURS[2], linewidth=1.4, label="positive charges")
    degrees.plot(hours, points["hottest_c"], color=style.COLOURS[1], linewidth=1.6, label="hottest sensor")
    degrees.plot(hours, points["ambient_c"], color=style.COLOURS[5], linestyle=":", linewidth=1.4, label="ambient")
    style.dress(volts, "", "voltage, V")
    style.dress(amperes, "", "current, A")
    style.dress(degrees, "time since the start, h", "temperature, °C")
    for axes, columns in ((volts, 2), (amperes, 1), (degrees, 2)):
        style.key(axes, columns)
    _shade((volts, amperes, degrees), data["steps"])
    volts.set_xlim(0.0, max(hours[-1], 1e-3))
    style.title(figure, data["title"])
    words = [f"about {data['duration_s'] / _HOUR_S:.1f} h", *data["assumed"]]
    if data["ended_early"]:
        words.append(data["ended_early"])
    style.caption(figure, "expected, not measured: " + "\n".join(words) + "\nshaded by step")
    figure.savefig(path, format=path.suffix[1:].lower(), facecolor="white")
    return path


def _shade(panels: Sequence[Axes], steps: Sequence[Mapping[str, Any]]) -> None:
    whole_s = max(sum(step["duration_s"] for step in steps), 1e-9)
    place = blended_transform_factory(panels[0].transData, panels[0].transAxes)
    for step in steps:
        begin, end = step["began_s"] / _HOUR_S, (step["began_s"] + step["duration_s"]) / _HOUR_S
        for axes in panels:
            axes.axvspan(begin, end, color=style.SHADES.get(step["kind"], "#f4f4f4"), linewidth=0, zorder=0)
        share = step["duration_s"] / whole_s
        if share > 0.012:
            words = f"{step['number']} {step['kind']}" if share > 0.075 else str(step["number"])
            panels[0].text(
                (begin + end) / 2, 1.01, words, transform=place, ha="center", va="bottom", fontsize=9, color=style.GREY
            )


def main(arguments: Sequence[str]) -> int:
    """Draw what standard input says to the file named first; returns 0."""
    plan_chart(json.load(sys.stdin), Path(arguments[0]))
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
