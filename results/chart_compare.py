"""Charts of several runs beside each other: figures with their intervals, voltage, temperature, resistance, power.

Runs of one pack share colour and dash; bars are means of a pack's runs (or of a design's specimens).
"""

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from matplotlib.axes import Axes

from benchwarden.results import chart_style as style
from benchwarden.results.chart_own import Told, own_charts
from benchwarden.results.chart_place import DrawnChart
from benchwarden.results.chart_run import resistance_parts, resistance_window
from benchwarden.results.compare import Compared, Comparison, headlines, observed, shown_rows
from benchwarden.results.integrate import running
from benchwarden.results.series import Numbers, Series
from benchwarden.results.verdict import Observed, mean_of, rounded

_PER_MASS = "energy_per_mass_wh_kg"
MOST_IN_KEY = 14


def comparison_charts(comparison: Comparison, out: Path) -> list[DrawnChart]:
    """Write the comparison's charts that there is data for into `out`, each as PNG and SVG.

    compare-bars, -voltage, -temperature, -resistance, -power, -pulses, -cycles.
    """
    written: list[DrawnChart] = []
    looks = _looks(comparison)
    names = _barred(comparison)
    if names:
        written.append(_bars(comparison, names, looks, out))
    curves = [(entry, curve) for entry in comparison.entries if len(curve := _curve(entry)) > 1]
    if len(curves) > 1:
        written.append(_voltage(comparison, curves, looks, out))
        if any(not np.isnan(curve.hottest(entry.run.info.places)[0]).all() for entry, curve in curves):
            written.append(_temperature(comparison, curves, looks, out))
    window = resistance_window([entry.figures for entry in comparison.entries])
    if window is not None:
        written.append(_resistance(comparison, window, looks, out))
    if any("peak_w_per_kg" in entry.figures and _PER_MASS in entry.figures for entry in comparison.entries):
        written.append(_power(comparison, looks, out))
    seen: set[str] = set()
    told = [
        Told(entry.figures, _named(comparison, entry, seen), looks[entry.pack], list(looks).index(entry.pack))
        for entry in comparison.entries
    ]
    written += own_charts(told, "compare-", "", _conditions(comparison), out)
    return written


def _barred(comparison: Comparison) -> list[str]:
    """Return the figures that are drawn as bars: what the runs are made for, and the resistance at load-on.

    Where a profile measures something of its own, what it delivered on the way and never to the end is left out.
    """
    names = dict.fromkeys(name for entry in comparison.entries for name in entry.figures)
    wanted = [name for name in headlines(names) if name != "peak_w_per_kg"]
    exact = {name for entry in comparison.entries for name, one in entry.figures.items() if not one.at_least}
    if wanted and wanted[0] != _PER_MASS:
        wanted = [name for name in wanted if name in exact or name not in (_PER_MASS, "delivered_wh")]
    return wanted + [name for name in ("dc_resistance_ohm",) if name in names]


def _looks(comparison: Comparison) -> dict[str, dict[str, Any]]:
    """Return colour and dash by pack."""
    packs = list(dict.fromkeys(entry.pack for entry in comparison.entries))
    return {
        pack: {
            "color": style.COLOURS[place % len(style.COLOURS)],
            "linestyle": style.DASHES[place % len(style.DASHES)],
        }
        for place, pack in enumerate(packs)
    }


def _curve(entry: Compared) -> Series:
    samples = Series.of(entry.run.samples)
    step = next((step for step in samples.steps() if step.kind == "discharge"), None)
    return samples[:0] if step is None else Series.of(step.samples).only("load").measured()


def _named(comparison: Comparison, entry: Compared, seen: set[str]) -> str | None:
    """Return what stands in the key for a run's curve: the pack and the number of its runs, once; None after that."""
    if entry.pack in seen:
        return None
    seen.add(entry.pack)
    count = sum(other.pack == entry.pack for other in comparison.entries)
    return style.label(f"{entry.pack}, {count} run{'s' if count > 1 else ''}")


