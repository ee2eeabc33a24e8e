"""Waits for a run's result.json, which a child of the worker makes once the run has ended."""

import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from benchwarden.daemon.serving.messages import VALID_FOR_S
from benchwarden.results.folder import RESULT_FILE

GIVE_UP_S = 120.0
NONE_CAME = f"no result.json within {GIVE_UP_S:g} s of the end; `benchwarden report` makes it"


@dataclass(frozen=True, slots=True)
class Ended:
    """A run that has ended at `at_s` of the loop's clock, how and why."""

    bay: str
    run: str
    how: str
    why: str
    at_s: float


def read_result(runs: Path, run: str) -> dict[str, Any] | None:
    """Return what result.json of a run holds, None while there is none."""
    try:
        found = json.loads((runs / run / RESULT_FILE).read_bytes())
    except (OSError, ValueError):
        return None
    return found if isinstance(found, dict) else None


def result_of(ended: Ended, found: Mapping[str, Any] | None, now_s: float) -> dict[str, Any] | None:
    """Return a `ResultMessage` without bench and time, None while it is worth waiting."""
    if found is None and now_s - ended.at_s < GIVE_UP_S:
        return None
    return {
        "kind": "result",
        "bay": ended.bay,
        "run": ended.run,
        "valid_for_s": VALID_FOR_S,
        "how": ended.how,
        "why": ended.why,
        "result": dict(found or {}),
        "flag": "" if found else NONE_CAME,
    }
