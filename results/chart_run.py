"""Charts of one run: overview, voltage over charge and energy, groups at the end, ladder, where the resistance sits."""

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.transforms import blended_transform_factory

from benchwarden.results import chart_style as style
from benchwarden.results.chart_own import Told, own_charts
from benchwarden.results.chart_place import DrawnChart
from benchwarden.results.columns import AMBIENT
from benchwarden.results.figure import Figure, Figures
from benchwarden.results.integrate import SAG_PERCENT, running
from benchwarden.results.ladder import bursts_of, lowest_groups, planned_step
from benchwarden.results.run import Run, StepSpan
from benchwarden.results.series import Series
from benchwarden.results.verdict import rounded

WINDOWS = (("1_s", "1 s"), ("100_ms", "0.1 s"), ("10_s", "10 s"))
"""The times after load-on for which a resistance chart may be drawn: the first that was measured counts."""


def run_charts(run: Run, found: Figures, out: Path) -> list[DrawnChart]:
    """Write the charts that this run has data for into `out`, each as PNG and SVG.

    overview; sag and groups with a discharge; ladder with a ladder; resistance where load edges show it; pulses with a
    pulse series; cycles with a repeat.
    """
    written: list[DrawnChart] = []
    samples = Series.of(run.samples)
    if not len(samples):
        return written
    run = replace(run, samples=samples)
    written.append(_overview(run, samples, out))
    discharge = next((step for step in samples.steps() if step.kind == "discharge"), None)
    if discharge is not None:
        loaded = Series.of(discharge.samples).only("load")
        if len(loaded.measured()) > 1:
            written.append(_sag(run, found, loaded, out))
        if not np.isnan(loaded.groups_v).all():
            written.append(_groups(run, found, discharge, loaded, out))
    ladder = next((step for step in samples.steps() if step.kind == "ladder"), None)
    if ladder is not None and found.rungs:
        written.append(_ladder(run, found, ladder, out))
    window = resistance_window([found])
    if window is not None:
        written.append(_resistance(run, found, window, out))
    told = Told(found, None, {"color": style.COLOURS[0], "linestyle": "-"})
    written += own_charts([told], "", f"{run.info.pack_name}: ", _ended(run), out)
    return written


def _overview(run: Run, samples: Series, out: Path) -> DrawnChart:
    figure = style.new_figure(5.6)
    axes = figure.subplots(3, 1, sharex=True, height_ratios=(3, 1.5, 2))
    span_s = float(samples.test_time_s[-1] - samples.test_time_s[0])
    unit, factor = ("h", 3600.0) if span_s > 7200 else ("min", 60.0)
    times = samples.test_time_s / factor
    style.line(axes[0], times, samples.voltage_v, color=style.COLOURS[0], linewidth=1.1, label="pack voltage")
    style.line(axes[1], times, samples.current_a, color=style.COLOURS[2], linewidth=0.8)
    axes[1].axhline(0.0, color=style.GREY, linewidth=0.6)
    places, warm = run.info.places, 0
    for index in range(samples.temperatures_c.shape[1]):
        place = places[index] if index < len(places) else f"sensor {index + 1}"
        surroundings = place == AMBIENT
        colour = style.GREY if surroundings else style.COLOURS[(1, 3, 4, 5)[warm % 4]]
        dash = ":" if surroundings else style.DASHES[warm % 3]
        warm += not surroundings
        values = samples.temperatures_c[:, index]
        style.line(axes[2], times, values, color=colour, linestyle=dash, linewidth=1.1, label=style.label(place))
    style.dress(axes[0], "", "pack voltage, V")
    style.dress(axes[1], "", "current, A\n(− discharges)")
    style.dress(axes[2], f"time since the start, {unit}", "temperature, °C")
    style.key(axes[2], 3)
    _shade(axes, samples, factor)
    heading = f"{run.info.pack_name}: the whole run"
    style.title(figure, heading)
    style.caption(figure, f"{_ended(run)} · shaded by step")
    return style.save(figure, out, "overview", heading, "Voltage, current and temperatures over the time of the run.")