def _key(axes: Axes, looks: Mapping[str, Any], where: style.Corner) -> None:
    if len(looks) <= MOST_IN_KEY:
        style.key(axes, 1 + len(looks) // 8, where)


def _voltage(
    comparison: Comparison, curves: Sequence[tuple[Compared, Series]], looks: Mapping[str, dict[str, Any]], out: Path
) -> DrawnChart:
    figure = style.new_figure(4.0)
    left, right = figure.subplots(1, 2, sharey=True)
    series = {entry.run.info.series for entry, _ in curves}
    # Packs of different group counts can only be read beside each other per group.
    per_group = len(series) > 1 and None not in series
    seen: set[str] = set()
    for entry, curve in curves:
        charge, energy = running(curve)
        volts: Numbers = curve.voltage_v / ((entry.run.info.series or 1) if per_group else 1)
        how = looks[entry.pack] | {"linewidth": 1.3}
        style.line(left, charge, volts, **how, label=_named(comparison, entry, seen))
        style.line(right, energy, volts, **how)
    style.dress(left, "charge delivered, Ah", "voltage per group, V" if per_group else "pack voltage, V")
    style.dress(right, "energy delivered, Wh", "")
    for axes in (left, right):
        axes.set_xlim(left=0.0)
    _key(left, looks, "lower left")
    heading = "Voltage under load, over charge and over energy"
    style.title(figure, heading)
    style.caption(figure, _conditions(comparison))
    words = "Voltage under load of every run, over the charge and over the energy that it delivered."
    return style.save(figure, out, "compare-voltage", heading, words)


def _temperature(
    comparison: Comparison, curves: Sequence[tuple[Compared, Series]], looks: Mapping[str, dict[str, Any]], out: Path
) -> DrawnChart:
    figure = style.new_figure(3.6)
    axes = figure.subplots()
    seen: set[str] = set()
    for entry, curve in curves:
        minutes = (curve.test_time_s - curve.test_time_s[0]) / 60.0
        hottest, _ = curve.hottest(entry.run.info.places)
        named = _named(comparison, entry, seen)
        style.line(axes, minutes, hottest, **looks[entry.pack], linewidth=1.3, label=named)
    style.dress(axes, "time under load, min", "hottest sensor on the pack, °C")
    axes.set_xlim(left=0.0)
    _key(axes, looks, "upper left")
    heading = "Temperature during the discharge"
    style.title(figure, heading)
    style.caption(figure, _conditions(comparison))
    words = "The hottest temperature measured on each pack during its discharge."
    return style.save(figure, out, "compare-temperature", heading, words)


def _bars(comparison: Comparison, names: Sequence[str], looks: Mapping[str, dict[str, Any]], out: Path) -> DrawnChart:
    packs = max(len(observed(comparison, name)) for name in names)
    rows = (len(names) + 1) // 2
    figure = style.new_figure(0.9 + rows * (0.62 + 0.34 * packs))
    grid = figure.subplots(rows, 2, squeeze=False)
    every = list(grid.flat)
    for axes, name in zip(every, names, strict=False):
        _bar(axes, comparison, name, looks)
    for axes in every[len(names) :]:
        axes.set_visible(False)
    heading = "Figures with their intervals"
    style.title(figure, heading)
    style.caption(figure, _conditions(comparison, bars=names))
    words = "Bars of the means of each pack's runs with 95 % intervals; points are single runs."
    return style.save(figure, out, "compare-bars", heading, words)


def _bar(axes: Axes, comparison: Comparison, name: str, looks: Mapping[str, dict[str, Any]]) -> None:
    rows_of = shown_rows(entry.figures for entry in comparison.entries)
    words, factor, decimals = next((row[1], row[2], row[3]) for row in rows_of if row[0] == name)
    sides = observed(comparison, name)
    everyone = list(dict.fromkeys([*(entry.pack for entry in comparison.entries)]))
    rows = list(sides) if set(sides) - set(everyone) else everyone
    tops: list[float] = [1e-12]
    for place, who in enumerate(rows):
        side = sides.get(who)
        if not side:
            axes.text(0.01, place, "not measured", va="center", fontsize=7, color=style.GREY)
            continue
        value, spread, text, bound = _shown(side, factor, decimals)
        colour = looks.get(who, {"color": style.COLOURS[place % len(style.COLOURS)]})["color"]
        axes.barh(
            place,
            value,
            height=0.62,
            color=colour,
            alpha=0.75,
            hatch="//" if bound else None,
            edgecolor="white",
            xerr=spread,
            error_kw={"capsize": 3, "elinewidth": 1.1, "ecolor": style.INK},
        )
        if len(side) > 1:
            singles = [one.figure.value * factor for one in side]
            dots: dict[str, Any] = {"marker": "o", "markersize": 2.6, "linestyle": "none", "color": style.INK}
            axes.plot(singles, [place] * len(singles), **dots)
            tops += singles
        tops.append(value + (spread or 0.0))
        axes.text(0.015, place, text, transform=axes.get_yaxis_transform(), **_INSIDE)
    style.dress(axes, words, "")
    axes.grid(visible=False, axis="y")
    axes.tick_params(axis="y", length=0)
    counts = {who: len(sides.get(who, [])) for who in rows}
    axes.set_yticks(range(len(rows)), [f"{who} ({counts[who]})" for who in rows])
    axes.set_ylim(len(rows) - 0.4, -0.6)
    axes.set_xlim(0.0, max(tops) * 1.06)


_INSIDE: dict[str, Any] = {
    "va": "center",
    "ha": "left",
    "fontsize": 7.5,
    "color": style.INK,
    "bbox": {"boxstyle": "round,pad=0.18", "facecolor": "white", "edgecolor": "none", "alpha": 0.9},
}


def _shown(side: Sequence[Observed], factor: float, decimals: int) -> tuple[float, float | None, str, bool]:
    """Return a bar's length, its interval, its words, and whether it is a lower bound only."""
    exact = [one for one in side if not one.figure.at_least]
    if not exact:
        value = min(one.figure.value for one in side) * factor
        return value, None, f"≥ {value:.{decimals}f}", True
    mean = mean_of(exact)
    if mean is None:
        value = float(np.mean([one.figure.value for one in exact])) * factor
        return value, None, f"{value:.{decimals}f} (no accuracy stated)", False
    value, spread = mean.value * factor, mean.U * factor
    return value, spread, rounded(value, spread), False


def _resistance(
    comparison: Comparison, window: tuple[str, str], looks: Mapping[str, dict[str, Any]], out: Path
) -> DrawnChart:
    figure = style.new_figure(3.8)
    axes = figure.subplots()
    packs = list(looks)
    names: list[str] = []
    for entry in comparison.entries:
        names += [words for words, _ in resistance_parts(entry.figures, window[0]) if words not in names]
    names.sort(key=lambda words: (not words.startswith("group"), len(words), words))
    wide = 0.8 / len(packs)
    for place, pack in enumerate(packs):
        runs = [dict(resistance_parts(e.figures, window[0])) for e in comparison.entries if e.pack == pack]
        for index, name in enumerate(names):
            side = [
                Observed(pack, f"{pack} {number}", found[name]) for number, found in enumerate(runs) if name in found
            ]
            if not side:
                continue
            value, spread, _, _ = _shown(side, 1000.0, 2)
            axes.bar(
                index - 0.4 + wide * (place + 0.5),
                value,
                width=wide * 0.94,
                color=looks[pack]["color"],
                hatch=_HATCHES[place % len(_HATCHES)],
                edgecolor="white",
                linewidth=0.4,
                yerr=spread,
                error_kw={"capsize": max(0.5, 6 * wide), "elinewidth": 0.8, "ecolor": style.INK},
                label=style.label(f"{pack}, {len(side)} run{'s' if len(side) > 1 else ''}") if index == 0 else None,
            )
    style.dress(axes, "", f"resistance {window[1]} after load-on, mΩ")
    axes.set_xticks(range(len(names)), names)
    axes.grid(visible=False, axis="x")
    axes.margins(y=0.12)
    _key(axes, looks, "best")
    heading = "Where the resistance sits"
    style.title(figure, heading)
    states = "".join(f"{of}; " for of in dict.fromkeys(entry.figures.edges_of for entry in comparison.entries) if of)
    joints = "each group with its joints; means, bars ± U, 95 %"
    style.caption(figure, f"{_conditions(comparison)}\n{states}{joints}")
    words = f"Resistance of each group with its joints and of leads and connector, {window[1]} after the load went on."
    return style.save(figure, out, "compare-resistance", heading, words)


_POINTS = "one point a run, bars ± U, 95 %, upwards to the burst that was not held; hollow: a lower bound"
_HATCHES = (None, "//", "\\\\", "..", "xx", "--", "||")
_MARKERS = ("o", "s", "^", "D", "v", "P", "X", "<", ">")


def _power(comparison: Comparison, looks: Mapping[str, dict[str, Any]], out: Path) -> DrawnChart:
    figure = style.new_figure(3.8)
    axes = figure.subplots()
    seen: set[str] = set()
    for entry in comparison.entries:
        energy, power = entry.figures.get(_PER_MASS), entry.figures.get("peak_w_per_kg")
        if energy is None or power is None:
            continue
        look, place = looks[entry.pack], list(looks).index(entry.pack)
        axes.errorbar(
            energy.value,
            power.value,
            xerr=energy.U,
            yerr=None if power.U is None else [[power.U], [power.U + (power.limit_above or 0.0)]],
            marker=_MARKERS[place % len(_MARKERS)],
            markersize=5.5,
            markerfacecolor="white" if energy.at_least or power.at_least else look["color"],
            color=look["color"],
            ecolor=look["color"],
            capsize=2.5,
            elinewidth=0.9,
            linestyle="none",
            label=_named(comparison, entry, seen),
        )
    hold = next((e.figures["peak_hold_s"].value for e in comparison.entries if "peak_hold_s" in e.figures), None)
    style.dress(axes, "energy per mass, Wh/kg", f"power per mass held{f' for {hold:.0f} s' if hold else ''}, W/kg")
    axes.margins(0.15)
    _key(axes, looks, "best")
    heading = "Power against energy per mass"
    style.title(figure, heading)
    style.caption(figure, f"{_conditions(comparison)}\n{_POINTS}")
    words = "One point a run: the burst power it held against the energy it delivered, both per mass of the pack."
    return style.save(figure, out, "compare-power", heading, words)


def _conditions(comparison: Comparison, *, bars: Sequence[str] = ()) -> str:
    lines = [style.conditions([entry.run for entry in comparison.entries]), f"fingerprint {comparison.fingerprint}"]
    if bars:
        words = "means of so many runs (number), bars ± U, 95 %; points: single runs"
        shown = [entry.figures[name] for entry in comparison.entries for name in bars if name in entry.figures]
        if any(figure.at_least for figure in shown):
            words += "; ≥ and hatching: something other than the pack ended the test"
        lines[-1] += f" · {words}"
    return "\n".join(lines)
