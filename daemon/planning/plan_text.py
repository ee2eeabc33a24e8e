"""A plan as people read it at a terminal of 80 columns: what happens, what ends it, what is expected, what guards."""

import re
import textwrap
from collections.abc import Sequence

from benchwarden.daemon.forecast import StepForecast
from benchwarden.daemon.planning.plan_commands import REPEATS, StepCommands, Switching
from benchwarden.daemon.planning.plan_facts import MANY_RELAYS, NIGHT_S, Shown
from benchwarden.daemon.running.limits import AMBIENT_HIGH_C, AMBIENT_LOW_C
from benchwarden.daemon.safety import State
from benchwarden.profiles.decision import time_in_words
from benchwarden.profiles.endings import what_ends, what_it_does
from benchwarden.profiles.least_drawn import reading_error
from benchwarden.profiles.pack import NOT_FROM_DATA_SHEET
from benchwarden.profiles.plan import PlanLimits, repeat_lines
from benchwarden.profiles.planned import PlannedStep

WIDTH = 80
_INDENT = 4
_NAME = 10
_FEW = 2
_UNIT = re.compile(r"(\d) (V|mV|A|W|Wh|Ah|s|min|h|K|°C|mohm)\b")
_KEPT_TOGETHER = "\u00a0"
_NOTHING_AH = 0.005


def plan_lines(shown: Shown, every_command: bool) -> list[str]:
    """Return one plan's lines, none wider than `WIDTH` but for a word that is."""
    plan, job = shown.job.plan, shown.job
    pack = plan.pack
    mass = "mass not given" if pack.mass_kg is None else f"{1e3 * pack.mass_kg:g} g"
    lines = [
        f"Bay {job.entry.name}, pack {job.pack.name}: {plan.title}",
        *_wrapped(
            f"{pack.series}S{pack.parallel}P {pack.chemistry}, {pack.rated_capacity_ah:g} Ah rated, {mass}; "
            f"fingerprint {plan.fingerprint}",
            "  ",
        ),
        "",
        *_whole(shown),
    ]
    expected = {step.number: step for step in shown.forecast.steps}
    sheets = {one.number: one for one in shown.commands}
    if 0 in sheets:
        rest_s = job.entry.pulse_recovery_s
        lines += ["", f" 0. test pulse, unless a group is too low for it; then {rest_s:g} s of rest"]
        lines += _commands(sheets[0], every_command)
    for step in plan.steps:
        if every_command or step.cycle is None or step.cycle[1] == 1:  # every further cycle is as the first
            lines += ["", *_step(step, expected.get(step.number), sheets.get(step.number), every_command)]
            if error := reading_error(step, pack, plan.bay):
                lines += _named("reads", error)
            for said in repeat_lines(step, plan):
                lines += ["", *_wrapped(f"{said}; {_cycles(shown, step)}", " " * _INDENT)]
    lines += ["", *_limits(shown)]
    lines += ["", *_guardian(shown)]
    lines += ["", *_bench(shown)]
    if plan.defaults:
        words = [one.removesuffix(f": {NOT_FROM_DATA_SHEET}") for one in plan.defaults]
        lines += ["", f"{NOT_FROM_DATA_SHEET}:", *_items(words)]
    if plan.notes:
        lines += ["", "notes:", *_items(plan.notes)]
    if shown.not_unattended:
        lines += ["", "will not be run unattended:", *_items(shown.not_unattended)]
    return lines


def _whole(shown: Shown) -> list[str]:
    found = shown.forecast
    flowing_s = sum(step.duration_s for step in found.steps if step.drawn_ah > 0 or step.charged_ah > 0)
    cooling = (
        f"{time_in_words(round(found.cooling_s))} of it waits for the pack to cool"
        if found.cooling_s >= 1
        else "the pack cools within these"
    )
    cooling = f"; {cooling}" if flowing_s else ""
    lines = _named(
        "takes",
        f"{_how_long(shown)}{_hours(flowing_s)} in steps with a current, "
        f"{_hours(found.duration_s - flowing_s)} at rest{cooling}",
    )
    drawn_wh, charged_wh = sum(step.drawn_wh for step in found.steps), sum(step.charged_wh for step in found.steps)
    hottest_c = max((step.hottest_c for step in found.steps), default=0.0)
    lines += _named(
        "energy",
        f"{drawn_wh:.0f} Wh out of the pack, {charged_wh:.0f} Wh into it; {found.heat_wh:.1f} Wh become heat in it; "
        f"it gets to about {hottest_c:.0f} °C",
    )
    lines += _named("taken as", "; ".join(found.assumed))
    lines += _earlier(shown)
    if found.ended_early:
        lines += _named("WARNING", found.ended_early)
    return lines


