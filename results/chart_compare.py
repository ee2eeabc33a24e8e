"""Charts of several runs beside each other: voltage over the share of charge, energy per mass, peak."""

from pathlib import Path

from matplotlib.axes import Axes

from benchwarden.results import chart_style as style
from benchwarden.results.compare import Compared, Comparison
from benchwarden.results.discharge import sag_curve

BARS = ("energy_per_mass_wh_kg", "peak_c")
"""The figures that are drawn as bars, left and right."""


def comparison_charts(comparison: Comparison, out: Path) -> list[Path]:
    """Write the comparison's charts that there is data for into `out` and return their paths.

    compare-voltage.png when two runs or more have a discharge; compare-bars.png when any run has energy per
    mass or a peak.
    """
    written: list[Path] = []
    curves = [(entry, curve) for entry in comparison.entries if len(curve := _curve(entry)) > 1]
    if len(curves) > 1:
        written.append(_voltage(comparison, curves, out / "compare-voltage.png"))
    if any(name in entry.figures for entry in comparison.entries for name in BARS):
        written.append(_bars(comparison, out / "compare-bars.png"))
    return written


def _curve(entry: Compared) -> list[tuple[float, float, int]]:
    step = next((step for step in entry.run.steps() if step.kind == "discharge"), None)
    return [] if step is None else sag_curve([s for s in step.samples if s.output == "load"])


def _voltage(comparison: Comparison, curves: list[tuple[Compared, list[tuple[float, float, int]]]], path: Path) -> Path:
    figure = style.new_figure(5.6)
    axes = figure.subplots()
    series = {entry.run.info.series for entry, _ in curves}
    # Packs of different group counts can only be read beside each other per group.
    per_group = len(series) > 1 and None not in series
    for index, (entry, curve) in enumerate(curves):
        rated = entry.run.info.rated_capacity_ah
        whole = rated or curve[-1][0]
        divisor = (entry.run.info.series or 1) if per_group else 1
        axes.plot(
            [100.0 * point[0] / whole for point in curve],
            [point[1] / divisor for point in curve],
            color=style.COLOURS[index % len(style.COLOURS)],
            linestyle=style.DASHES[index % len(style.DASHES)],
            linewidth=1.9,
            label=entry.label if rated else f"{entry.label} (of delivered: no rated capacity)",
        )
    style.dress(
        axes,
        "charge delivered, % of rated capacity",
        "voltage per group under load, V" if per_group else "pack voltage under load, V",
    )
    axes.set_xlim(left=0.0)
    style.key(axes, where="lower left")
    style.title(figure, "Voltage over the charge delivered")
    style.caption(figure, _conditions(comparison))
    return style.save(figure, path)


def _bars(comparison: Comparison, path: Path) -> Path:
    figure = style.new_figure(1.9 + 0.55 * len(comparison.entries))
    left, right = figure.subplots(1, 2, sharey=True)
    for axes, name in zip((left, right), BARS, strict=True):
        _bar(axes, comparison, name, 1)
    style.dress(left, "energy per mass, Wh/kg", "")
    style.dress(right, "peak, multiple of rated capacity per hour (C)", "")
    for axes in (left, right):
        axes.grid(visible=False, axis="y")
        axes.tick_params(axis="y", length=0)
    left.set_yticks(range(len(comparison.entries)), [entry.label for entry in comparison.entries])
    left.invert_yaxis()
    style.title(figure, "Energy per mass, and the highest burst that was held")
    style.caption(figure, _conditions(comparison, bars=True))
    return style.save(figure, path)


def _bar(axes: Axes, comparison: Comparison, name: str, decimals: int) -> None:
    highest = max((e.figures[name].value for e in comparison.entries if name in e.figures), default=1.0)
    for place, entry in enumerate(comparison.entries):
        figure = entry.figures.get(name)
        if figure is None:
            axes.text(0.02 * highest, place, "not measured", va="center", fontsize=10, color=style.GREY)
            continue
        axes.barh(
            place,
            figure.value,
            height=0.62,
            color=style.COLOURS[place % len(style.COLOURS)],
            hatch="//" if figure.at_least else None,
            edgecolor="white",
        )
        text = f"{'≥ ' if figure.at_least else ''}{figure.value:.{decimals}f}"
        axes.text(
            figure.value + 0.015 * highest,
            place,
            text,
            va="center",
            ha="left",
            fontsize=10.5,
            color=style.INK,
        )
    axes.set_xlim(0.0, highest * 1.18)


def _conditions(comparison: Comparison, *, bars: bool = False) -> str:
    lines = [f"{comparison.title} · fingerprint {comparison.fingerprint}"]
    for entry in comparison.entries:
        lines.append(f"{entry.label}: {style.conditions(entry.run, named=False)}")
    shown = [entry.figures[name] for entry in comparison.entries for name in BARS if name in entry.figures]
    if bars and any(figure.at_least for figure in shown):
        lines.append("≥ and hatching: something other than the pack ended the test")
    return "\n".join(lines)
