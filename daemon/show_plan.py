"""Shows a plan: what would be done, in absolute figures, with limits and how the guardian would switch off."""

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from benchwarden.daemon import may_run, protections
from benchwarden.daemon.instruments import Instruments
from benchwarden.daemon.jobs import Job
from benchwarden.profiles.plan import describe, plan_as_data


def as_text(jobs: Sequence[Job], bench_path: Path) -> str:
    """Return the plans as text for people, one after the other."""
    parts: list[str] = []
    for job in jobs:
        lines = [
            f"Bay {job.entry.name}, pack {job.pack.name}",
            *describe(job.plan),
            "guardian, if the worker fails:",
        ]
        plans, unreachable = Instruments(job.entry, folder=job.folder).off_plans_and_rest()
        lines += [
            f"  {plan.name} at {plan.address}: sends {plan.off!r}, asks {plan.question!r}, "
            f"takes {' or '.join(plan.off_replies)} and at most {threshold_a:.3g} A for off"
            for plan, threshold_a in plans
        ]
        contactor = job.entry.contactor
        if contactor:
            opens = f"; opens it by {contactor.open!r}" if contactor.open else ""
            lines.append(f"  contactor at {contactor.at}: held by {contactor.renew!r} each second{opens}")
        lines += [f"  {text}: this plan will not be run" for text in unreachable]
        lines += ["what this bench lacks:", *(f"  {text}" for text in _lacks(job) or ["nothing"])]
        lines += [f"will not be run unattended: {why}" for why in may_run.refusals(bench_path, job)]
        parts.append("\n".join(lines))
    return "\n\n".join(parts) + "\n\nNothing was switched on."


def as_data(job: Job, bench_path: Path) -> dict[str, Any]:
    """Return one plan as JSON data; `not_unattended`: why it will not be run with nobody there."""
    return {
        "bay": job.entry.name,
        "pack": job.pack.name,
        "plan": plan_as_data(job.plan),
        "lacks": _lacks(job),
        "not_unattended": may_run.refusals(bench_path, job),
    }


def _lacks(job: Job) -> list[str]:
    return protections.in_words(job.entry, protections.lacking(protections.maps_of(job.entry, job.folder)))
