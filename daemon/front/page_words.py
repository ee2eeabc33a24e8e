"""What a run's own run.json and events say, in words for the page: limits, protections, figures, events. Pure."""

import math
from collections.abc import Mapping, Sequence
from typing import Any

from benchwarden.results.compare import ROWS
from benchwarden.results.verdict import rounded


def limits_of(plan: Mapping[str, Any]) -> list[tuple[str, str]]:
    """Return the limits in force, what and how much, as they stand in the plan."""
    limits = plan.get("limits")
    if not isinstance(limits, dict):
        return []

    def shown(key: str, digits: int) -> str:
        value = limits.get(key)
        return f"{value:.{digits}f}" if isinstance(value, int | float) else "–"

    return [
        ("group", f"{shown('group_low_v', 2)} to {shown('group_high_v', 2)} V"),
        ("pack", f"{shown('pack_low_v', 2)} to {shown('pack_high_v', 2)} V"),
        ("draw", f"at most {shown('max_draw_a', 2)} A"),
        ("feed", f"at most {shown('max_feed_a', 2)} A"),
        ("temperature", f"{shown('temperature_low_c', 0)} to {shown('temperature_high_c', 0)} °C"),
        ("voltage not seen", f"off after {shown('blind_voltage_s', 1)} s, in a burst {shown('blind_burst_s', 1)} s"),
        ("groups not seen", f"off after {shown('blind_groups_s', 1)} s"),
        ("temperature not seen", f"off after {shown('blind_temperature_s', 1)} s"),
    ]


def protections_of(info: Mapping[str, Any], events: Sequence[Mapping[str, Any]]) -> list[str]:
    """Return what guards the pack without this program, from run.json, and what the run said that it lacks."""
    plan, instruments = _table(info.get("plan")), _table(info.get("instruments"))
    lines: list[str] = []
    steps = [step for step in plan.get("steps") or [] if isinstance(step, dict)]
    trips = {value for step in steps if isinstance(value := step.get("trip_voltage_v"), int | float)}
    if trips:
        volts = ", ".join(f"{value:g} V" for value in sorted(trips))
        lines.append(f"the load's own trip at {volts}, and its timer in each step that draws")
    isolation = _table(instruments.get("supply")).get("isolation")
    if isolation:
        lines.append(f"between supply and pack: {isolation}")
    for name, one in instruments.items():
        rated = _table(_table(one).get("limits"))
        if rated:
            words = [f"{rated[key]:g} {unit}" for key, unit in _RATED if isinstance(rated.get(key), int | float)]
            lines.append(f"{name} rated {', '.join(words)}")
    lacks = info.get("lacks")
    lines += [str(text) for text in lacks] if isinstance(lacks, list) else []
    lines += [
        f"{event.get('instrument')} does not protect by itself: {', '.join(map(str, event.get('names') or []))}"
        for event in events
        if event.get("event") == "unprotected"
    ]
    return list(dict.fromkeys(lines))


_RATED = (("voltage", "V"), ("current", "A"), ("power", "W"))


def _table(found: object) -> Mapping[str, Any]:
    return found if isinstance(found, dict) else {}


def figures_of(result: Mapping[str, Any]) -> list[tuple[str, str]]:
    """Return result.json's figures that a comparison shows, words with unit and value ± U; "≥" before a bound."""
    found = _table(result.get("figures"))
    shown: list[tuple[str, str]] = []
    for name, words, factor, decimals in ROWS:
        figure = _table(found.get(name))
        value = figure.get("value")
        if isinstance(value, int | float):
            spread = figure.get("U")
            text = f"{value * factor:.{decimals}f}"
            if isinstance(spread, int | float) and spread > 0.0:
                text = rounded(value * factor, spread * factor)
            shown.append((words, f"{'≥ ' if figure.get('at_least') else ''}{text}"))
    return shown


# What the steps' own events already say, or what only programs read.
_QUIET = frozenset({"started", "counted", "counted_by_load"})


def event_words(event: Mapping[str, Any]) -> str | None:
    """Return one event of a run as a line for people, None for one that says them nothing."""
    name = str(event.get("event"))
    if name in _QUIET:
        return None
    match name:
        case "step_began":
            return f"step {event.get('step')} began: {event.get('title')}"
        case "step_ended":
            return f"step {event.get('step')} ended: {event.get('why')}"
        case "output_on":
            unit = {"current": "A", "power": "W", "resistance": "Ω"}.get(str(event.get("quantity")), "")
            if event.get("level") is not None:
                return f"{event.get('output')} on: {event['level']:g} {unit}".rstrip()
            return f"{event.get('output')} on: at most {event.get('voltage_v')} V, {event.get('current_a')} A"
        case "output_off":
            currents = _table(event.get("current_a")).items()
            measured = ", ".join(f"{one} {value} A" for one, value in currents if value is not None)
            return f"off {'confirmed' if event.get('confirmed') else 'NOT CONFIRMED'} ({measured} measured)"
        case "lacks":
            return f"the bench lacks: {'; '.join(map(str, event.get('instruments') or []))}"
        case "unprotected":
            return (
                f"{event.get('instrument')} does not protect by itself: {', '.join(map(str, event.get('names') or []))}"
            )
        case "test_pulse":
            return (
                f"test pulse of {event.get('set_a')} A: {event.get('before_v')} V before, {event.get('in_v')} V in it, "
                f"{1e3 * _number(event.get('resistance_ohm')):.1f} mΩ"
            )
        case "tripping" | "tripped":
            return f"{name}: {event.get('reason')}"
        case "flag":
            return f"flag: {event.get('text')}"
        case "missed":
            return f"no reading of {event.get('role')}: {event.get('error')}"
        case "waiting_for_operator":
            return f"the operator is asked: {event.get('text')}"
        case "ended":
            off = "off confirmed" if event.get("off_confirmed") else "OFF NOT CONFIRMED"
            return f"{event.get('how')}: {event.get('why')}; {off}"
    left_out = ("seq", "test_time_s", "utc", "event")
    rest = [f"{key} {_short(value)}" for key, value in event.items() if key not in left_out]
    return f"{name.replace('_', ' ')}: {', '.join(rest)}" if rest else name.replace("_", " ")


def _number(value: object) -> float:
    return float(value) if isinstance(value, int | float) else math.nan


def _short(value: object) -> str:
    text = f"{value:.4g}" if isinstance(value, float) else str(value)
    return text if len(text) <= 120 else f"{text[:119]}…"
