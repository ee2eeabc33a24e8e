"""How long a craft hovers with each pack, and with which the longest.

Time = energy delivered · (1 − reserve) ÷ hover power of craft and pack together (momentum theory, P ∝ m^1.5). Of
several runs of a pack the one counts whose power lies nearest to the hover's; energy depends on power, so that a run
far from it is warned of.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from benchwarden.profiles.craft import Craft, hover_power_w
from benchwarden.results.figure import Figure, Figures
from benchwarden.results.run import Run, RunInfo
from benchwarden.results.uncertain import Expanded, Inputs, Part, Uncertain, expand, value_of
from benchwarden.results.verdict import rounded

FAR = 1.5
"""A run with more than so many times the hover's power, or less than its reciprocal, is warned of."""


@dataclass(frozen=True, slots=True)
class Candidate:
    """What endurance must know of one run: pack, mass, energy delivered and mean power, with their uncertainty."""

    pack: str
    run: str
    mass_kg: float
    mass_parts: tuple[Part, ...]
    energy: Figure
    power: Figure


@dataclass(frozen=True, slots=True)
class Flight:
    """The hover time with one pack in minutes, its uncertainty and budget, and what a reader must be warned of.

    `run_power_w` is the power of the run that counts. `U` and `u` are None where an accuracy is not stated.
    """

    pack: str
    run: str
    minutes: float
    u: float | None
    dof: float | None
    k: float | None
    U: float | None
    budget: tuple[Part, ...]
    hover_power_w: float
    run_power_w: float
    total_mass_kg: float
    warnings: tuple[str, ...]
    not_stated: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Endurance:
    """The flights, longest first; who flies longest, in words; and which runs were left out and why."""

    craft: str
    reserve: float
    flights: tuple[Flight, ...]
    words: str
    left_out: tuple[str, ...]


def candidate(info: RunInfo, run: str, found: Figures) -> Candidate | str:
    """Return what endurance needs of a run, or in words why the run cannot be used."""
    energy, power = found.get("delivered_wh"), found.get("discharge_power_w")
    if energy is None or power is None:
        return f"{run}: {found.missing.get('delivered_wh', 'no energy was measured')}"
    if info.mass_kg is None:
        return f"{run}: run.json gives no mass"
    if energy.at_least:
        return f"{run}: its energy is a lower bound only ({energy.note})"
    parts, missing = found.meters.inputs.budget(found.meters.mass_kg(info.mass_kg))
    if missing:
        return f"{run}: missing: {'; '.join(missing)}"
    return Candidate(info.pack_name, run, info.mass_kg, parts, energy, power)


def endurance(craft: Craft, runs: Sequence[Candidate | str]) -> Endurance:
    """Return the hover time with each pack, from the run of each that is nearest to the hover's power.

    What the flights share (one load's gain, the craft's power) cancels when two of them are compared. A text among
    `runs` is a run that cannot be used, and why.
    """
    left_out = tuple(run for run in runs if isinstance(run, str))
    usable = [run for run in runs if isinstance(run, Candidate)]
    inputs = Inputs()
    flown: list[tuple[Flight, Uncertain]] = []
    for pack in dict.fromkeys(run.pack for run in usable):
        own = [run for run in usable if run.pack == pack]
        nearest = min(own, key=lambda run: (abs(math.log(_times(craft, run))), run.run))
        flown.append(_flight(craft, nearest, inputs))
    flown.sort(key=lambda one: (-one[0].minutes, one[0].pack))
    return Endurance(craft.name, craft.reserve, tuple(one for one, _ in flown), _longest(flown, inputs), left_out)


def run_words(run: Run) -> str:
    """Return how a run is called: its name, and that it is imported where it is."""
    return f"{run.name} (imported)" if run.info.imported else run.name