def _how_long(shown: Shown) -> str:
    """How long it takes; where cycles are repeated, first with one of them: most runs end well before the last."""
    whole_s = shown.forecast.duration_s
    cycle_of = {step.number: step.cycle for step in shown.job.plan.steps}
    again = [step for step in shown.forecast.steps if (cycle := cycle_of[step.number]) is not None and cycle[1] > 1]
    if not again:
        return f"about {_hours(whole_s)}: "
    reckoned = max(cycle[1] for step in again if (cycle := cycle_of[step.number]) is not None)
    each = " of each repeat" if len(shown.job.plan.repeats) > 1 else ""
    one_s = whole_s - sum(step.duration_s for step in again)
    return f"with one cycle{each} about {_hours(one_s)}; with {reckoned} about {_hours(whole_s)}: "


def _earlier(shown: Shown) -> list[str]:
    if not shown.earlier:
        return _named("measured", "nothing yet: no finished run of this pack in the runs folder")
    run = next((one for one in shown.earlier if one.same), shown.earlier[0])
    words = [run.name]
    if run.delivered_ah is not None and run.delivered_wh is not None:
        words.append(f"delivered {run.delivered_ah:.2f} Ah, {run.delivered_wh:.1f} Wh")
    if run.rise_k is not None:
        words.append(f"warmed by {run.rise_k:.0f} K")
    ohm = next((one.resistance_ohm for one in shown.earlier if one.resistance_ohm), None)
    if ohm is not None:
        words.append(f"resistance {1e3 * ohm:.1f} mohm at load-on, which is what heat is reckoned with")
    same = "by the same procedure" if run.same else "by another procedure"
    return _named("measured", f"{'; '.join(words)} ({same})")


def _cycles(shown: Shown, step: PlannedStep) -> str:
    """How many cycles of a repeat the forecast has; a pack that wears is not foreseen, one that falls short is."""
    reached = {one.number for one in shown.forecast.steps}
    place = step.cycle[0] if step.cycle else 0
    cycles = {
        one.cycle for one in shown.job.plan.steps if one.cycle and one.cycle[0] == place and one.number in reached
    }
    return f"{len(cycles)} of them are reckoned with: of a pack that does not wear, and that falls 10 % short of rated"


def _step(
    step: PlannedStep, expected: StepForecast | None, sheet: StepCommands | None, every_command: bool
) -> list[str]:
    took = "is not reached" if expected is None else f"about {time_in_words(_round(expected.duration_s))}"
    lines = _wrapped(f"{step.number:>2}. {step.title}: {took}", "", " " * _INDENT)
    if does := what_it_does(step):
        lines += _named("does", does)
    for number, words in enumerate(what_ends(step)):
        lines += _named("ends" if number == 0 else "or", words)
    if expected is not None:
        lines += _named("expect", _expect(expected))
    if sheet is not None:
        lines += _commands(sheet, every_command)
    return lines


def _expect(step: StepForecast) -> str:
    words: list[str] = []
    if step.charged_ah > _NOTHING_AH:
        words.append(f"{step.charged_ah:.2f} Ah, {step.charged_wh:.0f} Wh in")
    if step.drawn_ah > _NOTHING_AH:
        words.append(f"{step.drawn_ah:.2f} Ah, {step.drawn_wh:.0f} Wh out")
        words.append(f"groups down to {step.lowest_group_v:.2f} V")
    if step.drawn_ah > _NOTHING_AH or step.charged_ah > _NOTHING_AH:
        words.append(f"{step.heat_wh:.1f} Wh heat")
    words.append(f"up to {step.hottest_c:.0f} °C")
    if step.cooling_s >= 1:
        words.append(f"{time_in_words(_round(step.cooling_s))} of it only to cool")
    if step.ended_by not in ("done", "cut-off"):
        words.append(f"ends by: {step.ended}")
    return "; ".join(words)


def _commands(sheet: StepCommands, every_command: bool) -> list[str]:
    if every_command:
        lines: list[str] = []
        for switching in sheet.switchings:
            lines += _named("sends", f"{switching.times}:")
            lines += [f"{' ' * (_INDENT + _NAME)}{line}" for line in switching.lines]
        return lines
    first = sheet.switchings if len(sheet.switchings) <= _FEW else sheet.switchings[:1]
    lines = [line for switching in first for line in _named("sets", _set_points(switching))]
    if rest := len(sheet.switchings) - len(first):
        lines += _named("", f"and {rest} more like these; --commands prints every line")
    return lines


def _set_points(switching: Switching) -> str:
    """The set-point first, then what the instrument itself trips at; on and off go without saying."""
    on = next(place for place, line in enumerate(switching.lines) if line.endswith(": on"))
    *own, wanted = switching.lines[:on]
    then = "".join(f", then {line.partition(': ')[2]}" for line in switching.lines[on + 1 : -1])
    wanted += then
    trips = ", ".join(line.partition(": ")[2] for line in own)
    again = "; may pause and go on" if switching.times == REPEATS else ""
    return f"{wanted}{again}; its own {trips}" if trips else f"{wanted}{again}"


