"""Decides the pulses of a resistance test: two steps of current at once, or a series at each share of the charge.

Two steps: IEC 61960-3:2017, 7.7.3. The current is raised in the same beat in which the first voltage was read, with the
load on all the while.
"""

from dataclasses import dataclass, replace

from benchwarden.profiles.before_drawing import NOTHING_JUDGED, Judged, judge
from benchwarden.profiles.decision import OFF, Decision, Draw, Seen, ended, lowest_group
from benchwarden.profiles.planned import PlannedPulse, PlannedPulseSeries, Rung

_ROUNDING_S = 1e-3
_TIMER_MARGIN_S = 1.0
# Nothing is drawn before every group has been read; a group that is never read ends the step.
_LONGEST_WAIT_S = 60.0


@dataclass(frozen=True, slots=True)
class PulseState:
    """When the second step of current began, in seconds since the load went on; None before."""

    raised_s: float | None = None


def decide_pulse(step: PlannedPulse, state: PulseState, seen: Seen) -> Decision:
    """Draw little, then at once more, and be done; the floor and the temperature end it early."""
    flag = "no resistance was measured"
    if seen.output == "off" and any(value is None for value in seen.groups_v):
        if seen.step_time_s < _LONGEST_WAIT_S:
            return Decision(OFF, 1.0, state, "waiting for the groups")
        words = f"a group had no reading for {_LONGEST_WAIT_S:g} s"
        return ended(state, "pulse", words, "not possible", (f"{flag}: {words}",))
    if stop := _stop(step, seen):
        return ended(state, "pulse", stop[0], stop[1], (f"{flag}: {stop[0]}",))
    if seen.step_time_s >= step.at_most_s:
        words = f"not through after {step.at_most_s:g} s"
        return ended(state, "pulse", words, "time", (f"{flag}: {words}",))
    low = _two_step_draw(step, step.low_a)
    if seen.output != "load" or seen.since_on_s is None:
        return Decision(low, step.every_s, state, "pulse: low")
    if state.raised_s is None:
        left_s = step.low_s - seen.since_on_s
        if left_s > _ROUNDING_S:
            return Decision(low, min(step.every_s, left_s), state, "pulse: low")
        state = replace(state, raised_s=seen.since_on_s)
    left_s = (state.raised_s or 0.0) + step.high_s - seen.since_on_s
    if left_s > _ROUNDING_S:
        return Decision(_two_step_draw(step, step.high_a), min(step.every_s, left_s), state, "pulse: high")
    words = f"{step.low_a:g} A for {step.low_s:g} s then {step.high_a:g} A for {step.high_s:g} s"
    return ended(state, "pulse: high", words, "done")


def pulse_timer_s(hold_s: float) -> float:
    """Seconds after which the load's own timer ends a pulse that lasts `hold_s`."""
    return hold_s + _TIMER_MARGIN_S


def _two_step_draw(step: PlannedPulse, level_a: float) -> Draw:
    timer_s = pulse_timer_s(step.low_s + step.high_s)
    return Draw("current", level_a, step.ceiling_a, step.trip_voltage_v, timer_s)


def _stop(step: PlannedPulse | PlannedPulseSeries, seen: Seen) -> tuple[str, str] | None:
    lowest = lowest_group(seen, step.series)
    if lowest is not None and lowest[1] <= step.floor_v:
        return f"{lowest[0]} at {lowest[1]:.3f} V, {step.floor_name} {step.floor_v:.3f} V", "cut-off"
    if seen.hottest_c is not None and seen.hottest_c >= step.temperature_cut_off_c:
        words = f"hottest sensor at {seen.hottest_c:.1f} °C, cut-off {step.temperature_cut_off_c:g} °C"
        return words, "temperature"
    return None


@dataclass(frozen=True, slots=True)
class PulseRecord:
    """One pulse of a series: charge drawn before it (Ah), its current (A), and why it was not held ("": it was)."""

    portion: int
    level: int
    current_a: float
    drawn_ah: float
    why_not: str


@dataclass(frozen=True, slots=True)
class SeriesState:
    """Where a series is: the portion of charge from 1, "move", "settle", "pulse" or "rest", and the pulse's level."""

    portion: int = 1
    phase: str = "move"
    level: int = 0
    since_s: float = 0.0
    before_ah: float = 0.0
    judged: Judged = NOTHING_JUDGED
    records: tuple[PulseRecord, ...] = ()


