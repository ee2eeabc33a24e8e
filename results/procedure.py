"""A plan as it stands in run.json, in words: its steps and what ends each. Pure, standard library only."""

from collections.abc import Callable, Mapping
from typing import Any

from benchwarden.profiles.decision import time_in_words
from benchwarden.profiles.planned import PlannedRepeat
from benchwarden.profiles.repeating import repeat_words


def steps_of(plan: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Return a plan's steps: number, kind, title, what ends it in words, seconds it takes, seconds between samples."""
    found = plan.get("steps")
    return [
        {
            "number": step.get("number"),
            "kind": step.get("kind"),
            "title": step.get("title") or step.get("kind"),
            "ends": what_ends(step),
            "estimate_s": step.get("estimate_s"),
            "every_s": step.get("every_s") or 1.0,
        }
        for step in (found if isinstance(found, list) else [])
        if isinstance(step, dict)
    ]


def folded_steps(plan: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Return a plan's steps as `steps_of` does, of each repeat the first cycle only.

    "repeated" of that cycle's last step says in words how often it is done, and what ends it; "" of any other.
    """
    found = plan.get("steps")
    cycles = [step.get("cycle") for step in (found if isinstance(found, list) else []) if isinstance(step, dict)]
    shown: list[dict[str, Any]] = []
    last: dict[Any, dict[str, Any]] = {}
    numbers: dict[Any, list[int]] = {}
    for step, cycle in zip(steps_of(plan), cycles, strict=True):
        step["repeated"] = ""
        place, count = cycle if isinstance(cycle, list | tuple) and len(cycle) == 2 else (None, 1)
        if count == 1:
            shown.append(step)
        if place is not None and isinstance(step["number"], int):
            numbers.setdefault(place, []).append(step["number"])
            last |= {place: step} if count == 1 else {}
    for place, step in last.items():
        if (repeat := _repeat(plan, place)) is not None:
            inside = numbers[place]
            step["repeated"] = repeat_words(repeat, min(inside), step["number"], max(inside))
    return shown


def _repeat(plan: Mapping[str, Any], place: Any) -> PlannedRepeat | None:
    repeats = plan.get("repeats")
    for one in repeats if isinstance(repeats, list) else []:
        if isinstance(one, Mapping) and one.get("place") == place:
            try:
                return PlannedRepeat(**one)
            except TypeError:
                return None  # of another version
    return None


def draws_of(plan: Mapping[str, Any]) -> list[str]:
    """Return what a plan draws, each once, in W, A or Ω and as a multiple of the rated charge or energy in an hour."""
    pack = plan.get("pack")
    rated = pack if isinstance(pack, Mapping) else {}
    steps = plan.get("steps")
    found: dict[str, None] = {}
    for step in steps if isinstance(steps, list) else []:
        said = _DRAWS.get(str(step.get("kind"))) if isinstance(step, dict) else None
        try:
            words = said(step, rated) if said else ""
        except (KeyError, IndexError, TypeError, ValueError):
            words = ""
        if words:
            found[words] = None
    return list(found)


def rated_wh(pack: Mapping[str, Any]) -> float | None:
    """Return the energy that C is a multiple of for powers, in Wh, from a plan's pack; None where it is not known."""
    values = [pack.get(key) for key in ("rated_capacity_ah", "nominal_v", "series")]
    known = [float(value) for value in values if isinstance(value, int | float) and value > 0]
    return known[0] * known[1] * known[2] if len(known) == len(values) else None


def _amperes(value: float, pack: Mapping[str, Any]) -> str:
    rated = pack.get("rated_capacity_ah")
    return f"{value:.4g} A" + (f" ({value / rated:.3g}C)" if isinstance(rated, int | float) and rated > 0 else "")


def _watts(value: float, pack: Mapping[str, Any]) -> str:
    rated = rated_wh(pack)
    return f"{value:.4g} W" + (f" ({value / rated:.3g}C)" if rated else "")


def _drawn_in_discharge(step: Mapping[str, Any], pack: Mapping[str, Any]) -> str:
    level = float(step["level"])
    if step.get("table"):
        return f"power as recorded, at most {_watts(level, pack)}"
    if step["quantity"] == "power":
        return _watts(level, pack)
    return _amperes(level, pack) if step["quantity"] == "current" else f"{level:.4g} Ω"


def _drawn_in_ladder(step: Mapping[str, Any], pack: Mapping[str, Any]) -> str:
    first, last = (float(step["rungs"][place]["current_a"]) for place in (0, -1))
    return f"bursts of {_amperes(first, pack)} to {_amperes(last, pack)}"


def _drawn_in_pulse(step: Mapping[str, Any], pack: Mapping[str, Any]) -> str:
    if step["method"] == "series":
        return f"pulses of {', '.join(_amperes(float(one['current_a']), pack) for one in step['levels'])}"
    return f"{_amperes(float(step['low_a']), pack)}, at once {_amperes(float(step['high_a']), pack)}"


_DRAWS: Mapping[str, Callable[[Mapping[str, Any], Mapping[str, Any]], str]] = {
    "discharge": _drawn_in_discharge,
    "ladder": _drawn_in_ladder,
    "pulse": _drawn_in_pulse,
}


def what_ends(step: Mapping[str, Any]) -> str:
    """Return what ends a planned step, in words; "" for a kind that is not known or lacks what is needed."""
    said = _ENDS.get(str(step.get("kind")))
    try:
        words = said(step) if said else ""
    except (KeyError, TypeError, ValueError):
        return ""
    if not words:
        return ""
    limit = step.get("at_most_s")
    return f"{words}; at most {time_in_words(limit)}" if isinstance(limit, int | float) else words


def _rest(step: Mapping[str, Any]) -> str:
    words = f"after {time_in_words(step['at_least_s'])}"
    if step.get("until_within_k") is not None:
        words += f", within {step['until_within_k']:g} K of the surroundings"
    if step.get("until_below_c") is not None:
        words += f", below {step['until_below_c']:g} °C"
    return words


def _charge(step: Mapping[str, Any]) -> str:
    if step["method"] == "operator":
        return f"when the operator says that every group is at {step['full_v']:.2f} V"
    return f"highest group at {step['full_v']:.2f} V and less than {step['taper_a']:g} A{_until(step)}"


def _discharge(step: Mapping[str, Any]) -> str:
    words = f"lowest group at {step['cut_off_v']:.2f} V, or hottest sensor at {step['temperature_cut_off_c']:g} °C"
    return words + _until(step)


_CONDITIONS = {
    "charge_ah": "{:g} Ah",
    "energy_wh": "{:g} Wh",
    "time_s": "{:g} s",
    "voltage_v": "a group at {:g} V",
    "temperature_c": "hottest sensor at {:g} °C",
    "group_spread_v": "groups {:g} V apart",
}


def _until(step: Mapping[str, Any]) -> str:
    until = step.get("until") or {}
    said = [words.format(until[key]) for key, words in _CONDITIONS.items() if until.get(key) is not None]
    return f", or {' or '.join(said)}" if said else ""


def _ladder(step: Mapping[str, Any]) -> str:
    return (
        f"after {len(step['rungs'])} bursts, lowest group at {step['floor_v']:.2f} V, or hottest sensor at "
        f"{step['temperature_cut_off_c']:g} °C"
    )


def _store(step: Mapping[str, Any]) -> str:
    if step["storage_v"] is not None:
        return f"every group at {step['storage_v']:.2f} V at rest"
    return f"at {100 * step['storage_fraction']:.0f} % of its rated capacity"


def _ask(step: Mapping[str, Any]) -> str:
    return f"when the operator answers {' or '.join(step['answers']) or 'something'}"


def _inspect(step: Mapping[str, Any]) -> str:
    return f"after {time_in_words(step['for_s'])}"


def _soak(step: Mapping[str, Any]) -> str:
    to = "the surroundings" if step["to_c"] is None else f"{step['to_c']:g} °C"
    return f"within {step['within_k']:g} K of {to} for {time_in_words(step['hold_s'])}"


def _pulse(step: Mapping[str, Any]) -> str:
    early = f"lowest group at {step['floor_v']:.2f} V, or hottest sensor at {step['temperature_cut_off_c']:g} °C"
    if step["method"] == "series":
        return f"after {step['portions']} states of charge, {early}"
    return f"after {time_in_words(step['low_s'])} and {time_in_words(step['high_s'])}, {early}"


_ENDS: Mapping[str, Callable[[Mapping[str, Any]], str]] = {
    "rest": _rest,
    "charge": _charge,
    "discharge": _discharge,
    "ladder": _ladder,
    "store": _store,
    "ask": _ask,
    "inspect": _inspect,
    "soak": _soak,
    "pulse": _pulse,
}