def _ended(run: Run) -> str:
    ending = run.ending
    words = f"{ending.how}: {ending.why}" if ending.how != "finished" and ending.why else ending.how
    return f"{style.conditions([run])}\nrun {words}"


def _shade(axes: Sequence[Axes], samples: Series, factor: float) -> None:
    first, last = float(samples.test_time_s[0]) / factor, float(samples.test_time_s[-1]) / factor
    whole = max(last - first, 1e-9)
    steps = samples.steps()
    for index, step in enumerate(steps):
        begin = step.samples[0].test_time_s / factor
        later = steps[index + 1].samples[0] if index + 1 < len(steps) else step.samples[-1]
        end = later.test_time_s / factor
        for one in axes:
            one.axvspan(begin, end, color=style.SHADES.get(step.kind, "#f4f4f4"), linewidth=0, zorder=0)
        if end - begin > 0.015 * whole:
            # A narrow step has room for its number only.
            words = f"{step.count} {step.kind}" if end - begin > 0.075 * whole else f"{step.count}"
            place = blended_transform_factory(axes[0].transData, axes[0].transAxes)
            middle = (begin + end) / 2
            how: dict[str, Any] = {
                "ha": "center",
                "va": "bottom",
                "fontsize": 7,
                "color": style.GREY,
                "label": f"{step.count}",
            }
            axes[0].text(middle, 1.01, words, transform=place, **how)
    for one in axes:
        one.set_xlim(first, last if last > first else first + 1)


def _sag(run: Run, found: Figures, loaded: Series, out: Path) -> DrawnChart:
    figure = style.new_figure(3.9)
    left, right = figure.subplots(1, 2, sharey=True)
    measured = loaded.measured()
    charge, energy = running(measured)
    sides = ((left, charge, "charge delivered, Ah", 0), (right, energy, "energy delivered, Wh", 1))
    for axes, over, unit, place in sides:
        style.line(axes, over, measured.voltage_v, color=style.COLOURS[0], linewidth=1.4, label="pack under load")
        marks = [(percent, found[f"sag_{percent}_v"].value) for percent in SAG_PERCENT if f"sag_{percent}_v" in found]
        if marks and place == 0:
            axes.plot(
                [charge[-1] * percent / 100 for percent, _ in marks],
                [volts for _, volts in marks],
                linestyle="none",
                marker="o",
                markersize=3.5,
                color=style.COLOURS[1],
                label="at 10, 20 … 90 %",
            )
        if "rest_before_v" in found:
            rest = found["rest_before_v"].value
            words = f"at rest before: {rest:.2f} V"
            axes.axhline(rest, color=style.GREY, linestyle=":", linewidth=1.0, label=words)
        style.dress(axes, unit, "pack voltage, V" if place == 0 else "")
        axes.set_xlim(left=0.0)
    style.key(left, where="lower left")
    heading = f"{run.info.pack_name}: {_delivered(found)}"
    style.title(figure, heading)
    style.caption(figure, f"{style.conditions([run])}\nended by {found.ended_by}: {found.ended_words}")
    words = "Pack voltage under load over the charge and over the energy that it delivered."
    return style.save(figure, out, "sag", heading, words)


def shown(figure: Figure, factor: float = 1.0, decimals: int = 2) -> str:
    """Return a figure as charts show it: "≥ 4.863 ± 0.018"; without U with so many decimals."""
    least = "≥ " if figure.at_least else ""
    if figure.U is None or not figure.U > 0.0:
        return f"{least}{figure.value * factor:.{decimals}f}"
    return f"{least}{rounded(figure.value * factor, figure.U * factor)}"


def _delivered(found: Figures) -> str:
    charge, energy = found.get("delivered_ah"), found.get("delivered_wh")
    if charge is None or energy is None:
        return "voltage over charge"
    power = found.get("discharge_power_w")
    at = f" at {power.value:.0f} W" if power else ""
    return f"{shown(charge)} Ah, {shown(energy, 1.0, 1)} Wh{at}"


