"""The fingerprint of a plan: a hash of all that decides the result, relative to the pack.

Two runs may be compared if theirs agree. Rates stand in C and cut-offs by name, so that packs of any size
agree; titles and names stay out, and so does what comes after the last measurement. The scheme number changes
whenever the same test would hash differently.
"""

import hashlib
import json
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from benchwarden.profiles.bay import BayAbilities
from benchwarden.profiles.pack import PackValues
from benchwarden.profiles.profile import (
    AskStep,
    ChargeStep,
    DischargeStep,
    InspectStep,
    LadderStep,
    Profile,
    PulseStep,
    RepeatStep,
    RestStep,
    SoakStep,
    Step,
    StoreStep,
)
from benchwarden.profiles.quantity import Amount
from benchwarden.profiles.step_models import Until

SCHEME = 1


def rate_c(amount: Amount, pack: PackValues) -> float:
    """An amount as a multiple of rated capacity per hour (and of nominal voltage if it is a power).

    The current It = rated capacity / 1 h as in IEC 62619:2017, 7.1, note 1.
    """
    per_c = {"C": 1.0, "A": pack.rated_capacity_ah, "W": pack.rated_capacity_ah * pack.nominal_pack_v}
    return amount.value / per_c[amount.unit]


def fingerprint_parts(profile: Profile, pack: PackValues, bay: BayAbilities) -> dict[str, Any]:
    """All that decides the result, ready for JSON: the bench's share, then the steps up to the last measurement.

    A profile in which nothing is measured by a current is what it is for: its storing, else its look at the groups.
    """
    steps = list(profile.steps)
    while steps and isinstance(steps[-1], StoreStep | AskStep | InspectStep):
        steps.pop()
    parts: dict[str, Any] = {
        "scheme": SCHEME,
        "sense": bay.sense,
        "taps": bay.taps,
        "cooling": bay.cooling,
        "charge": bay.charge,
        "steps": _steps(steps, profile, pack, bay) if steps else _nothing_else(profile, pack, bay),
    }
    if profile.ambient is not None:
        parts["ambient_low_c"] = profile.ambient.low_c
        parts["ambient_high_c"] = profile.ambient.high_c
    return parts


def _nothing_else(profile: Profile, pack: PackValues, bay: BayAbilities) -> list[dict[str, Any]]:
    """What is left of steps that do not count beside others: the storing, else the inspections, else the questions."""
    for kind in (StoreStep, InspectStep, AskStep):
        if steps := [step for step in profile.steps if isinstance(step, kind)]:
            return [_step(step, profile, pack, bay) for step in steps]
    return []


def fingerprint(parts: Mapping[str, Any]) -> str:
    """The scheme number and sixteen hexadecimal digits: SHA-256 over the parts as canonical JSON."""
    text = json.dumps(parts, sort_keys=True, separators=(",", ":"), ensure_ascii=True, allow_nan=False)
    return f"{parts['scheme']}-{hashlib.sha256(text.encode()).hexdigest()[:16]}"


def differences(parts_a: Mapping[str, Any], parts_b: Mapping[str, Any]) -> list[str]:
    """What differs, in words, such as "step 3 rest: at least 30 min / 60 min"; empty if nothing does."""
    found: list[str] = [
        f"{_name(key)} {_value(key, parts_a.get(key))} / {_value(key, parts_b.get(key))}"
        for key in _keys(parts_a, parts_b)
        if key != "steps" and parts_a.get(key) != parts_b.get(key)
    ]
    steps_a: Any = parts_a.get("steps", [])
    steps_b: Any = parts_b.get("steps", [])
    return found + _steps_differ(steps_a, steps_b, "step ")


def _steps_differ(steps_a: Sequence[Mapping[str, Any]], steps_b: Sequence[Mapping[str, Any]], where: str) -> list[str]:
    found: list[str] = []
    for number in range(1, max(len(steps_a), len(steps_b)) + 1):
        a = steps_a[number - 1] if number <= len(steps_a) else {"do": "nothing"}
        b = steps_b[number - 1] if number <= len(steps_b) else {"do": "nothing"}
        if a["do"] != b["do"]:
            found.append(f"{where}{number}: {a['do']} / {b['do']}")
            continue
        found += [
            f"{where}{number} {a['do']}: {_name(key)} {_value(key, a.get(key))} / {_value(key, b.get(key))}"
            for key in _keys(a, b)
            if key != "steps" and a.get(key) != b.get(key)
        ]
        within_a: Any = a.get("steps", [])
        within_b: Any = b.get("steps", [])
        found += _steps_differ(within_a, within_b, f"{where}{number}.")
    return found


def _steps(steps: Iterable[Step], profile: Profile, pack: PackValues, bay: BayAbilities) -> list[dict[str, Any]]:
    """What counts of steps: nothing of those in which a person or nobody does anything to the pack."""
    return [
        _step(step, profile, pack, bay)
        | ({} if not isinstance(step, RepeatStep) else {"steps": _steps(step.steps, profile, pack, bay)})
        for step in steps
        if not isinstance(step, AskStep | InspectStep)
    ]


