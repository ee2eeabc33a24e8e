"""Gathers everything that there is to say of a test before it runs. Connects to nothing."""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from benchwarden.daemon.forecast import Forecast, forecast
from benchwarden.daemon.planning import may_run
from benchwarden.daemon.planning.earlier_runs import EarlierRun, earlier_runs
from benchwarden.daemon.planning.jobs import Job
from benchwarden.daemon.planning.plan_commands import StepCommands, commands
from benchwarden.daemon.running import protections
from benchwarden.daemon.running.instruments import Instruments
from benchwarden.daemon.running.limits import limits_by_state
from benchwarden.daemon.safety import Limits, State
from benchwarden.drivers.off_plan import OffPlan
from benchwarden.profiles.planned import PlannedLadder, PlannedPulse, PlannedPulseSeries, PlannedStep

MANY_RELAYS, NIGHT_S = 100_000, 12 * 3600.0
"""So many operations in one night wear a scanner's relays (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Shown:
    """Everything that there is to say of one job before it runs.

    `relay_operations`: how often the scanner closes a channel in the run, None without one. `cannot`: what this bench
    cannot do for this plan. `off_plans` with thresholds in A; `unreachable`: what the guardian could not switch off.
    """

    job: Job
    forecast: Forecast
    earlier: tuple[EarlierRun, ...]
    commands: tuple[StepCommands, ...]
    limits: Mapping[State, Limits]
    relay_operations: int | None
    lacks: tuple[str, ...]
    cannot: tuple[str, ...]
    off_plans: tuple[tuple[OffPlan, float], ...]
    unreachable: tuple[str, ...]
    not_unattended: tuple[str, ...]


def gather(job: Job, bench_path: Path, runs: Path | None = None) -> Shown:
    """Return what is shown of a job; `runs`: where earlier runs lie. Connects to nothing. Raises FileMistakes."""
    entry, plan = job.entry, job.plan
    earlier = tuple(earlier_runs(runs, plan)) if runs else ()
    edge_ohm = next((run.resistance_ohm for run in earlier if run.resistance_ohm), None)
    expected = forecast(plan, job.pack, edge_ohm)
    lacks = protections.lacking(protections.maps_of(entry, job.folder))
    off_plans, unreachable = Instruments(entry, folder=job.folder).off_plans_and_rest()
    roles = ("load", *(role for role in ("supply", "cells", "temperature", "voltmeter") if getattr(entry, role)))
    return Shown(
        job=job,
        forecast=expected,
        earlier=earlier,
        commands=tuple(commands(plan, lacks)),
        limits=limits_by_state(plan.limits, plan.pack.series, entry.places, roles, entry.role_off_thresholds_a()),
        relay_operations=_relay_operations(job, expected),
        lacks=tuple(protections.in_words(entry, lacks)),
        cannot=tuple(_cannot(job)),
        off_plans=tuple(off_plans),
        unreachable=tuple(unreachable),
        not_unattended=tuple(may_run.refusals(bench_path, job)),
    )


def _relay_operations(job: Job, expected: Forecast) -> int | None:
    """Each look at the groups closes every channel once; in bursts the looks come more often."""
    cells = job.entry.cells
    if cells is None:
        return None
    bursts_s = sum(_burst_s(step) for step in job.plan.steps)
    burst_every_s = min(cells.burst_every_s or cells.every_s, cells.every_s)
    looks = max(expected.duration_s - bursts_s, 0.0) / cells.every_s + bursts_s / burst_every_s
    return round(looks * job.plan.bay.group_channels)


def _burst_s(step: PlannedStep) -> float:
    match step:
        case PlannedLadder():
            return len(step.rungs) * step.hold_s
        case PlannedPulse():
            return step.low_s + step.high_s
        case PlannedPulseSeries():
            return step.portions * len(step.levels) * step.hold_s
        case _:
            return 0.0


def _cannot(job: Job) -> list[str]:
    """Return what this bench cannot see or do in this plan, beside what its instruments lack."""
    bay, found = job.plan.bay, []
    if not bay.group_channels and job.plan.pack.series > 1:
        found.append("see single groups: cut-offs are judged on the mean group")
    if not bay.pack_places:
        found.append("see the pack's temperature")
    elif not bay.has_ambient:
        found.append("see the surroundings' temperature")
    if job.entry.voltmeter is None:
        found.append("check its meters against an independent voltmeter")
    if job.entry.contactor is None:
        found.append("part the pack from its instruments: no contactor")
    if bay.charge == "operator" and any(step.kind == "charge" for step in job.plan.steps):
        found.append("charge: the operator's own charger does it, with somebody there")
    found += [
        f"go further up in step {step.number}: bounded by the {step.bound}"
        for step in job.plan.steps
        if isinstance(step, PlannedLadder) and step.bound.startswith("load")
    ]
    return found
