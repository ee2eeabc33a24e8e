"""Charts of one run: overview, sag, groups at the end, ladder."""

from collections.abc import Sequence
from pathlib import Path

from matplotlib.axes import Axes
from matplotlib.transforms import blended_transform_factory

from benchwarden.results import chart_style as style
from benchwarden.results.discharge import SAG_PERCENT, sag_curve
from benchwarden.results.figure import Figures
from benchwarden.results.ladder import bursts_of, planned_step
from benchwarden.results.run import Run, StepSpan
from benchwarden.results.sample import Sample, lowest_group


def run_charts(run: Run, found: Figures, out: Path) -> list[Path]:
    """Write the charts that this run has data for into `out` and return their paths.

    overview.png; sag.png and groups.png with a discharge; ladder.png with a ladder. PNG, 1152 pixels wide.
    """
    written: list[Path] = []
    if not run.samples:
        return written
    written.append(_overview(run, out / "overview.png"))
    discharge = next((step for step in run.steps() if step.kind == "discharge"), None)
    if discharge is not None:
        loaded = [sample for sample in discharge.samples if sample.output == "load"]
        if len(sag_curve(loaded)) > 1:
            written.append(_sag(run, found, loaded, out / "sag.png"))
        if any(lowest_group(sample) for sample in loaded):
            written.append(_groups(run, found, discharge, loaded, out / "groups.png"))
    ladder = next((step for step in run.steps() if step.kind == "ladder"), None)
    if ladder is not None and found.rungs:
        written.append(_ladder(run, found, ladder, out / "ladder.png"))
    return written


def _overview(run: Run, path: Path) -> Path:
    figure = style.new_figure(7.4)
    axes = figure.subplots(3, 1, sharex=True, height_ratios=(3, 1.5, 2))
    span_s = run.samples[-1].test_time_s - run.samples[0].test_time_s
    unit, factor = ("h", 3600.0) if span_s > 7200 else ("min", 60.0)
    times = [sample.test_time_s / factor for sample in run.samples]
    voltage = style.numbers(sample.voltage_v for sample in run.samples)
    axes[0].plot(times, voltage, color=style.COLOURS[0], linewidth=1.4, label="pack voltage")
    currents = style.numbers(sample.current_a for sample in run.samples)
    axes[1].plot(times, currents, color=style.COLOURS[3], linewidth=1.1)
    axes[1].axhline(0.0, color=style.GREY, linewidth=0.7)
    places = run.info.places
    for index in range(len(run.samples[0].temperatures_c)):
        place = places[index] if index < len(places) else f"sensor {index + 1}"
        values = style.numbers(s.temperatures_c[index] if index < len(s.temperatures_c) else None for s in run.samples)
        ambient = place == "ambient"
        colour = style.GREY if ambient else style.COLOURS[(1, 2, 4, 6)[index % 4]]
        dash = ":" if ambient else style.DASHES[index % 2]
        axes[2].plot(times, values, color=colour, linestyle=dash, linewidth=1.4, label=place)
    style.dress(axes[0], "", "pack voltage, V")
    style.dress(axes[1], "", "current, A\n(− discharges)")
    style.dress(axes[2], f"time since the start, {unit}", "temperature, °C")
    style.key(axes[2], 3)
    _shade(axes, run, times, factor)
    style.title(figure, f"{run.info.pack_name}: the whole run")
    style.caption(figure, _ended(run))
    return style.save(figure, path)


def _ended(run: Run) -> str:
    ending = run.ending
    words = f"{ending.how}: {ending.why}" if ending.how != "finished" and ending.why else ending.how
    return f"{style.conditions(run)}\nrun {words} · shaded by step"


def _shade(axes: Sequence[Axes], run: Run, times: Sequence[float], factor: float) -> None:
    whole = max(times[-1] - times[0], 1e-9)
    steps = run.steps()
    for index, step in enumerate(steps):
        begin = step.samples[0].test_time_s / factor
        later = steps[index + 1].samples[0] if index + 1 < len(steps) else step.samples[-1]
        end = later.test_time_s / factor
        for one in axes:
            one.axvspan(begin, end, color=style.SHADES.get(step.kind, "#f4f4f4"), linewidth=0, zorder=0)
        if end - begin > 0.01 * whole:
            # A narrow step has room for its number only.
            words = f"{step.count} {step.kind}" if end - begin > 0.055 * whole else f"{step.count}"
            place = blended_transform_factory(axes[0].transData, axes[0].transAxes)
            axes[0].text(
                (begin + end) / 2,
                1.01,
                words,
                transform=place,
                ha="center",
                va="bottom",
                fontsize=9,
                color=style.GREY,
            )
    for one in axes:
        one.set_xlim(times[0], times[-1] if times[-1] > times[0] else times[0] + 1)


def _sag(run: Run, found: Figures, loaded: Sequence[Sample], path: Path) -> Path:
    figure = style.new_figure(5.2)
    axes = figure.subplots()
    curve = sag_curve(loaded)
    axes.plot(
        [point[0] for point in curve],
        [point[1] for point in curve],
        color=style.COLOURS[0],
        linewidth=1.8,
        label="pack voltage under load",
    )
    marks = [
        (curve[-1][0] * percent / 100, found[f"sag_{percent}_v"].value)
        for percent in SAG_PERCENT
        if f"sag_{percent}_v" in found
    ]
    if marks:
        axes.plot(
            *zip(*marks, strict=True),
            linestyle="none",
            marker="o",
            markersize=5,
            color=style.COLOURS[1],
            label="at 10, 20 … 90 % of the delivered charge",
        )
    if "rest_before_v" in found:
        rest = found["rest_before_v"].value
        axes.axhline(rest, color=style.GREY, linestyle=":", linewidth=1.2, label=f"at rest before: {rest:.2f} V")
    style.dress(axes, "charge delivered, Ah", "pack voltage, V")
    axes.set_xlim(left=0.0)
    style.key(axes, where="lower left")
    style.title(figure, f"{run.info.pack_name}: {_delivered(found)}")
    style.caption(figure, f"{style.conditions(run)}\nended by {found.ended_by}: {found.ended_words}")
    return style.save(figure, path)


