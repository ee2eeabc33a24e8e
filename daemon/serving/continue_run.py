"""Works out how a run that was cut short is gone on with: a new run, from a step boundary, with nothing carried over.

A draw that was cut is never finished from its middle: what it measures begins with a full pack.
"""

import json
from collections.abc import Collection, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path

from benchwarden.daemon.bench import Bench
from benchwarden.daemon.planning.jobs import Job, bay_refusals
from benchwarden.profiles.fingerprint import differences
from benchwarden.profiles.mistakes import FileMistakes
from benchwarden.profiles.pack import read_pack
from benchwarden.profiles.plan import Plan, PlanRefused, work_out
from benchwarden.profiles.planned import PlannedStep, PlannedStore
from benchwarden.profiles.profile import read_profile
from benchwarden.results.folder import RUN_FILE, FolderError, read_run
from benchwarden.results.run import Run

FROM_FULL = ("discharge", "ladder", "pulse")


class CannotContinue(Exception):
    """A run cannot be gone on with; the message says why and what would be right."""


@dataclass(frozen=True, slots=True)
class Choice:
    """The number of the step that a continued run begins with, and why in words."""

    number: int
    why: str


def choose(steps: Sequence[PlannedStep], done: Collection[int], begun: Collection[int]) -> Choice:
    """Return the step to begin with: the first that was not done, or the charge before it if it draws.

    `done` and `begun` hold the numbers of steps; CannotContinue if every step was done or the pack cannot be made full.
    """
    place = next((place for place, step in enumerate(steps) if step.number not in done), None)
    if place is None:
        raise CannotContinue(
            "every step of it was done: there is nothing to go on with; `report` works out its figures"
        )
    cut = steps[place]
    why = f"step {cut.number} ({cut.kind}) {'was cut' if cut.number in begun else 'had not begun'}"
    first = place
    if cut.kind in FROM_FULL:
        charges = [earlier for earlier in range(place) if steps[earlier].kind == "charge"]
        if not charges:
            raise CannotContinue(
                f"{why}; it begins with a full pack, and this profile has no charge before it; charge the pack and "
                "run the profile anew"
            )
        first = charges[-1]
        why += f", and it begins with a full pack: the charge before it is step {steps[first].number}"
    else:
        why += ", and can begin anew"
    _counts_for_itself(steps[first:])
    return Choice(steps[first].number, why)


def _counts_for_itself(steps: Sequence[PlannedStep]) -> None:
    """Refuse to store by counted charge where the full charge lies before the gap: nobody counted over it."""
    for step in steps:
        if step.kind == "charge":
            return
        if isinstance(step, PlannedStore) and step.storage_v is None:
            raise CannotContinue(
                f"step {step.number} stores by the charge drawn since the last full charge, and nobody counted while "
                "the run was down; run a profile that charges first"
            )


def done_and_begun(run: Run, plan: Plan) -> tuple[set[int], set[int]]:
    """Return the numbers of the steps that a run has done, and of those that it has begun.

    A run that was itself a continuation has done what lies before its own first step. A step that ended as "not
    possible", with nothing after it, is not done.
    """
    planned = run.info.plan.get("steps")
    numbers = [step["number"] for step in planned if isinstance(step, dict)] if isinstance(planned, list) else []
    first = min(numbers, default=1)
    done = {step.number for step in plan.steps if step.number < first}
    begun = set(done)
    refused: int | None = None
    for event in run.events:
        number = event.get("step")
        if not isinstance(number, int):
            continue
        if event["event"] == "step_began":
            begun.add(number)
            refused = None
        elif event["event"] == "step_left_out":
            done.add(number)
        elif event["event"] == "step_ended":
            done.add(number)
            refused = number if event.get("ended_by") == "not possible" else None
    if refused is not None:
        done.discard(refused)
    return done, begun


