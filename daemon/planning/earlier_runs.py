"""What earlier runs of a pack have measured, from their run folders: results only, no samples are read."""

import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from benchwarden.profiles.plan import Plan
from benchwarden.results.folder import FolderError, slug

RUN_FILE, RESULT_FILE = "run.json", "result.json"


@dataclass(frozen=True, slots=True)
class EarlierRun:
    """One run that measured this pack. Ampere-hours, watt-hours, ohm of the whole pack, kelvins; None: not measured.

    `same`: by the same procedure, so that what it delivered is to be expected again.
    """

    name: str
    same: bool
    delivered_ah: float | None
    delivered_wh: float | None
    resistance_ohm: float | None
    rise_k: float | None


def earlier_runs(runs: Path, plan: Plan) -> list[EarlierRun]:
    """Return what finished runs of this pack have measured, the newest first.

    A folder that cannot be read is passed over: it takes nothing from the plan but a better estimate.
    """
    try:
        folder = runs / slug(plan.pack.name)
    except FolderError:
        return []
    found: list[tuple[float, EarlierRun]] = []
    for path in folder.glob(f"*/{RESULT_FILE}"):
        info, result = _table(path.with_name(RUN_FILE)), _table(path)
        if info is None or result is None or not _is_this_pack(info, plan):
            continue
        if result.get("partial"):
            continue
        started_s = _number(info.get("started_unix_s")) or 0.0
        found.append((started_s, _measured(path.parent, info, result, plan)))
    return [run for _, run in sorted(found, key=lambda one: one[0], reverse=True)]


def _measured(path: Path, info: Mapping[str, Any], result: Mapping[str, Any], plan: Plan) -> EarlierRun:
    figures = result.get("figures")
    named = figures if isinstance(figures, dict) else {}

    def value(name: str) -> float | None:
        figure = named.get(name)
        return _number(figure.get("value")) if isinstance(figure, dict) else None

    return EarlierRun(
        name="/".join(path.parts[-2:]),
        same=info.get("fingerprint") == plan.fingerprint,
        delivered_ah=value("delivered_ah"),
        delivered_wh=value("delivered_wh"),
        resistance_ohm=value("dc_resistance_ohm"),
        rise_k=value("temperature_rise_k"),
    )


def _is_this_pack(info: Mapping[str, Any], plan: Plan) -> bool:
    pack = info.get("pack")
    return isinstance(pack, dict) and (
        pack.get("name"),
        pack.get("chemistry"),
        info.get("series"),
        info.get("rated_capacity_ah"),
    ) == (plan.pack.name, plan.pack.chemistry, plan.pack.series, plan.pack.rated_capacity_ah)


def _table(path: Path) -> dict[str, Any] | None:
    try:
        data = json.loads(path.read_text("utf-8"))
    except (OSError, ValueError, RecursionError):
        return None
    return data if isinstance(data, dict) else None


def _number(found: object) -> float | None:
    is_number = isinstance(found, int | float) and not isinstance(found, bool) and 0 < found < 1e12
    return float(found) if is_number else None  # type: ignore[arg-type]
