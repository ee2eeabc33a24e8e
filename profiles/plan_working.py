"""What is carried from step to step while a plan is worked out, and the checks that several steps share."""

from dataclasses import dataclass, field

from benchwarden.profiles.bay import BayAbilities
from benchwarden.profiles.fingerprint import rate_c
from benchwarden.profiles.pack import PackValues
from benchwarden.profiles.power_table import PowerTable
from benchwarden.profiles.profile import DISCHARGE_CUT_OFF, LADDER_FLOOR, SimpleStep
from benchwarden.profiles.quantity import Amount, TemperatureSpan

# A hair more than a bound is the bound: sums of decimal fractions are not exact.
HAIR = 1e-9


@dataclass(slots=True)
class Working:
    """What is carried from step to step: why the plan is refused, and estimates of charge (0 to 1) and warmth.

    `place`: where the step stands in the profile, "3", or "3.1" for the first in a repeat that stands third.
    """

    pack: PackValues
    bay: BayAbilities
    ambient: TemperatureSpan | None
    place: str = ""
    reasons: list[str] = field(default_factory=list)
    charged: float = 0.0
    warmer_k: float = 5.0
    tables: dict[str, PowerTable] = field(default_factory=dict)


def refuse(work: Working, step: SimpleStep, words: str) -> None:
    """Adds a reason why the plan is refused, with the step it comes from as it is counted in the profile."""
    work.reasons.append(f"step {work.place} {step.do}: {words}")


def rounded(value: float) -> float:
    """A set-point to the millionth: what is shown, stored and sent is the same number."""
    return round(value, 6)


def amperes(amount: Amount, pack: PackValues) -> float:
    """A current in amperes."""
    return rounded(rate_c(amount, pack) * pack.rated_capacity_ah)


def default_words(pack: PackValues, key: str) -> str:
    """What to add where a limit of the pack refuses something and is only a default: which key says it; else empty.

    `key` as in the pack file: "max_discharge", "max_burst", "max_charge".
    """
    if not any(words.startswith(f"{key.replace('_', ' ')} ") for words in pack.defaults):
        return ""
    of = {"max_discharge": "1C", "max_burst": "as max discharge"}.get(key, "half of C")
    return f", which is a default ({of}); right would be {key} in the pack file as its data sheet says it, or less"


def volts(work: Working, step: SimpleStep, given: str | float) -> tuple[str, float]:
    """A cut-off's name and volts per group, checked against the pack's hard limit."""
    pack = work.pack
    if given == DISCHARGE_CUT_OFF:
        return DISCHARGE_CUT_OFF, pack.discharge_cut_off_v
    if given == LADDER_FLOOR:
        return LADDER_FLOOR, pack.ladder_floor_v
    volts = float(given)
    least_v = pack.hard_low_v + pack.margin_v
    if volts < least_v - HAIR:
        refuse(
            work,
            step,
            f"cut-off {volts:g} V is within {pack.margin_v:g} V of the hard limit {pack.hard_low_v:g} V; "
            f"right would be {least_v:g} V or more",
        )
    if volts >= pack.top_v:
        refuse(work, step, f"cut-off {volts:g} V is not below a full group's {pack.top_v:g} V")
    return "cut-off", volts


def degrees(work: Working, step: SimpleStep, given: float | None) -> float:
    """A temperature cut-off in degrees Celsius, checked against the pack's limit; the pack's own if not given."""
    pack = work.pack
    if given is None:
        return pack.temperature_cut_off_c
    if given > pack.temperature_limit_c - 5 + HAIR:
        refuse(
            work,
            step,
            f"temperature cut-off {given:g} °C is within 5 K of the limit {pack.temperature_limit_c:g} °C",
        )
    return given


def load_can(work: Working, step: SimpleStep, lowest_v: float) -> None:
    """The load's voltage range holds the pack's, down to `lowest_v`."""
    pack, bay = work.pack, work.bay
    top_v = pack.series * pack.top_v
    if top_v > bay.load_max_voltage_v * (1 + HAIR):
        refuse(work, step, f"the pack's {top_v:g} V are above the load's {bay.load_max_voltage_v:g} V")
    if lowest_v < bay.load_min_voltage_v * (1 - HAIR):
        refuse(
            work,
            step,
            f"it goes down to {lowest_v:g} V, where the load cannot draw (minimum {bay.load_min_voltage_v:g} V)",
        )