def _limits(shown: Shown) -> list[str]:
    plan, limits = shown.job.plan.limits, shown.limits
    lines = [
        "limits, judged on every reading; what is outside switches off and ends the run:",
        *_items(_common(plan, shown.job.plan.pack.series, bool(shown.job.plan.bay.group_channels))),
    ]
    words = {State.READY: "all off", State.DRAWING: "drawing", State.FEEDING: "feeding"}
    for state, name in words.items():
        currents = [
            f"{role} {_current(limit.low, limit.high)}"
            for (role, quantity), limit in limits[state].items()
            if quantity == "current_a"
        ]
        lines += _wrapped(f"  {name + ':':<9} {', '.join(currents)}", "", " " * 12)
    lines += _items(
        [
            f"no valid reading for {plan.blind_voltage_s:g} s of voltage and current, {plan.blind_groups_s:g} s of "
            f"groups, {plan.blind_temperature_s:g} s of temperature: off, too"
        ]
    )
    return lines


def _common(plan: PlanLimits, series: int, groups: bool) -> list[str]:
    found = [f"pack {plan.pack_low_v:.2f} to {plan.pack_high_v:.2f} V"]
    if groups:
        found[0] += f", every group {plan.group_low_v:.2f} to {plan.group_high_v:.2f} V"
    elif series > 1:
        found[0] += "; single groups are not seen"
    found.append(
        f"sensors on the pack {plan.temperature_low_c:g} to {plan.temperature_high_c:g} °C, "
        f"ambient {AMBIENT_LOW_C:g} to {AMBIENT_HIGH_C:g} °C"
    )
    return found


def _current(low: float | None, high: float | None) -> str:
    low_a, high_a = low or 0.0, high or 0.0
    if abs(low_a + high_a) < 1e-9:
        return f"at most {high_a:.2g} A either way"
    return f"draws at most {-low_a:.2f} A" if -low_a > high_a else f"feeds at most {high_a:.2f} A"


def _guardian(shown: Shown) -> list[str]:
    lines = ["guardian, if the worker fails, by bytes that are fixed before the start:"]
    for plan, threshold_a in shown.off_plans:
        lines += _wrapped(
            f"{plan.name} at {plan.address}: sends {_verbatim(plan.off)}, asks {_verbatim(plan.question)}, "
            f"takes {' or '.join(plan.off_replies)} and at most {threshold_a:.3g} A for off",
            "  ",
            "    ",
        )
    contactor = shown.job.entry.contactor
    if contactor:
        opens = f"; opens it by {_verbatim(contactor.open)}" if contactor.open else ""
        lines += _wrapped(
            f"contactor at {contactor.at}: held by {_verbatim(contactor.renew)} each second{opens}", "  ", "    "
        )
    for text in shown.unreachable:
        lines += _wrapped(f"{text}: this plan will not be run", "  ", "    ")
    return lines


def _bench(shown: Shown) -> list[str]:
    lines = ["what this bench lacks:", *_items(shown.lacks or ["nothing"])]
    if shown.cannot:
        lines += ["what it cannot do here:", *_items(shown.cannot)]
    count = shown.relay_operations
    if count is not None:
        cells = shown.job.entry.cells
        assert cells is not None
        channels = shown.job.plan.bay.group_channels
        words = f"scanner: {channels} channels each {cells.every_s:g} s close about {count:,} relays in this run"
        in_a_night = count * min(1.0, NIGHT_S / max(shown.forecast.duration_s, 1.0))
        if in_a_night < count:
            words += f", {in_a_night:,.0f} in a night of {NIGHT_S / 3600:g} h"
        if in_a_night > MANY_RELAYS:
            words += (
                f". WARNING: more than {MANY_RELAYS:,} in one night wear a scanner with relays out within months; "
                "one that switches by semiconductors does not mind. `every` in its bench entry sets how often"
            )
        lines += _wrapped(words, "", "  ")
    return lines


def _named(name: str, words: str) -> list[str]:
    """A line that begins with what it tells, and hangs below that."""
    return _wrapped(words, f"{' ' * _INDENT}{name:<{_NAME}}", " " * (_INDENT + _NAME))


def _items(words: Sequence[str]) -> list[str]:
    return [line for one in words for line in _wrapped(one, "  ", "    ")]


def _wrapped(words: str, first: str, rest: str | None = None) -> list[str]:
    lines = textwrap.wrap(
        _UNIT.sub(f"\\1{_KEPT_TOGETHER}\\2", words),
        WIDTH,
        initial_indent=first,
        subsequent_indent=first if rest is None else rest,
        break_long_words=False,
        break_on_hyphens=False,
    )
    return [line.replace(_KEPT_TOGETHER, " ") for line in lines]


def _verbatim(sent: str | bytes) -> str:
    """What is sent, in one piece: a line never breaks within it."""
    return repr(sent).replace(" ", _KEPT_TOGETHER)


def _hours(seconds: float) -> str:
    return time_in_words(_round(seconds))


def _round(seconds: float) -> float:
    """Whole seconds, or minutes where it is many of them: an estimate is no more exact."""
    return round(seconds) if seconds < 600 else 60 * round(seconds / 60)