def _step(step: Step, profile: Profile, pack: PackValues, bay: BayAbilities) -> dict[str, Any]:
    parts: dict[str, Any] = {"do": step.do}
    match step:
        case RestStep():
            parts |= {
                "at_least_s": step.at_least_s,
                "until_within_k": step.until_within_k,
                "until_below_c": step.until_below_c,
            }
        case ChargeStep() if bay.charge == "supply":
            parts |= {"current_rate": _rate(step.current, pack), "taper_rate": _rate(step.taper, pack)}
            parts |= _until(step.until, pack)
        case DischargeStep():
            if step.power is not None:
                parts["power_rate"] = _rate(step.power, pack)
            elif step.current is not None:
                parts["current_rate"] = _rate(step.current, pack)
            elif step.resistance_ohm is not None:
                current = Amount(pack.nominal_pack_v / step.resistance_ohm, "A")
                parts["resistance_rate"] = _rate(current, pack)
            elif step.power_table is not None:
                parts |= _table(profile, step.power_table, pack)
            parts["group_voltage"] = _cut_off(step.stop_at.group_voltage)
            parts["temperature"] = _temperature(step.stop_at.temperature_c)
            parts |= _until(step.until, pack)
        case LadderStep():
            parts |= {
                "from_rate": _rate(step.first, pack),
                "step_rate": _rate(step.step, pack),
                "to_rate": None if step.last is None else _rate(step.last, pack),
                "hold_s": step.hold_s,
                "rest_s": step.rest_s,
                "floor": _cut_off(step.floor),
                "every_s": step.every_s,
            }
        case StoreStep() if step.full_first is not None:
            parts["full_first_rate"] = _rate(step.full_first, pack)
        case SoakStep():
            parts |= {
                "to": step.to if isinstance(step.to, str) else f"{step.to:g} °C",
                "within_k": step.within_k,
                "hold_s": step.hold_s,
            }
        case PulseStep():
            parts |= {"method": step.method, "floor": _cut_off(step.floor)}
            if step.method == "series":
                parts |= {
                    "levels": ", ".join(f"{_rate(level, pack):g}C" for level in step.levels or ()),
                    "hold_s": step.hold_s,
                    "rest_s": step.rest_s,
                    "settle_s": step.settle_s,
                    "each": step.each,
                    "down_to": step.down_to,
                    "move_rate": None if step.move is None else _rate(step.move, pack),
                }
        case RepeatStep():
            until = step.until
            parts |= {
                "times": step.times,
                "until_delivered_below": str(until.delivered_below) if until and until.delivered_below else None,
                "until_delivered_at_least": str(until.delivered_at_least)
                if until and until.delivered_at_least
                else None,
            }
    return parts


def _until(until: Until | None, pack: PackValues) -> dict[str, Any]:
    """What counts of the conditions; nothing at all where there are none, as before there could be any."""
    if until is None:
        return {}
    full_wh = pack.rated_capacity_ah * pack.nominal_pack_v
    found: dict[str, Any] = {
        "until_charge": _share(until.charge, pack.rated_capacity_ah),
        "until_energy": _share(until.energy, full_wh),
        "until_time_s": until.time_s,
        "until_voltage": None if until.voltage_v is None else f"{until.voltage_v:g} V per group",
        "until_temperature_c": until.temperature_c,
        "until_group_spread": None if until.group_spread_v is None else f"{1000 * until.group_spread_v:g} mV",
    }
    return {key: value for key, value in found.items() if value is not None}


def _share(amount: Amount | None, whole: float) -> str | None:
    if amount is None:
        return None
    percent = amount.value if amount.unit == "%" else 100 * amount.value / whole
    return f"{round(percent, 4):g} % of rated"


def _table(profile: Profile, name: str, pack: PackValues) -> dict[str, Any]:
    """A record by what is in it, not by its name: every row, relative to the pack."""
    table = profile.table(name)
    rates = [[time_s, round(rate_c(Amount(power, table.unit), pack), 4)] for time_s, power in table.rows]
    text = json.dumps(rates, separators=(",", ":"))
    return {
        "power_table": hashlib.sha256(text.encode()).hexdigest()[:16],
        "power_table_lasts_s": table.duration_s,
        "power_table_mean_rate": round(rate_c(Amount(table.mean, table.unit), pack), 4),
    }


def _rate(amount: Amount, pack: PackValues) -> float:
    return round(rate_c(amount, pack), 4)


def _cut_off(value: str | float) -> str:
    return value if isinstance(value, str) else f"{value:g} V per group"


def _temperature(value: float | None) -> str:
    return "temperature cut-off" if value is None else f"{value:g} °C"


def _keys(a: Mapping[str, Any], b: Mapping[str, Any]) -> list[str]:
    return [*a, *(key for key in b if key not in a)]


def _name(key: str) -> str:
    return key.removesuffix("_s").removesuffix("_k").removesuffix("_c").removesuffix("_rate").replace("_", " ")


def _value(key: str, value: object) -> str:
    if value is None:
        return "not given"
    if isinstance(value, float | int) and key.endswith("_s"):
        if value >= 120 and value % 60 == 0:
            return f"{value / 60:.10g} min"
        return f"{value:.10g} s"
    for suffix, unit in (("_k", " K"), ("_c", " °C"), ("_rate", "C")):
        if key.endswith(suffix):
            return f"{value:.10g}{unit}" if isinstance(value, float | int) else f"{value}{unit}"
    return str(value)
