"""`benchwarden difference A B`: where two procedures differ, in words. Each is a profile, or a run that was made."""

import json
import sys
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from benchwarden.daemon.files import read_text
from benchwarden.daemon.planning.jobs import find_profile
from benchwarden.profiles.bay import BayAbilities
from benchwarden.profiles.fingerprint import differences, fingerprint, fingerprint_parts
from benchwarden.profiles.mistakes import FileMistakes
from benchwarden.profiles.pack import Pack, PackValues, read_pack, resolved
from benchwarden.profiles.profile import Profile
from benchwarden.results.run import info_from

SAME, DIFFER, BAD_INPUT = 0, 1, 2
RUN_FILE = "run.json"
# Two packs that nothing but their size tells apart: what is written relative to the pack is the same for both.
_SMALL, _LARGE = (
    Pack.model_validate({"name": "any", "chemistry": "li-ion", "series": 1, "rated_capacity": capacity})
    for capacity in ("1 Ah", "2 Ah")
)
_ANY_BAY = BayAbilities(
    name="any",
    has_supply=True,
    charge="supply",
    load_max_current_a=1.0,
    load_max_power_w=1.0,
    load_max_voltage_v=1.0,
    load_min_voltage_v=0.0,
    supply_max_voltage_v=1.0,
    supply_max_current_a=1.0,
    group_channels=1,
    temperature_places=("middle", "ambient"),
    has_ambient=True,
    sense="pack connector",
    taps="each",
    cooling="still air",
    load_off_a=0.0,
    load_offset_a=0.0,
    supply_offset_a=0.0,
    supply_least_a=0.0,
)
# What a run's bay may lack that was made before plans looked at it; it never decides a result.
_SINCE_KNOWN = ("load_off_a", "load_offset_a", "supply_offset_a", "supply_least_a")


@dataclass(frozen=True, slots=True)
class Procedure:
    """One side: a profile as it stands in its file, or a run with what decided its result, its pack and its bay."""

    name: str
    profile: Profile | None = None
    parts: Mapping[str, Any] | None = None
    pack: PackValues | None = None
    bay: BayAbilities | None = None


def difference(one: str, other: str, pack: Path | None = None) -> int:
    """Print where two procedures differ; returns `SAME`, `DIFFER` or `BAD_INPUT`.

    `pack`: the pack for which two profiles are compared that name amperes, watts or ohms.
    """
    try:
        found = compared(one, other, pack)
    except FileMistakes as error:
        print(*error.mistakes, sep="\n", file=sys.stderr)
        return BAD_INPUT
    if isinstance(found, str):
        print(f"{one} / {other}: nothing that decides the result differs, fingerprint {found}")
        return SAME
    print(f"{one} / {other}:")
    print(*(f"  {words}" for words in found), sep="\n")
    return DIFFER


def compared(one: str, other: str, pack: Path | None = None) -> list[str] | str:
    """Return what differs, in words, or the fingerprint that both have. Raises FileMistakes for what cannot be used."""
    mistakes: list[str] = []
    sides: list[Procedure] = []
    for name in (one, other):
        try:
            sides.append(_procedure(name))
        except FileMistakes as error:
            mistakes += error.mistakes
    try:
        given = resolved(read_pack(read_text(pack, "pack file"), str(pack))) if pack else None
    except FileMistakes as error:
        mistakes += error.mistakes
    if mistakes:
        raise FileMistakes(mistakes)
    run = next((side for side in sides if side.parts is not None), None)
    values = given or (run.pack if run else None)
    bay = (run.bay if run else None) or _ANY_BAY
    if values is None and (needs := [side.name for side in sides if _depends_on_pack(side)]):
        if _parts(sides[0], resolved(_SMALL), bay) == _parts(sides[1], resolved(_SMALL), bay):
            values = resolved(_SMALL)
        else:
            raise FileMistakes(
                [
                    f"{name}: it names amperes, watts or ohms, and what they are to a pack is not known here; "
                    "--pack FILE says of which pack"
                    for name in needs
                ]
            )
    parts = [_parts(side, values or resolved(_SMALL), bay) for side in sides]
    return differences(*parts) or fingerprint(parts[0])


def _parts(side: Procedure, pack: PackValues, bay: BayAbilities) -> Mapping[str, Any]:
    if side.parts is not None:
        return side.parts
    assert side.profile is not None
    # As it would stand in run.json, so that both sides are of one kind.
    found: dict[str, Any] = json.loads(json.dumps(fingerprint_parts(side.profile, pack, bay)))
    return found


def _depends_on_pack(side: Procedure) -> bool:
    if side.profile is None:
        return False
    return _parts(side, resolved(_SMALL), _ANY_BAY) != _parts(side, resolved(_LARGE), _ANY_BAY)


def _procedure(name: str) -> Procedure:
    path = Path(name)
    if path.is_dir():
        return _run(path)
    mistakes: list[str] = []
    profile = find_profile(name, mistakes)
    if profile is None:
        raise FileMistakes(mistakes)
    return Procedure(name, profile)


def _run(path: Path) -> Procedure:
    """What decided a run's result, its pack and its bay, as run.json has kept them."""
    where = path / RUN_FILE
    try:
        data = json.loads(read_text(where, "run's file"))
    except (ValueError, RecursionError) as error:
        raise FileMistakes([f"{where}: not JSON ({error}); a run folder would be right"]) from error
    problems: list[str] = []
    info = info_from(data if isinstance(data, dict) else {}, problems)
    steps = info.fingerprint_parts.get("steps")
    if not isinstance(steps, list) or not all(isinstance(step, dict) and "do" in step for step in steps):
        raise FileMistakes([f"{where}: fingerprint_parts: found none that can be compared; a run's own would be right"])
    sources = info.others.get("sources")
    text = sources.get("pack") if isinstance(sources, dict) else None
    pack = resolved(read_pack(text, f"{where}: its pack")) if isinstance(text, str) and text else None
    return Procedure(str(path), parts=info.fingerprint_parts, pack=pack, bay=_bay(info.plan.get("bay")))


def _bay(found: object) -> BayAbilities | None:
    """The run's bay; None if run.json has none as this program writes it, and then any will do."""
    if not isinstance(found, dict):
        return None
    try:
        later = {name: getattr(_ANY_BAY, name) for name in _SINCE_KNOWN}
        return BayAbilities(**{**later, **found, "temperature_places": tuple(found.get("temperature_places", ()))})
    except TypeError:
        return None
