"""Shows a plan: what would be done, in absolute figures, with limits and how the guardian would switch off."""

from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

from benchwarden.daemon.forecast import Forecast, Point
from benchwarden.daemon.planning.jobs import Job
from benchwarden.daemon.planning.plan_facts import gather
from benchwarden.daemon.planning.plan_text import plan_lines
from benchwarden.drivers.off_plan import OffPlan
from benchwarden.profiles.endings import what_ends
from benchwarden.profiles.plan import plan_as_data
from benchwarden.profiles.planned import PlannedDischarge


def as_text(jobs: Sequence[Job], bench_path: Path, runs: Path | None = None, *, every_command: bool = False) -> str:
    """Return the plans as text for people, one after the other; `every_command`: with every line that is sent."""
    parts = ["\n".join(plan_lines(gather(job, bench_path, runs), every_command)) for job in jobs]
    return "\n\n".join(parts) + "\n\nNothing was switched on."


def as_data(job: Job, bench_path: Path, runs: Path | None = None) -> dict[str, Any]:
    """Return one plan as JSON data; `not_unattended`: why it will not be run with nobody there."""
    shown = gather(job, bench_path, runs)
    return {
        "bay": job.entry.name,
        "pack": job.pack.name,
        "plan": plan_as_data(job.plan),
        "ends": {step.number: what_ends(step) for step in job.plan.steps},
        "expected": _expected(shown.forecast),
        "earlier_runs": [asdict(run) for run in shown.earlier],
        "commands": [
            {"step": one.number, "switchings": [asdict(switching) for switching in one.switchings]}
            for one in shown.commands
        ],
        "limits_by_state": {
            state.value: [
                {"role": role, "quantity": name, "low": limit.low, "high": limit.high, "blind_s": limit.blind_s}
                for (role, name), limit in limits.items()
            ]
            for state, limits in shown.limits.items()
        },
        "relay_operations": shown.relay_operations,
        "guardian": [_off_plan(plan, threshold_a) for plan, threshold_a in shown.off_plans],
        "unreachable": list(shown.unreachable),
        "lacks": list(shown.lacks),
        "cannot": list(shown.cannot),
        "not_unattended": list(shown.not_unattended),
    }


def chart_data(job: Job, bench_path: Path, runs: Path | None = None) -> dict[str, Any]:
    """Return what results/chart_plan.py draws, as JSON data."""
    shown = gather(job, bench_path, runs)
    return {
        "title": f"{job.pack.name}: {job.plan.title}, as expected",
        "cut_offs_v": sorted({step.cut_off_v for step in job.plan.steps if isinstance(step, PlannedDischarge)}),
        "series": job.plan.pack.series,
        "limit_c": job.plan.limits.temperature_high_c,
        **_expected(shown.forecast),
    }


def _expected(found: Forecast) -> dict[str, Any]:
    names = tuple(Point.__dataclass_fields__)
    return {
        "duration_s": found.duration_s,
        "cooling_s": found.cooling_s,
        "heat_wh": found.heat_wh,
        "resistance_ohm": found.resistance_ohm,
        "assumed": list(found.assumed),
        "ended_early": found.ended_early,
        "steps": [{key: value for key, value in asdict(step).items() if key != "flows"} for step in found.steps],
        "points": {name: [round(getattr(point, name), 4) for point in found.points] for name in names},
    }


def _off_plan(plan: OffPlan, threshold_a: float) -> dict[str, Any]:
    return {
        "name": plan.name,
        "address": plan.address,
        "off": plan.off.decode("ascii"),
        "question": plan.question.decode("ascii"),
        "off_replies": list(plan.off_replies),
        "current_question": plan.current_question.decode("ascii"),
        "current_factor": plan.current_factor,
        "off_below_a": threshold_a,
    }
