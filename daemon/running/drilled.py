"""Whether a bay's instruments may be switched on at all: pretended ones, or those with which a drill was passed.

A drill shows that the guardian can switch these very instruments off. Where one of them, its address, or what the
guardian would send has changed since, nothing was shown.
"""

import hashlib
import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import astuple
from pathlib import Path
from typing import Any

from benchwarden.daemon.bench import BayEntry, Bench
from benchwarden.daemon.guard.guardian_link import off_entry
from benchwarden.daemon.running.instruments import Instruments

FOLDER, FILE = "drills", "drill.json"
# What the instruments of a simulated bench answer to *IDN?.
SIMULATED_MAKER, SIMULATED_MODEL = "BENCHWARDEN", "SIM-"
_SAID_APART = frozenset({"name", "address", "identity", "pack"})

Held = Mapping[str, Mapping[str, Any]]
CheckBench = Callable[[Instruments], list[str]]


def held(entries: Sequence[Mapping[str, Any]], contactor: Mapping[str, Any] | None) -> dict[str, dict[str, Any]]:
    """Return by name what a drill is held with: address, identity, and a digest of what the guardian sends and takes.

    `entries` are those of the guardian's arming; without an identity they come from the bench file alone.
    """
    found = {str(entry["name"]): entry for entry in entries}
    if contactor:
        found[str(contactor["name"])] = contactor
    return {
        name: {
            "address": entry["address"],
            "identity": entry.get("identity"),
            "guardian": _digest({key: value for key, value in entry.items() if key not in _SAID_APART}),
        }
        for name, entry in found.items()
    }


def _digest(data: Mapping[str, Any]) -> str:
    return hashlib.sha256(json.dumps(data, sort_keys=True).encode()).hexdigest()[:16]


def differences(then: Held, now: Held) -> list[str]:
    """Return in what a bay differs from its drill, in words; an identity that is not known yet differs in nothing."""
    found = [f"{name}: was in the drill, is not in the bay" for name in then if name not in now]
    for name, one in now.items():
        before = then.get(name)
        if before is None:
            found.append(f"{name}: was not in the drill")
            continue
        if one["address"] != before.get("address"):
            found.append(f"{name}: at {one['address']}, in the drill at {before.get('address')}")
        if one["identity"] is not None and one["identity"] != before.get("identity"):
            found.append(f"{name}: is {_who(one['identity'])}, in the drill it was {_who(before.get('identity'))}")
        if one["guardian"] != before.get("guardian"):
            found.append(f"{name}: the guardian would switch it off in another way than in the drill")
    return found


def _who(identity: object) -> str:
    return " ".join(map(str, identity)) if isinstance(identity, list) else "unknown"


def last_drill(folder: Path, bay: str) -> tuple[Path, dict[str, Any]] | None:
    """Return the last drill that was held in a bay, with its folder; None if there was none that can be read."""
    for path in sorted(folder.glob(f"{FOLDER}/*/*/{FILE}"), key=lambda path: path.parent.name, reverse=True):
        try:
            data = json.loads(path.read_text("utf-8"))
        except (OSError, ValueError):
            continue
        if isinstance(data, dict) and data.get("bay") == bay:
            return path.parent, data
    return None


def not_drilled(folder: Path, bay: str, now: Held) -> list[str]:
    """Return why a bay with real instruments may not be switched on, in words; empty after a drill with these."""
    hold = f"hold one with nothing else at the bench: `benchwarden drill {bay}=PACK-FILE`"
    found = last_drill(folder, bay)
    if found is None:
        return [f"bay {bay} is not simulated, and no fire drill was passed in it; {hold}"]
    path, data = found
    if data.get("passed") is not True:
        return [f"bay {bay}: its last fire drill FAILED ({path}); find out why, then {hold}"]
    then = data.get("instruments")
    if not isinstance(then, dict) or not all(isinstance(one, dict) for one in then.values()):
        return [f"bay {bay}: its last fire drill ({path}) does not say with which instruments; {hold}"]
    return [f"bay {bay}: not as in its last fire drill ({path}): {why}; {hold}" for why in differences(then, now)]


def refused_before(bench: Bench, entry: BayEntry, folder: Path) -> list[str]:
    """Return what is known to speak against a bay before anything is connected to; `folder`: the bench file's."""
    if bench.simulated:
        return []
    plans, _ = Instruments(entry, folder=folder).off_plans_and_rest()
    entries = [off_entry(plan, threshold_a) for plan, threshold_a in plans]
    return not_drilled(folder, entry.name, held(entries, _contactor(entry)))


def check_bench(bench: Bench, entry: BayEntry, folder: Path) -> CheckBench:
    """Return what a run asks once its instruments have said who they are."""
    if bench.simulated:
        return only_simulated
    return lambda instruments: not_drilled(folder, entry.name, held_by(entry, instruments))


def held_by(entry: BayEntry, instruments: Instruments) -> dict[str, dict[str, Any]]:
    """Return what a drill in this bay is held with; only after `Instruments.open`."""
    who = {output.who: output.identity for output in instruments.outputs.values()}
    entries = [
        one
        | {"identity": list(astuple(who[str(one["name"])]))}  # with its firmware, of which the guardian asks nothing
        for one in instruments.off_entries()
    ]
    return held(entries, _contactor(entry))


def only_simulated(instruments: Instruments) -> list[str]:
    """Return which instruments are real, in words: a bench file that says simulated = true means none."""
    return [
        f"the bench file says simulated = true, but {name} is {identity.maker} {identity.model}; take that "
        "line out, and hold a fire drill"
        for name, identity in instruments.identities_by_role().items()
        if identity.maker != SIMULATED_MAKER or not identity.model.startswith(SIMULATED_MODEL)
    ]


def _contactor(entry: BayEntry) -> dict[str, object] | None:
    return entry.contactor.for_guardian(entry.name) if entry.contactor else None