def _groups(run: Run, found: Figures, step: StepSpan, loaded: Series, out: Path) -> DrawnChart:
    figure = style.new_figure(3.9)
    axes = figure.subplots()
    times = loaded.test_time_s - loaded.test_time_s[-1]
    late = times >= -max(60.0, 0.15 * float(times[-1] - times[0]))
    for index in range(loaded.groups_v.shape[1]):
        style.line(
            axes,
            times[late],
            loaded.groups_v[late, index],
            color=style.COLOURS[index % len(style.COLOURS)],
            linestyle=style.DASHES[index % len(style.DASHES)],
            linewidth=1.2,
            label=f"group {index + 1}",
        )
    cut_off = planned_step(run, step.count, "discharge").get("cut_off_v")
    if isinstance(cut_off, int | float):
        axes.axhline(cut_off, color=style.GREY, linewidth=0.9, label=f"cut-off {cut_off:.2f} V")
    style.dress(axes, "time to the last sample under load, s", "group voltage, V")
    style.key(axes, 2)
    spread = found.get("group_spread_end_v")
    lowest = found.get("ending_group")
    words = "groups at the end of the discharge"
    if spread is not None and lowest is not None:
        words = f"group {lowest.value:.0f} lowest at the end, spread {shown(spread, 1000.0, 0)} mV"
    heading = f"{run.info.pack_name}: {words}"
    style.title(figure, heading)
    style.caption(figure, f"{style.conditions([run])}\nended by {found.ended_by}: {found.ended_words}")
    return style.save(figure, out, "groups", heading, "Voltage of each group up to the end of the discharge.")


def _ladder(run: Run, found: Figures, step: StepSpan, out: Path) -> DrawnChart:
    figure = style.new_figure(4.8)
    upper, lower = figure.subplots(2, 1, sharex=True, height_ratios=(1.3, 1))
    held = {rung.number: rung for rung in found.rungs}
    # Bursts are seconds apart by minutes: they are drawn side by side, each on its own seconds.
    longest = max((rung.duration_s for rung in found.rungs), default=1.0) or 1.0
    pitch = longest * 1.35
    ticks: list[float] = []
    names: list[str] = []
    for place, (number, planned_a, samples) in enumerate(bursts_of(step)):
        rung = held.get(number)
        if rung is None:
            continue
        colour = style.COLOURS[0] if rung.held else style.COLOURS[1]
        dash = "-" if rung.held else "--"
        times = place * pitch + samples.test_time_s - samples.test_time_s[0]
        lows, _ = lowest_groups(samples, run.info.series)
        mark = "" if rung.held else "x"
        upper.plot(times, lows, color=colour, linestyle=dash, linewidth=1.5, marker=mark, markevery=[-1])
        currents = -samples.current_a
        lower.plot(times, currents, color=colour, linestyle=dash, linewidth=1.5, marker=mark, markevery=[-1])
        lower.fill_between(times, currents, color=colour, alpha=0.15, linewidth=0)
        ticks.append(place * pitch + longest / 2)
        amperes = planned_a if planned_a is not None else rung.mean_a
        rated = run.info.rated_capacity_ah
        names.append(f"{amperes / rated:.3g}C" if rated else f"{amperes:.0f} A")
    upper.plot([], [], color=style.COLOURS[0], linewidth=1.5, label="held to its end")
    if any(not rung.held for rung in found.rungs):
        upper.plot([], [], color=style.COLOURS[1], linestyle="--", linewidth=1.5, marker="x", label="not held")
    floor = planned_step(run, step.count, "ladder").get("floor_v")
    if isinstance(floor, int | float):
        upper.axhline(floor, color=style.GREY, linewidth=0.9, linestyle=(0, (2, 2)), label=f"floor {floor:.2f} V")
    style.dress(upper, "", "lowest group, V")
    style.dress(lower, f"bursts side by side, each up to {longest:.0f} s long", "current drawn, A")
    lower.set_xticks(ticks, names)
    lower.set_ylim(bottom=0.0)
    upper.tick_params(bottom=False)
    for one in (upper, lower):
        one.grid(visible=False, axis="x")
    style.key(upper, 1, "upper right")
    heading = f"{run.info.pack_name}: {_peak(found)}"
    style.title(figure, heading)
    style.caption(figure, f"{style.conditions([run])}\nladder ended by {found.ladder_ended_words}")
    words = "Voltage of the lowest group and current in each burst of the ladder."
    return style.save(figure, out, "ladder", heading, words)