def as_text(found: Endurance) -> str:
    """Return the flights for people: who flies longest, what decides each U, warnings, what is left out."""
    lines = [f"{found.craft}, reserve {100 * found.reserve:g} % of the energy", found.words, ""]
    for flight in found.flights:
        lines.append(
            f"{flight.pack}: {rounded(flight.minutes, flight.U)} min, hovering at {flight.hover_power_w:.0f} W and "
            f"{flight.total_mass_kg:.3f} kg; from {flight.run}, measured at {flight.run_power_w:.0f} W"
        )
        if flight.budget and flight.u and flight.k is not None:
            share = 100.0 * (flight.budget[0].contribution / flight.u) ** 2
            lines.append(f"  ± U, 95 %, k = {flight.k:.2f}; mostly {flight.budget[0].input} ({share:.0f} % of u²)")
        lines += [f"  no interval: {line}" for line in flight.not_stated]
        lines += [f"  ! {warning}" for warning in flight.warnings]
    lines += [f"left out: {words}" for words in found.left_out]
    lines += ["", "Hover is not flight: wind, climbs, cold and ageing take their share. Land with a reserve."]
    return "\n".join(lines)


def as_rows(found: Endurance) -> list[list[str]]:
    """Return the flights as rows of cells below their head, one number a cell."""
    head = ["pack", "minutes", "U", "u", "k", "dof", "hover power, W", "total mass, kg", "run", "run power, W"]
    rows = [[*head, "mostly from", "warnings"]]
    for one in found.flights:
        numbers = [one.minutes, one.U, one.u, one.k, one.dof, one.hover_power_w, one.total_mass_kg]
        cells = ["" if number is None else repr(number) for number in numbers]
        mostly = one.budget[0].input if one.budget else ""
        rows.append([one.pack, *cells, one.run, repr(one.run_power_w), mostly, "; ".join(one.warnings)])
    return rows


def _times(craft: Craft, run: Candidate) -> float:
    """Return the hover's power ÷ the run's."""
    return hover_power_w(craft, run.mass_kg) / max(run.power.value, 1e-9)


def _flight(craft: Craft, run: Candidate, inputs: Inputs) -> tuple[Flight, Uncertain]:
    power = hover_power_w(craft, run.mass_kg)
    total_kg = craft.empty_mass_kg + run.mass_kg
    energy = inputs.again(run.energy.value, run.energy.budget, run.pack, run.run)
    pack_kg = inputs.again(run.mass_kg, run.mass_parts, run.pack, run.run)
    share: Uncertain = ((craft.empty_mass_kg + pack_kg) / total_kg) ** 1.5
    if craft.power_accuracy is not None:
        share = share * (1.0 + inputs.limits(f"power of {craft.name}", craft.power_accuracy, "bench"))
    minutes = 60.0 * energy * (1.0 - craft.reserve) / (power * share)
    parts, _ = inputs.budget(minutes)
    found: Expanded | None = None if run.energy.not_stated else expand(parts)
    warnings: list[str] = []
    times = _times(craft, run)
    if not 1.0 / FAR <= times <= FAR:
        warnings.append(
            f"hovers at {power:.0f} W, {times:.2f} times the {run.power.value:.0f} W of the run: "
            "its energy at that power is not known; test at the hover's power"
        )
    if craft.power_accuracy is None:
        warnings.append("the craft's power is taken as exact: its file gives no power_accuracy")
    flight = Flight(
        pack=run.pack,
        run=run.run,
        minutes=value_of(minutes),
        u=found.u if found else None,
        dof=found.dof if found else None,
        k=found.k if found else None,
        U=found.U if found else None,
        budget=parts if found else (),
        hover_power_w=power,
        run_power_w=run.power.value,
        total_mass_kg=total_kg,
        warnings=tuple(warnings),
        not_stated=run.energy.not_stated,
    )
    return flight, minutes


def _longest(flown: Sequence[tuple[Flight, Any]], inputs: Inputs) -> str:
    if not flown:
        return "no run can be used"
    best, longest = flown[0]
    time = f"{rounded(best.minutes, best.U)} min"
    if len(flown) == 1:
        return f"{best.pack} hovers for {time}"
    second, other = flown[1]
    if best.U is None or second.U is None:
        return f"{best.pack} hovers for {time}, {second.pack} for {rounded(second.minutes, second.U)} min; no interval"
    percent = 100.0 * (longest / other - 1.0)
    parts, _ = inputs.budget(percent)
    found = expand(parts)
    more = f"{rounded(value_of(percent), found.U)} %"
    if value_of(percent) <= found.U:
        return f"{best.pack} and {second.pack} hover equally long, as far as this bench can see ({more}); {time}"
    return f"{best.pack} hovers longest: {time}, {more} longer than {second.pack} (one run each, instruments only)"
