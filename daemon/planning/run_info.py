"""What run.json says: everything of a run that does not change while it runs."""

from collections.abc import Mapping
from importlib.metadata import version
from typing import Any

from benchwarden.daemon.bench import Bench
from benchwarden.daemon.planning.jobs import Job
from benchwarden.daemon.running import protections
from benchwarden.profiles.plan import plan_as_data
from benchwarden.results.folder import utc_text

FORMAT = 1


def run_info(
    bench: Bench, job: Job, identities: Mapping[str, Mapping[str, str] | None], started_unix_s: float
) -> dict[str, Any]:
    """Return the content of run.json as JSON data; volts, amperes, kilograms, ampere-hours."""
    pack = job.plan.pack
    entries = job.entry.entries
    return {
        "benchwarden": version("benchwarden"),
        "format": FORMAT,
        "bench": bench.name,
        "simulated": bench.simulated,
        "bay": job.entry.name,
        "attended": job.plan.attended,
        "pack": job.pack.model_dump(mode="json", by_alias=True, exclude_none=True),
        "profile": {"name": job.profile_name, "title": job.plan.title},
        "sources": {"pack": job.pack_text, "profile": job.profile_text},
        "continues": dict(job.continues) if job.continues else None,
        "plan": plan_as_data(job.plan),
        "fingerprint": job.plan.fingerprint,
        "fingerprint_parts": job.plan.fingerprint_parts,
        "instruments": {
            name: entries[name].model_dump(mode="json", by_alias=True, exclude_none=True)
            | {"identity": identity and dict(identity)}
            for name, identity in identities.items()
        },
        "lacks": protections.in_words(job.entry, protections.lacking(protections.maps_of(job.entry, job.folder))),
        "series": pack.series,
        "rated_capacity_ah": pack.rated_capacity_ah,
        "mass_kg": pack.mass_kg,
        "nominal_v": pack.nominal_pack_v,
        "places": list(job.entry.places),
        "group_channels": bool(job.entry.cells),
        "cooling": job.entry.cooling,
        "sense": job.entry.loads[0].sense,
        "taps": job.entry.taps,
        "path_ohm": job.entry.path_ohm,
        "pulse_recovery_s": job.entry.pulse_recovery_s,
        "started_utc": utc_text(started_unix_s),
        "started_unix_s": started_unix_s,
    }