def _peak(found: Figures) -> str:
    amperes = found.get("peak_a")
    if amperes is None:
        return "no burst was held"
    rate = found.get("peak_c")
    multiple = f" ({rate.value:.1f}C)" if rate else ""
    hold = found["peak_hold_s"].value
    return f"{shown(amperes, 1.0, 0)} A{multiple} held for {hold:.0f} s"


def resistance_window(several: Sequence[Figures]) -> tuple[str, str] | None:
    """Return the first of WINDOWS at which every run's groups were measured, or else any pack; None without any."""
    for name in ("group_1_ohm", "pack_ohm"):
        for window, words in WINDOWS:
            if all(f"{name}_{window}" in found for found in several):
                return window, words
    return None


def resistance_parts(found: Figures, window: str) -> list[tuple[str, Figure]]:
    """Return words and figures of groups and leads at a window, or of the pack if no group was measured there."""
    parts: list[tuple[str, Figure]] = []
    number = 1
    while (figure := found.get(f"group_{number}_ohm_{window}")) is not None:
        parts.append((f"group {number}", figure))
        number += 1
    leads, pack = found.get(f"leads_ohm_{window}"), found.get(f"pack_ohm_{window}")
    if parts and leads is not None:
        parts.append(("leads and\nconnector", leads))
    return parts or ([("pack", pack)] if pack is not None else [])


def _resistance(run: Run, found: Figures, window: tuple[str, str], out: Path) -> DrawnChart:
    figure = style.new_figure(3.6)
    axes = figure.subplots()
    parts = resistance_parts(found, window[0])
    # With their intervals, which may be longer than the bars: a text far above the axes leaves no room for these.
    highest = max((one.value + (one.U or 0.0) for _, one in parts), default=1.0) * 1000.0
    for place, (words, one) in enumerate(parts):
        group = words.startswith("group")
        axes.bar(
            place,
            one.value * 1000.0,
            width=0.62,
            color=style.COLOURS[0 if group else 1],
            hatch=None if group else "//",
            edgecolor="white",
            yerr=None if one.U is None else one.U * 1000.0,
            error_kw={"capsize": 3, "elinewidth": 1.0, "ecolor": style.INK},
        )
        top = (one.value + (one.U or 0.0)) * 1000.0 + 0.02 * highest
        axes.text(place, top, shown(one, 1000.0), ha="center", va="bottom", fontsize=7, color=style.INK)
    style.dress(axes, "", f"resistance {window[1]} after load-on, mΩ")
    axes.set_xticks(range(len(parts)), [words for words, _ in parts])
    axes.grid(visible=False, axis="x")
    axes.set_ylim(0.0, highest * 1.2)
    heading = f"{run.info.pack_name}: where the resistance sits"
    style.title(figure, heading)
    accuracy = "with joints; bars ± U, 95 %" if all(one.U is not None for _, one in parts) else "no accuracy stated"
    of = f"{found.edges_of}, " if found.edges_of else ""
    style.caption(figure, f"{style.conditions([run])}\n{of}{accuracy}")
    words = f"Resistance of each group with its joints, and of leads and connector, {window[1]} after the load went on."
    return style.save(figure, out, "resistance", heading, words)