@dataclass(frozen=True, slots=True)
class Continuation:
    """The job that goes on with a run, why it begins where it does, and the run as it was left."""

    job: Job
    choice: Choice
    old: Run
    steps: int

    def as_text(self) -> str:
        """Return what is done and why, for people, before anything is switched on."""
        ending, first = self.old.ending, self.choice.number
        kind = self.job.plan.steps[0].kind
        before = f"1 to {first - 1} were" if first > 2 else "1 was" if first == 2 else ""
        lines = [
            f"Continues {self.old.path}",
            f"  that run was {ending.how}: {ending.why}",
            f"  begins with step {first} of {self.steps} ({kind}): {self.choice.why}",
        ]
        if before:
            lines.append(f"  step{'s' if first > 2 else ''} {before} done in that run, and are not done again")
        lines.append("  counters begin at zero: nothing is counted over the gap")
        lines.append(f"  pack {self.job.pack.name} must still be the one in bay {self.job.entry.name}")
        if ending.how == "tripped":
            lines.append("  IT TRIPPED: go on only if you know why, and the cause is gone")
        if ending.off_confirmed is not True:
            lines.append("  its end was not confirmed off: look at the pack, its wires and its temperature first")
        return "\n".join(lines)


def prepare_continuation(bench: Bench, bench_path: Path, folder: Path) -> Continuation:
    """Return the job that goes on with the run in a folder, on the bay that it ran on; FileMistakes with the reason.

    Pack and profile are those that its run.json keeps. The plan is worked out anew and must have its fingerprint.
    """
    folder = folder.resolve()
    try:
        old = read_run(folder)
    except FolderError as error:
        raise FileMistakes([str(error)]) from error
    where = folder / RUN_FILE
    _may_be_continued(old, folder)
    sources = old.info.others.get("sources")
    texts = [sources.get(name) if isinstance(sources, dict) else None for name in ("pack", "profile")]
    pack_text, profile_text = (text if isinstance(text, str) else "" for text in texts)
    if not (pack_text and profile_text):
        raise FileMistakes([f"{where}: sources: the pack's and the profile's text are not there; run it anew"])
    entry = bench.find(old.info.bay or "")
    if entry is None:
        known = ", ".join(bay.name for bay in bench.bay)
        raise FileMistakes([f"{bench_path}: [[bay]]: there is no bay {old.info.bay!r} of {where}; known: {known}"])
    mistakes = bay_refusals(bench_path, entry)
    if mistakes:
        raise FileMistakes(mistakes)
    pack = read_pack(pack_text, f"{where}: sources: pack")
    profile = read_profile(profile_text, f"{where}: sources: profile")
    try:
        whole = work_out(profile, pack, entry.abilities())
    except PlanRefused as error:
        raise FileMistakes([f"{folder} in bay {entry.name}: {why}" for why in error.reasons]) from error
    if whole.fingerprint != old.info.fingerprint:
        found = differences(old.info.fingerprint_parts, whole.fingerprint_parts) or ["the scheme of fingerprints"]
        raise FileMistakes(
            [
                f"{folder}: its fingerprint is {old.info.fingerprint}, and here and now it would be "
                f"{whole.fingerprint}: not the same test any more (then / now): {'; '.join(found)}"
            ]
        )
    try:
        choice = choose(whole.steps, *done_and_begun(old, whole))
    except CannotContinue as error:
        raise FileMistakes([f"{folder}: {error}"]) from error
    plan = replace(whole, steps=tuple(step for step in whole.steps if step.number >= choice.number))
    name = old.info.profile.get("name")
    job = Job(
        entry,
        pack,
        profile,
        name if isinstance(name, str) else "continued",
        plan,
        bench_path.parent,
        pack_text,
        profile_text,
        {"run": old.name, "how": old.ending.how, "from_step": choice.number, "why": choice.why},
    )
    return Continuation(job, choice, old, len(whole.steps))


def _may_be_continued(old: Run, folder: Path) -> None:
    if old.live:
        raise FileMistakes([f"{folder}: it is still being written; stop that run first"])
    if old.ending.how == "finished":
        raise FileMistakes([f"{folder}: it has finished; a run that was cut short would be right"])
    for path in sorted(folder.absolute().parent.glob(f"*/{RUN_FILE}")):
        with suppress(OSError, ValueError, AttributeError):
            if (json.loads(path.read_bytes()).get("continues") or {}).get("run") == old.name:
                raise FileMistakes([f"{folder}: {path.parent} continues it already; continue that one"])
