"""Works out single steps in absolute numbers, and says why one cannot be done."""

import math

from benchwarden.profiles.least_drawn import too_little
from benchwarden.profiles.plan_draws import plan_discharge, plan_ladder, plan_store
from benchwarden.profiles.plan_pulse import plan_pulse
from benchwarden.profiles.plan_until import charged_until, plan_until
from benchwarden.profiles.plan_working import HAIR, Working, amperes, default_words, refuse, rounded
from benchwarden.profiles.planned import (
    PlannedAsk,
    PlannedCharge,
    PlannedInspect,
    PlannedRest,
    PlannedSoak,
    PlannedStep,
)
from benchwarden.profiles.profile import (
    AskStep,
    ChargeStep,
    DischargeStep,
    InspectStep,
    LadderStep,
    PulseStep,
    RestStep,
    SimpleStep,
    SoakStep,
    StoreStep,
)

# For estimates only; common practice, no source: a pack's cooling time constant, the time constant of the
# current at constant voltage, the warming for each C of discharge, and how long an operator's charge takes.
_COOLING_S = 600.0
_HOLDING_S = 900.0
_OPERATOR_CHARGE_S = 5400.0


def plan_step(step: SimpleStep, number: int, work: Working) -> PlannedStep | None:
    """The step in absolute numbers; None if it cannot be, with the reasons added to `work`."""
    before = len(work.reasons)
    planned = _planned(step, number, work)
    if planned is not None and len(work.reasons) == before and (words := too_little(planned, work.pack, work.bay)):
        refuse(work, step, words)
    return planned if len(work.reasons) == before else None


def _planned(step: SimpleStep, number: int, work: Working) -> PlannedStep | None:
    match step:
        case AskStep():
            title = f"ask: {step.text}"
            return PlannedAsk(number=number, title=title, estimate_s=300.0, text=step.text, answers=step.answers)
        case RestStep():
            return _rest(step, number, work)
        case ChargeStep():
            return _charge(step, number, work)
        case DischargeStep():
            return plan_discharge(step, number, work)
        case LadderStep():
            return plan_ladder(step, number, work)
        case StoreStep():
            return plan_store(step, number, work)
        case InspectStep():
            return _inspect(step, number, work)
        case SoakStep():
            return _soak(step, number, work)
        case PulseStep():
            return plan_pulse(step, number, work)


def _inspect(step: InspectStep, number: int, work: Working) -> PlannedInspect:
    pack, bay = work.pack, work.bay
    if bay.group_channels == 0 and pack.series > 1:
        refuse(work, step, f"it looks at every group, and bay {bay.name} has no meter for groups")
    return PlannedInspect(
        number=number,
        title=f"inspect {pack.series} groups, at most {1000 * step.spread_v:g} mV apart, with nothing on",
        estimate_s=step.for_s,
        series=pack.series,
        channels=bay.group_channels,
        taps=bay.taps,
        low_v=pack.hard_low_v,
        high_v=pack.hard_high_v,
        spread_v=step.spread_v,
        for_s=step.for_s,
        every_s=step.every_s,
    )


def _soak(step: SoakStep, number: int, work: Working) -> PlannedSoak:
    bay = work.bay
    to_c = None if isinstance(step.to, str) else step.to
    if not bay.pack_places:
        refuse(work, step, f"it waits for the pack's temperature; bay {bay.name} has no sensor on it")
    if to_c is None and not bay.has_ambient:
        refuse(work, step, f'to = "ambient" needs a sensor at ambient; bay {bay.name} has none')
    cooling_s = _COOLING_S * math.log(max(1.0, work.warmer_k / step.within_k))
    estimate_s = min(step.at_most_s, cooling_s + step.hold_s)
    work.warmer_k *= math.exp(-estimate_s / _COOLING_S)
    return PlannedSoak(
        number=number,
        title=f"soak to within {step.within_k:g} K of {'ambient' if to_c is None else f'{to_c:g} °C'}",
        estimate_s=estimate_s,
        to_c=to_c,
        within_k=step.within_k,
        hold_s=step.hold_s,
        at_most_s=step.at_most_s,
        every_s=step.every_s,
    )