def _delivered(found: Figures) -> str:
    charge, energy = found.get("delivered_ah"), found.get("delivered_wh")
    if charge is None or energy is None:
        return "voltage over charge"
    least = "at least " if charge.at_least else ""
    power = found.get("discharge_power_w")
    at = f" at {power.value:.0f} W" if power else ""
    return f"{least}{charge.value:.2f} Ah, {energy.value:.1f} Wh{at}"


def _groups(run: Run, found: Figures, step: StepSpan, loaded: Sequence[Sample], path: Path) -> Path:
    figure = style.new_figure(5.2)
    axes = figure.subplots()
    end_s = loaded[-1].test_time_s
    begin_s = max(loaded[0].test_time_s, end_s - max(60.0, 0.15 * (end_s - loaded[0].test_time_s)))
    shown = [sample for sample in loaded if sample.test_time_s >= begin_s]
    times = [sample.test_time_s - end_s for sample in shown]
    for index in range(len(loaded[-1].groups_v)):
        values = style.numbers(s.groups_v[index] if index < len(s.groups_v) else None for s in shown)
        axes.plot(
            times,
            values,
            color=style.COLOURS[index % len(style.COLOURS)],
            linestyle=style.DASHES[index % len(style.DASHES)],
            linewidth=1.6,
            label=f"group {index + 1}",
        )
    cut_off = planned_step(run, step.count, "discharge").get("cut_off_v")
    if isinstance(cut_off, int | float):
        axes.axhline(cut_off, color=style.INK, linewidth=1.0, linestyle=(0, (2, 2)), label=f"cut-off {cut_off:.2f} V")
    style.dress(axes, "time before the load went off, s (0 = last sample under load)", "group voltage, V")
    style.key(axes, 2)
    spread = found.get("group_spread_end_v")
    lowest = found.get("ending_group")
    words = "groups at the end of the discharge"
    if spread is not None and lowest is not None:
        words = f"group {lowest.value:.0f} lowest at the end, spread {spread.value * 1000:.0f} mV"
    style.title(figure, f"{run.info.pack_name}: {words}")
    style.caption(figure, f"{style.conditions(run)}\nended by {found.ended_by}: {found.ended_words}")
    return style.save(figure, path)


def _ladder(run: Run, found: Figures, step: StepSpan, path: Path) -> Path:
    figure = style.new_figure(6.6)
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
        times = [place * pitch + s.test_time_s - samples[0].test_time_s for s in samples]
        lows = style.numbers(low[1] if (low := lowest_group(s)) else None for s in samples)
        mark = "" if rung.held else "x"
        upper.plot(times, lows, color=colour, linestyle=dash, linewidth=2.0, marker=mark, markevery=[-1])
        currents = style.numbers(None if s.current_a is None else -s.current_a for s in samples)
        lower.plot(times, currents, color=colour, linestyle=dash, linewidth=2.0, marker=mark, markevery=[-1])
        lower.fill_between(times, currents, color=colour, alpha=0.15, linewidth=0)
        ticks.append(place * pitch + longest / 2)
        amperes = planned_a if planned_a is not None else rung.mean_a
        rated = run.info.rated_capacity_ah
        names.append(f"{amperes / rated:.3g}C" if rated else f"{amperes:.0f} A")
    upper.plot([], [], color=style.COLOURS[0], linewidth=2.0, label="held to its end")
    if any(not rung.held for rung in found.rungs):
        upper.plot([], [], color=style.COLOURS[1], linestyle="--", linewidth=2.0, marker="x", label="not held")
    floor = planned_step(run, step.count, "ladder").get("floor_v")
    if isinstance(floor, int | float):
        upper.axhline(floor, color=style.INK, linewidth=1.0, linestyle=(0, (2, 2)), label=f"floor {floor:.2f} V")
    style.dress(upper, "", "lowest group, V")
    style.dress(lower, f"bursts side by side, each up to {longest:.0f} s long", "current drawn, A")
    lower.set_xticks(ticks, names)
    lower.set_ylim(bottom=0.0)
    upper.tick_params(bottom=False)
    for one in (upper, lower):
        one.grid(visible=False, axis="x")
    style.key(upper, 1, "upper right")
    style.title(figure, f"{run.info.pack_name}: {_peak(found)}")
    style.caption(figure, f"{style.conditions(run)}\nladder ended by {found.ladder_ended_words}")
    return style.save(figure, path)


def _peak(found: Figures) -> str:
    amperes = found.get("peak_a")
    if amperes is None:
        return "no burst was held"
    least = "at least " if amperes.at_least else ""
    rate = found.get("peak_c")
    multiple = f" ({rate.value:.1f}C)" if rate else ""
    hold = found["peak_hold_s"].value
    return f"{least}{amperes.value:.0f} A{multiple} held for {hold:.0f} s"
