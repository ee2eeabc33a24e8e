"""Whether a plan may be run with nobody beside it, and what a charge needs first. Pure; common practice, no source.

Charging unattended is off by default: most fires begin there. What allows it is a line in the bench file and everything
that has to be there with it; and the pack itself, of which no instrument can tell the chemistry.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from benchwarden.profiles.plan import Plan
from benchwarden.profiles.planned import PlannedAsk, PlannedCharge, PlannedRest, PlannedStep, PlannedStore

HOW_ATTENDED = "`benchwarden run --attended …`, with somebody beside the bench from its beginning to its end"


@dataclass(frozen=True, slots=True, kw_only=True)
class Circumstances:
    """What decides beside the plan.

    `allowed`: the bench file's `unattended_charge`. `isolation`: what keeps the pack from feeding back into the supply,
    None without one. `supply_lacks`: which of its own protections the supply cannot be given, in words. `confirmed`: a
    person has said that the pack is of its file's chemistry, series count and full voltage; `charged_attended`: such a
    pack was once charged to its end with somebody beside it.
    """

    allowed: bool
    isolation: str | None
    supply_lacks: tuple[str, ...]
    confirmed: bool
    charged_attended: bool


def charges(plan: Plan) -> bool:
    """Tell whether the bay's supply will, or may, charge the pack."""
    return any(_feeds(step) for step in plan.steps)


def _feeds(step: PlannedStep) -> bool:
    match step:
        case PlannedCharge():
            return step.method == "supply"
        case PlannedStore():
            return step.feed_a is not None
        case _:
            return False


def refusals(plan: Plan, found: Circumstances) -> list[str]:
    """Return why the plan may not be run, in words; empty if it may. `plan.attended` tells who is there."""
    reasons: list[str] = []
    if charges(plan) and not found.confirmed:
        pack = plan.pack
        reasons.append(
            f"nobody has confirmed that {pack.name} is {pack.chemistry}, {pack.series} in series, full at "
            f"{pack.full_v:.2f} V per group; `benchwarden confirm PACK-FILE` asks for it once"
        )
    return reasons if plan.attended else [*_unattended(plan, found), *reasons]


def _unattended(plan: Plan, found: Circumstances) -> list[str]:
    bay = plan.bay
    reasons: list[str] = []
    if found.isolation == "none":
        reasons.append(
            'the supply\'s isolation is "none": the pack can feed back into it all night; right would be a diode or a '
            f"relay, or {HOW_ATTENDED}"
        )
    if not charges(plan):
        return reasons
    if not found.allowed:
        reasons.append(
            "charging unattended is off by default; right would be unattended_charge = true in this bay's table of the "
            f'bench file, {HOW_ATTENDED}, or charge = "operator"'
        )
    needed: list[str] = []
    if bay.group_channels == 0:
        needed.append("group voltages (cells)")
    if not bay.pack_places:
        needed.append("a temperature sensor on the pack")
    needed += [f"the supply's own {name}" for name in found.supply_lacks]
    if needed:
        reasons.append(f"charging unattended also needs what this bay lacks: {', '.join(needed)}")
    if plan.pack.mass_kg is None:
        reasons.append(
            f"charging unattended also needs the mass of {plan.pack.name}, without which a probe that fell off is not "
            f'noticed; right would be mass = "… g" in its pack file, or {HOW_ATTENDED}'
        )
    if not found.charged_attended:
        reasons.append(f"a pack's first charge is attended, and {plan.pack.name} has had none; right is {HOW_ATTENDED}")
    return reasons


def attended(plan: Plan) -> Plan:
    """Return the plan as it is run with somebody beside it.

    A group that rests too low may then be charged slowly until it recovers; and where such a charge comes before
    anything else flows, the pack may rest lower until then than its hard limit.
    """
    steps = tuple(replace(step, may_recover=True) if isinstance(step, PlannedCharge) else step for step in plan.steps)
    limits = plan.limits
    if _charged_first(steps) and plan.pack.recover_least_v < limits.group_low_v:
        limits = replace(limits, recover_low_v=plan.pack.recover_least_v)
    return replace(plan, attended=True, steps=steps, limits=limits)


def _charged_first(steps: Sequence[PlannedStep]) -> bool:
    first = next((step for step in steps if not isinstance(step, PlannedAsk | PlannedRest)), None)
    return isinstance(first, PlannedCharge) and first.method == "supply"
