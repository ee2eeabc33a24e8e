"""Gathers what decides whether a plan may be run, attended or not; the rules are in profiles/attendance.py."""

from pathlib import Path

from benchwarden.daemon.planning import confirmed
from benchwarden.daemon.planning.jobs import Job
from benchwarden.daemon.running import protections
from benchwarden.profiles import attendance

_SUPPLY_NEEDS = ("over_voltage", "over_current")


def refusals(bench_path: Path, job: Job) -> list[str]:
    """Return why a job may not be run, in words; its plan says whether somebody is beside it. Raises FileMistakes."""
    entry, pack = job.entry, job.plan.pack
    lacks = protections.lacking(protections.maps_of(entry, job.folder)).get("supply", ())
    found = confirmed.confirmation(bench_path.parent, pack)
    circumstances = attendance.Circumstances(
        allowed=entry.unattended_charge,
        isolation=entry.supply.isolation if entry.supply else None,
        supply_lacks=tuple(protections.WORDS[key] for key in lacks if key in _SUPPLY_NEEDS),
        confirmed=found is not None,
        charged_attended=found is not None and found.first_charge is not None,
    )
    where = f"{bench_path}: [[bay]] {entry.name}, {job.profile_name} for {job.pack.name}"
    return [f"{where}: {why}" for why in attendance.refusals(job.plan, circumstances)]