def decide_series(step: PlannedPulseSeries, state: SeriesState, seen: Seen) -> Decision:
    """Take a portion of charge out, let the pack settle, pulse it at every level; and so on to the last portion."""
    start = judge(step, state.judged, seen) if state.portion == 1 and state.phase == "move" else None
    flags: tuple[str, ...] = ()
    if start is not None:
        flags, state = start.flags, replace(state, judged=start.judged)
        if start.waits:
            return Decision(OFF, 1.0, state, "waiting for the groups", None, flags)
        if start.refused:
            return ended(state, "pulse", start.refused, "not possible", flags, final=True)
    if seen.step_time_s >= step.at_most_s:
        words = f"not through after {step.at_most_s:g} s"
        return ended(state, _phase(state), words, "time", (*flags, f"pulse series {words}"))
    stop = _stop(step, seen) if seen.output == "load" or state.phase != "pulse" else None
    if stop is not None and (stop[1] == "temperature" or state.phase != "pulse" or state.level == 0):
        return _over(step, state, stop, flags)
    match state.phase:
        case "move":
            return _move(step, state, seen, flags)
        case "pulse":
            return _pulse(step, state, seen, stop, flags)
        case _:
            return _wait(step, state, seen, flags)


def _over(step: PlannedPulseSeries, state: SeriesState, stop: tuple[str, str], flags: tuple[str, ...]) -> Decision:
    """The pack is at its floor, or too warm: the series ends with what it has."""
    if state.phase == "pulse":
        state = _recorded(step, state, stop[0])
    full = len({record.portion for record in state.records if not record.why_not})
    flag = f"pulse series ended at {full} of {step.portions} states: {stop[0]}"
    return ended(state, _phase(state), stop[0], stop[1], (*flags, flag))


def _move(step: PlannedPulseSeries, state: SeriesState, seen: Seen, flags: tuple[str, ...]) -> Decision:
    if seen.discharging_ah >= state.portion * step.portion_ah:
        state = replace(state, phase="settle", since_s=seen.step_time_s)
        return Decision(OFF, 1.0, state, _phase(state), None, flags)
    draw = Draw("current", step.move_a, step.move_ceiling_a, step.trip_voltage_v, step.move_timer_s)
    left_s = (state.portion * step.portion_ah - seen.discharging_ah) / step.move_a * 3600.0
    return Decision(draw, min(1.0, max(left_s, step.pulse_every_s)), state, _phase(state), None, flags)


def _wait(step: PlannedPulseSeries, state: SeriesState, seen: Seen, flags: tuple[str, ...]) -> Decision:
    """The rest before the first pulse of a state, or between two of its pulses."""
    wait_s = step.settle_s if state.phase == "settle" else step.rest_s
    left_s = state.since_s + wait_s - seen.step_time_s
    if left_s > _ROUNDING_S:
        return Decision(OFF, min(1.0, left_s), state, _phase(state), None, flags)
    level = 0 if state.phase == "settle" else state.level + 1
    state = replace(state, phase="pulse", level=level, before_ah=seen.discharging_ah)
    return Decision(_draw(step, state), step.pulse_every_s, state, _phase(state), None, flags)


def _pulse(
    step: PlannedPulseSeries, state: SeriesState, seen: Seen, stop: tuple[str, str] | None, flags: tuple[str, ...]
) -> Decision:
    if seen.output != "load" or seen.since_on_s is None:
        return Decision(_draw(step, state), step.pulse_every_s, state, _phase(state), None, flags)
    left_s = step.hold_s - seen.since_on_s
    if stop is None and left_s > _ROUNDING_S:
        return Decision(_draw(step, state), min(step.pulse_every_s, left_s), state, _phase(state), None, flags)
    state = _recorded(step, state, "" if stop is None else stop[0])
    if stop is None and state.level + 1 < len(step.levels):
        state = replace(state, phase="rest", since_s=seen.step_time_s)
        return Decision(OFF, 1.0, state, _phase(state), None, flags)
    if state.portion >= step.portions:
        words = f"pulsed at {step.portions} states of charge"
        return ended(state, _phase(state), words, "done", flags)
    state = replace(state, portion=state.portion + 1, phase="move", level=0)
    # A pause between pulse and draw: they have different settings, and off lies between.
    return Decision(OFF, 1.0, state, _phase(state), None, flags)


def _recorded(step: PlannedPulseSeries, state: SeriesState, why_not: str) -> SeriesState:
    level = step.levels[state.level]
    record = PulseRecord(state.portion, level.number, level.current_a, state.before_ah, why_not)
    return replace(state, records=(*state.records, record))


def _level(step: PlannedPulseSeries, state: SeriesState) -> Rung:
    return step.levels[state.level]


def _draw(step: PlannedPulseSeries, state: SeriesState) -> Draw:
    level = _level(step, state)
    timer_s = pulse_timer_s(step.hold_s)
    return Draw("current", level.current_a, level.ceiling_a, step.trip_voltage_v, timer_s)


def _phase(state: SeriesState) -> str:
    """Which part of the series this is, as the samples carry it; results/pulse.py reads it back."""
    words = {"move": "move", "settle": "settle", "pulse": f"pulse {state.level + 1}", "rest": f"rest {state.level + 1}"}
    return f"state {state.portion}: {words[state.phase]}"
