"""All figures of a run, each with its unit and the samples it came from; written as result.json."""

from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

from benchwarden.results import counters, discharge, efficiency, ladder, resistance
from benchwarden.results.figure import Figure, Figures, Rung
from benchwarden.results.folder import FORMAT, RESULT_FILE, write_json
from benchwarden.results.further import further_figures
from benchwarden.results.run import Run, StepSpan
from benchwarden.results.series import Series

__all__ = ["Figure", "Figures", "Rung", "figures", "result_data", "write_result"]


def figures(run: Run) -> Figures:
    """Return a run's figures by name; what cannot be told stands in `missing` with its reason.

    Units are in each figure. Where a run holds several discharges or ladders the first of each counts, and a
    note says so. Never raises for a run that was cut short: it has fewer figures.
    """
    out = Figures(run.info)
    samples = Series.of(run.samples)
    run = replace(run, samples=samples)
    steps = samples.steps()
    out.flags.extend(_flags(run))
    discharges = [step for step in steps if step.kind == "discharge"]
    ladders = [step for step in steps if step.kind == "ladder"]
    for kind, found in (("discharge", discharges), ("ladder", ladders)):
        if len(found) > 1:
            out.notes.append(f"the run holds {len(found)} {kind} steps; the first, step {found[0].count}, counts")
    if discharges:
        discharge.discharge_figures(run, discharges[0], _following(samples, discharges[0]), out)
    else:
        out.lack("the run has no discharge step", *discharge.NAMES)
    if ladders:
        ladder.ladder_figures(run, ladders[0], _following(samples, ladders[0]), out)
    else:
        out.lack("the run has no ladder step", *ladder.NAMES)
    efficiency.efficiency_figures(run, steps, out)
    efficiency.retention_figures(run, steps, out)
    counters.step_figures(run, steps, out)
    resistance.resistance_figures(run, out)
    further_figures(run, steps, out)
    return out


def _following(samples: Series, step: StepSpan) -> Series:
    """Return the samples after a step until something flows again."""
    begin = samples.at_sequence(step.samples[-1].sequence) + 1
    busy = (~samples.is_on("off")[begin:]).nonzero()[0]
    return samples[begin : begin + int(busy[0])] if len(busy) else samples[begin:]


def _flags(run: Run) -> list[str]:
    found: list[str] = []
    for event in run.events:
        name = event.get("event")
        if name == "flag":
            text = event.get("flag") or event.get("text") or event.get("why")
            if text:
                step = event.get("step")
                found.append(str(text) if step is None else f"step {step}: {text}")
        elif name == "step_ended" and isinstance(event.get("flags"), list):
            found.extend(f"step {event.get('step')}: {flag}" for flag in event["flags"])
        elif name == "record_failed":
            found.append(f"{event.get('file')} {event.get('why')}")
    if run.info.continues:
        before = run.info.continues
        found.append(
            f"continues {before.get('run')}, which was {before.get('how')}: began with step {before.get('from_step')} "
            "and holds nothing of what came before"
        )
    ending = run.ending
    if ending.how == "interrupted":
        found.append("partial: the run was interrupted, and its figures tell of what was done until then")
    if ending.how != "finished":
        found.append(f"run {ending.how}: {ending.why}" if ending.why else f"run {ending.how}")
    if ending.off_confirmed is False:
        found.append("off was not confirmed at the end")
    return list(dict.fromkeys(found))


def result_data(run: Run, found: Figures) -> dict[str, Any]:
    """Return what result.json holds: figures, rungs, what the load counted, what is missing and why, notes, flags."""
    ending = run.ending
    return {
        "format": FORMAT,
        "run": run.name,
        "pack": run.info.pack_name,
        "profile": run.info.title,
        "fingerprint": run.info.fingerprint,
        "ended": asdict(ending),
        "partial": ending.how != "finished",
        "continues": dict(run.info.continues),
        "discharge_ended": {"by": found.ended_by, "words": found.ended_words},
        "ladder_ended": {"by": found.ladder_ended_by, "words": found.ladder_ended_words},
        "figures": {name: asdict(figure) for name, figure in found.items()},
        "rungs": [asdict(rung) for rung in found.rungs],
        "load_counts": [asdict(count) for count in found.counts],
        "missing": dict(found.missing),
        "notes": list(found.notes),
        "bench_lacks": None if run.info.lacks is None else list(run.info.lacks),
        "flags": list(found.flags),
        "problems": list(run.problems),
    }


def write_result(run: Run, found: Figures | None = None) -> Path:
    """Write result.json into the run's folder and return its path; it is derived and may be written again.

    Raises FolderError when the disk refuses.
    """
    path = run.path / RESULT_FILE
    write_json(path, result_data(run, figures(run) if found is None else found))
    return path
