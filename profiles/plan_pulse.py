"""Works out the pulses of a resistance test in absolute numbers, and says why they cannot be drawn."""

from itertools import pairwise

from benchwarden.profiles.plan_working import HAIR, Working, amperes, default_words, load_can, refuse, rounded, volts
from benchwarden.profiles.planned import FAST_S, PlannedPulse, PlannedPulseSeries, Rung
from benchwarden.profiles.profile import PulseStep
from benchwarden.profiles.quantity import Amount, current_amount
from benchwarden.profiles.step_models import IEC_HIGH, IEC_HIGH_S, IEC_LOW, IEC_LOW_S

_CEILING = 1.1
# Where the profile says nothing: at each tenth of the charge, moved at 1C, an hour's rest before the pulses, 40 s
# between them (power-assist battery test manual of the US Department of Energy, DOE/ID-11069, 2003; from memory).
_EACH, _DOWN_TO, _MOVE, _SETTLE_S, _REST_S = 0.10, 0.10, "1C", 3600.0, 40.0
_TIMES_S = (1.0,)
_LONGER, _TIMER_MARGIN_S = 1.5, 60.0
_WARMING_K = 10.0


def plan_pulse(step: PulseStep, number: int, work: Working) -> PlannedPulse | PlannedPulseSeries | None:
    """The pulses; reasons in `work` where the pack or the load cannot do them."""
    name, floor_v = volts(work, step, step.floor)
    load_can(work, step, work.pack.series * floor_v)
    if step.method == "two-step":
        return _two_step(step, number, work, name, floor_v)
    return _series(step, number, work, name, floor_v)


def _two_step(step: PulseStep, number: int, work: Working, name: str, floor_v: float) -> PlannedPulse:
    pack, bay = work.pack, work.bay
    low_a, high_a = (amperes(current_amount(rate), pack) for rate in (IEC_LOW, IEC_HIGH))
    _can(step, work, high_a, IEC_HIGH_S)
    return PlannedPulse(
        number=number,
        title=f"resistance: {low_a:g} A for {IEC_LOW_S:g} s, at once {high_a:g} A for {IEC_HIGH_S:g} s",
        estimate_s=IEC_LOW_S + IEC_HIGH_S + 1.0,
        low_a=low_a,
        low_s=IEC_LOW_S,
        high_a=high_a,
        high_s=IEC_HIGH_S,
        ceiling_a=_ceiling_a(high_a, bay.load_max_current_a),
        series=pack.series,
        floor_name=name,
        floor_v=floor_v,
        temperature_cut_off_c=pack.temperature_cut_off_c,
        trip_voltage_v=rounded(pack.series * pack.hard_low_v),
        at_most_s=120.0,
        every_s=FAST_S,
    )


def _can(step: PulseStep, work: Working, level_a: float, hold_s: float) -> None:
    """The pack may give the current for so long, and the load can draw it."""
    pack, bay = work.pack, work.bay
    top_v = pack.series * pack.top_v
    burst = level_a > pack.max_discharge_a * (1 + HAIR)
    if burst and (pack.max_burst_s is None or hold_s > pack.max_burst_s * (1 + HAIR)):
        refuse(
            work,
            step,
            f"{level_a:g} A for {hold_s:g} s is above the pack's max discharge {pack.max_discharge_a:g} A"
            f"{default_words(pack, 'max_discharge')}",
        )
    elif level_a > pack.max_burst_a * (1 + HAIR) and burst:
        refuse(
            work,
            step,
            f"{level_a:g} A is above the pack's max burst {pack.max_burst_a:g} A{default_words(pack, 'max_burst')}",
        )
    if level_a > bay.load_max_current_a * (1 + HAIR):
        refuse(work, step, f"{level_a:g} A is above the load's {bay.load_max_current_a:g} A")
    if level_a * top_v > bay.load_max_power_w * (1 + HAIR):
        refuse(
            work,
            step,
            f"{level_a:g} A is up to {level_a * top_v:.0f} W, above the load's {bay.load_max_power_w:g} W",
        )


def _ceiling_a(level_a: float, load_a: float) -> float:
    return rounded(max(level_a, min(_CEILING * level_a, load_a)))


def _series(step: PulseStep, number: int, work: Working, name: str, floor_v: float) -> PlannedPulseSeries | None:
    pack, bay = work.pack, work.bay
    assert step.levels is not None
    assert step.hold_s is not None
    wanted = [amperes(level, pack) for level in step.levels]
    if any(later <= one for one, later in pairwise(wanted)):
        refuse(work, step, f"levels {', '.join(f'{one:g} A' for one in wanted)} do not rise")
    for level_a in wanted:
        _can(step, work, level_a, step.hold_s)
    each, down_to = step.each or _EACH, step.down_to or _DOWN_TO
    portions = int((1 - down_to) / each + 1e-6)
    if portions < 1:
        refuse(work, step, f"each {100 * each:g} % down to {100 * down_to:g} % leaves no state to pulse at")
        return None
    move_a = amperes(step.move or Amount(current_amount(_MOVE).value, "C"), pack)
    _can(step, work, move_a, 3600.0)
    settle_s, rest_s = step.settle_s or _SETTLE_S, step.rest_s or _REST_S
    pulses_s = len(wanted) * step.hold_s + (len(wanted) - 1) * rest_s
    portion_ah = rounded(each * pack.rated_capacity_ah)
    estimate_s = portions * (settle_s + pulses_s + portion_ah / move_a * 3600 + 3.0)
    if work.charged < 1.0:
        refuse(work, step, "a series begins with a full pack; put a charge before it")
    work.charged, work.warmer_k = max(0.0, work.charged - portions * each), _WARMING_K
    return PlannedPulseSeries(
        number=number,
        title=(
            f"pulses of {', '.join(f'{one:g} A' for one in wanted)} for {step.hold_s:g} s at {portions} states of "
            f"charge, {100 * each:g} % apart"
        ),
        estimate_s=estimate_s,
        levels=tuple(
            Rung(place, one, rounded(one / pack.rated_capacity_ah), _ceiling_a(one, bay.load_max_current_a))
            for place, one in enumerate(wanted, start=1)
        ),
        hold_s=step.hold_s,
        times_s=tuple(sorted({*(step.times_s or _TIMES_S), step.hold_s})),
        rest_s=rest_s,
        settle_s=settle_s,
        portion_ah=portion_ah,
        portion_percent=round(100 * each, 6),
        portions=portions,
        move_a=move_a,
        move_ceiling_a=_ceiling_a(move_a, bay.load_max_current_a),
        move_timer_s=rounded(_LONGER * portion_ah / move_a * 3600 + _TIMER_MARGIN_S),
        series=pack.series,
        floor_name=name,
        floor_v=floor_v,
        temperature_cut_off_c=pack.temperature_cut_off_c,
        trip_voltage_v=rounded(pack.series * pack.hard_low_v),
        ambient_low_c=work.ambient.low_c if work.ambient else None,
        ambient_high_c=work.ambient.high_c if work.ambient else None,
        at_most_s=rounded(1.5 * estimate_s + 60.0),
        pulse_every_s=FAST_S,
    )