def _rest(step: RestStep, number: int, work: Working) -> PlannedRest:
    if step.until_within_k is not None and not work.bay.has_ambient:
        refuse(work, step, f"until_within needs a sensor at ambient; bay {work.bay.name} has none")
    waits = step.until_within_k is not None or step.until_below_c is not None
    if waits and not work.bay.pack_places:
        refuse(
            work,
            step,
            f"it waits for the pack's temperature; bay {work.bay.name} has no sensor on it",
        )
    to_k = step.until_within_k
    if step.until_below_c is not None:
        middle_c = (work.ambient.low_c + work.ambient.high_c) / 2 if work.ambient else 23.0
        to_k = min(to_k or math.inf, max(1.0, step.until_below_c - middle_c))
    cooling_s = 0.0
    if to_k is not None and work.warmer_k > to_k:
        cooling_s = _COOLING_S * math.log(work.warmer_k / to_k)
    estimate_s = max(step.at_least_s, cooling_s)
    if step.at_most_s is not None:
        estimate_s = min(estimate_s, step.at_most_s)
    work.warmer_k *= math.exp(-estimate_s / _COOLING_S)
    return PlannedRest(
        number=number,
        title="rest",
        estimate_s=estimate_s,
        at_least_s=step.at_least_s,
        until_within_k=step.until_within_k,
        until_below_c=step.until_below_c,
        at_most_s=step.at_most_s,
        every_s=step.every_s,
    )


def _charge(step: ChargeStep, number: int, work: Working) -> PlannedCharge | None:
    pack, bay = work.pack, work.bay
    if not pack.chargeable or pack.full_v is None:
        refuse(work, step, f"{pack.chemistry} is not charged here; leave the step out")
        return None
    current_a, taper_a = amperes(step.current, pack), amperes(step.taper, pack)
    if taper_a >= current_a:
        refuse(work, step, f"taper {taper_a:g} A is not below the current {current_a:g} A")
    if bay.charge == "supply":
        _supply_can(step, work, current_a)
    estimate_s = _OPERATOR_CHARGE_S
    if bay.charge == "supply":
        missing_ah = (1 - work.charged) * pack.rated_capacity_ah
        held_ah = min(missing_ah, _HOLDING_S * (current_a - taper_a) / 3600)
        tail_s = _HOLDING_S * math.log(max(1.0, current_a / taper_a))
        estimate_s = min(step.at_most_s, (missing_ah - held_ah) / current_a * 3600 + tail_s)
    until = plan_until(step.until, step, work, charging=True)
    if until is not None and bay.charge != "supply":
        refuse(work, step, 'until needs the bay\'s own supply: with charge = "operator" the charge is a full one')
    estimate_s, charged = charged_until(until, work, estimate_s, 1.0)
    work.charged, work.warmer_k = charged, 5.0
    early = "" if until is None else ", or until what the profile asks for"
    return PlannedCharge(
        number=number,
        title=f"charge at {current_a:g} A to {pack.full_v:.2f} V per group, taper {taper_a:g} A{early}",
        estimate_s=estimate_s,
        method=bay.charge,
        series=pack.series,
        full_v=pack.full_v,
        current_a=current_a,
        slow_current_a=rounded(min(current_a, 0.5 * pack.rated_capacity_ah)),
        recover_current_a=rounded(min(current_a, 0.1 * pack.rated_capacity_ah)),
        recover_below_v=pack.recover_below_v,
        recover_least_v=pack.recover_least_v,
        taper_a=taper_a,
        rated_capacity_ah=pack.rated_capacity_ah,
        start_low_c=pack.charge_low_c,
        start_high_c=pack.charge_high_c,
        at_most_s=step.at_most_s,
        every_s=step.every_s,
        until=until,
    )


def _supply_can(step: ChargeStep, work: Working, current_a: float) -> None:
    pack, bay = work.pack, work.bay
    if not bay.has_supply or bay.supply_max_current_a is None or bay.supply_max_voltage_v is None:
        refuse(work, step, f'bay {bay.name} has no supply; right would be charge = "operator"')
        return
    if current_a > pack.max_charge_a * (1 + HAIR):
        known = default_words(pack, "max_charge")
        refuse(work, step, f"{current_a:g} A is above the pack's max charge {pack.max_charge_a:g} A{known}")
    if current_a > bay.supply_max_current_a * (1 + HAIR):
        refuse(work, step, f"{current_a:g} A is above the supply's {bay.supply_max_current_a:g} A")
    full_v = pack.series * pack.top_v
    if full_v > bay.supply_max_voltage_v * (1 + HAIR):
        refuse(work, step, f"{full_v:g} V is above the supply's {bay.supply_max_voltage_v:g} V")
    if bay.group_channels == 0 and pack.series > 1:
        refuse(
            work,
            step,
            f"a supply cannot balance {pack.series} groups unseen: bay {bay.name} has no meter for groups",
        )
