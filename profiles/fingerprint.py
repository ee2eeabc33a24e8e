"""The fingerprint of a plan: a hash of all that decides the result, relative to the pack.

Two runs may be compared if theirs agree. Rates stand in C and cut-offs by name, so that packs of any size
agree; titles and names stay out, and so does what comes after the last measurement. The scheme number changes
whenever the same test would hash differently.
"""

import hashlib
import json
from collections.abc import Mapping
from typing import Any

from benchwarden.profiles.bay import BayAbilities
from benchwarden.profiles.pack import PackValues
from benchwarden.profiles.profile import (
    AskStep,
    ChargeStep,
    DischargeStep,
    LadderStep,
    Profile,
    RestStep,
    Step,
    StoreStep,
)
from benchwarden.profiles.quantity import Amount

SCHEME = 1


def rate_c(amount: Amount, pack: PackValues) -> float:
    """An amount as a multiple of rated capacity per hour (and of nominal voltage if it is a power).

    The current It = rated capacity / 1 h as in IEC 62619:2017, 7.1, note 1.
    """
    per_c = {"C": 1.0, "A": pack.rated_capacity_ah, "W": pack.rated_capacity_ah * pack.nominal_pack_v}
    return amount.value / per_c[amount.unit]


def fingerprint_parts(profile: Profile, pack: PackValues, bay: BayAbilities) -> dict[str, Any]:
    """All that decides the result, ready for JSON: the bench's share, then the steps up to the last measurement."""
    steps = list(profile.steps)
    while steps and isinstance(steps[-1], StoreStep | AskStep):
        steps.pop()
    parts: dict[str, Any] = {
        "scheme": SCHEME,
        "sense": bay.sense,
        "taps": bay.taps,
        "cooling": bay.cooling,
        "charge": bay.charge,
        "steps": [_step(step, pack, bay) for step in steps if not isinstance(step, AskStep)],
    }
    if profile.ambient is not None:
        parts["ambient_low_c"] = profile.ambient.low_c
        parts["ambient_high_c"] = profile.ambient.high_c
    return parts


def fingerprint(parts: Mapping[str, Any]) -> str:
    """The scheme number and sixteen hexadecimal digits: SHA-256 over the parts as canonical JSON."""
    text = json.dumps(parts, sort_keys=True, separators=(",", ":"), ensure_ascii=True, allow_nan=False)
    return f"{parts['scheme']}-{hashlib.sha256(text.encode()).hexdigest()[:16]}"


def differences(parts_a: Mapping[str, Any], parts_b: Mapping[str, Any]) -> list[str]:
    """What differs, in words, such as "step 3 rest: at least 30 min / 60 min"; empty if nothing does."""
    found = [
        f"{_name(key)} {_value(key, parts_a.get(key))} / {_value(key, parts_b.get(key))}"
        for key in _keys(parts_a, parts_b)
        if key != "steps" and parts_a.get(key) != parts_b.get(key)
    ]
    steps_a, steps_b = parts_a.get("steps", []), parts_b.get("steps", [])
    for number in range(1, max(len(steps_a), len(steps_b)) + 1):
        a = steps_a[number - 1] if number <= len(steps_a) else {"do": "nothing"}
        b = steps_b[number - 1] if number <= len(steps_b) else {"do": "nothing"}
        if a["do"] != b["do"]:
            found.append(f"step {number}: {a['do']} / {b['do']}")
            continue
        found += [
            f"step {number} {a['do']}: {_name(key)} {_value(key, a.get(key))} / {_value(key, b.get(key))}"
            for key in _keys(a, b)
            if a.get(key) != b.get(key)
        ]
    return found


def _step(step: Step, pack: PackValues, bay: BayAbilities) -> dict[str, Any]:
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
        case DischargeStep():
            if step.power is not None:
                parts["power_rate"] = _rate(step.power, pack)
            elif step.current is not None:
                parts["current_rate"] = _rate(step.current, pack)
            elif step.resistance_ohm is not None:
                current = Amount(pack.nominal_pack_v / step.resistance_ohm, "A")
                parts["resistance_rate"] = _rate(current, pack)
            parts["group_voltage"] = _cut_off(step.stop_at.group_voltage)
            parts["temperature"] = _temperature(step.stop_at.temperature_c)
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
    return parts


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
