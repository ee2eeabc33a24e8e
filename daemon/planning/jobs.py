"""Works out what a command line asks for: files read and checked, a plan for each bay, nothing switched on."""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from benchwarden.daemon.bench import BayEntry, Bench, read_bench
from benchwarden.daemon.files import read_text
from benchwarden.daemon.running import protections
from benchwarden.daemon.running.instruments import Instruments
from benchwarden.profiles.mistakes import FileMistakes, meant
from benchwarden.profiles.pack import Pack, read_pack
from benchwarden.profiles.plan import Plan, PlanRefused, work_out
from benchwarden.profiles.profile import Profile, read_profile, tables_missing, with_tables
from benchwarden.profiles.shipped import library_names, library_text


@dataclass(frozen=True, slots=True)
class Job:
    """One pack in one bay, and the plan for it; `profile_name` names the profile's file, `folder` the bench file's.

    `pack_text` and `profile_text` are what the files said, kept so that a run can be continued without them;
    `continues` names the run that this one continues, and from where.
    """

    entry: BayEntry
    pack: Pack
    profile: Profile
    profile_name: str
    plan: Plan
    folder: Path = Path()
    pack_text: str = ""
    profile_text: str = ""
    continues: Mapping[str, Any] | None = None


def load_bench(path: Path) -> Bench:
    """Return a bench file's content; FileMistakes with every mistake, wrong maps and addresses included."""
    bench = read_bench(read_text(path, "bench file"), str(path))
    mistakes: list[str] = []
    for bay in bench.bay:
        try:
            Instruments(bay, folder=path.parent)
        except ValueError as error:
            mistakes.append(f"{path}: [[bay]] {bay.name}: {error}")
    if mistakes:
        raise FileMistakes(mistakes)
    return bench


def prepare(bench: Bench, bench_path: Path, profile: str, packs: Mapping[str, Path]) -> list[Job]:
    """Return one job for each bay; `packs` maps bays to pack files, `profile` is a shipped name or a file.

    Raises FileMistakes with every mistake in every file, and every reason why a plan is refused.
    """
    mistakes: list[str] = []
    profile_name, profile_text, wanted = _profile(profile, mistakes)
    found: list[tuple[BayEntry, Pack, str, Path]] = []
    for bay, path in packs.items():
        entry = bench.find(bay)
        if entry is None:
            known = [one.name for one in bench.bay]
            likely = meant(bay, known)
            mistakes.append(f"{bench_path}: [[bay]]: there is no bay {bay!r}; {likely}known: {', '.join(known)}")
        try:
            pack_text = read_text(path, "pack file")
            pack = read_pack(pack_text, str(path))
        except FileMistakes as error:
            mistakes.extend(error.mistakes)
            continue
        if entry is not None:
            found.append((entry, pack, pack_text, path))
            mistakes += bay_refusals(bench_path, entry)
    jobs: list[Job] = []
    for entry, pack, pack_text, path in found:
        if wanted is None:
            continue
        try:
            plan = work_out(wanted, pack, entry.abilities())
        except PlanRefused as error:
            mistakes.extend(f"{profile_name} for {path} in bay {entry.name}: {why}" for why in error.reasons)
            continue
        jobs.append(Job(entry, pack, wanted, profile_name, plan, bench_path.parent, pack_text, profile_text))
    if mistakes:
        raise FileMistakes(mistakes)
    return jobs


def bay_refusals(bench_path: Path, entry: BayEntry) -> list[str]:
    """Return why nothing may be drawn in a bay as its bench file stands, in words."""
    lacks = protections.lacking(protections.maps_of(entry, bench_path.parent))
    return protections.refusals(str(bench_path), entry, lacks)


def _profile(profile: str, mistakes: list[str]) -> tuple[str, str, Profile | None]:
    """Return a profile's name, its text, and what that says (None: there are mistakes)."""
    text = ""
    try:
        if profile in library_names():
            text = library_text(profile)
            return profile, text, read_profile(text, f"profile {profile}")
        path = Path(profile)
        if not path.suffix and not path.exists():
            names = library_names()
            mistakes.append(
                f"profile {profile!r}: neither a file nor a shipped profile; {meant(profile, names)}shipped: "
                f"{', '.join(names)}"
            )
            return profile, text, None
        text = read_text(path, "profile")
        # The records that it names are kept with it from here on, so that a run can be continued without them.
        tables = {name: read_text(path.parent / name, "power table") for name in tables_missing(text)}
        text = with_tables(text, tables)
        return path.stem, text, read_profile(text, profile)
    except FileMistakes as error:
        mistakes.extend(error.mistakes)
        return profile, text, None


def find_profile(profile: str, mistakes: list[str]) -> Profile | None:
    """Return a profile by its shipped name or its file; None, with the reasons in `mistakes`, if it cannot be used."""
    return _profile(profile, mistakes)[2]
