"""What a pack is like after its last run, by that run's last sample, and what it needs within a day: pure functions.

Thresholds are common practice, no source: a lithium pack is left at storage charge; full or empty it ages within days.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from benchwarden.results.run import Run
from benchwarden.results.sample import ambient_c, hottest_c

# A full group falls by some hundredths of a volt once the current has gone.
FULL_WITHIN_V = 0.08
STORAGE_WITHIN_V = 0.08
# Further below storage than this a lithium group holds next to nothing at rest.
EMPTY_BELOW_STORAGE_V = 0.20
# Sooner after a current than this, a voltage says little of the charge.
RESTED_S = 60.0
HOT_WITHIN_K = 10.0


@dataclass(frozen=True, slots=True)
class PackNow:
    """A pack as it was last seen: V per group, °C, seconds since current last flowed (None: not known).

    `charge` is "full", "above storage", "storage", "below storage", "empty" or "not known"; `need` what a person does
    within 24 h; `doubts` what speaks against taking this for the pack's state now.
    """

    utc_unix_s: float | None
    voltage_v: float | None
    groups_v: tuple[float | None, ...]
    hottest_c: float | None
    ambient_c: float | None
    rested_s: float | None
    charge: str
    need: str
    doubts: tuple[str, ...]


def pack_now(run: Run) -> PackNow:
    """Return what a run's last sample says of its pack."""
    values: Mapping[str, Any] = run.info.plan.get("pack") or {}
    if not run.samples:
        return PackNow(None, None, (), None, None, None, "not known", "measure it", ("its last run left no sample",))
    last = run.samples[-1]
    rested_s = next(
        (last.test_time_s - sample.test_time_s for sample in reversed(run.samples) if sample.output != "off"), None
    )
    doubts: list[str] = []
    if last.output != "off":
        doubts.append("last seen while a current flowed: its voltages were not at rest")
    elif rested_s is not None and rested_s < RESTED_S:
        doubts.append(f"only {rested_s:.0f} s after a current: its voltages still move")
    charge = charge_by_voltage(last.groups_v, last.voltage_v, values) or charge_by_steps(run) or "not known"
    hottest = hottest_c(last, run.info.places)
    limit_c = (run.info.plan.get("limits") or {}).get("temperature_high_c")
    need = need_in_words(charge, values)
    if hottest is not None and isinstance(limit_c, int | float) and not hottest < limit_c - HOT_WITHIN_K:
        need = (
            f"it was at {hottest:.0f} °C: do not touch it, keep away until it is cool, and call the fire service if it "
            f"smokes, hisses or swells; then: {need}"
        )
    return PackNow(
        last.unix_time_s,
        last.voltage_v,
        last.groups_v,
        hottest,
        ambient_c(last, run.info.places),
        rested_s,
        charge,
        need,
        tuple(doubts),
    )


def charge_by_voltage(
    groups_v: tuple[float | None, ...], voltage_v: float | None, values: Mapping[str, Any]
) -> str | None:
    """Return how full a pack is by its voltages at rest; None where voltage does not tell, or nothing was measured.

    `values`: `series`, and `full_v` and `storage_v` per group; chemistries without `storage_v` are flat.
    """
    full_v, storage_v, series = values.get("full_v"), values.get("storage_v"), values.get("series")
    known = [value for value in groups_v if value is not None]
    if not known and voltage_v is not None and series:
        known = [voltage_v / series]
    if full_v is None or storage_v is None or not known:
        return None
    highest, lowest = max(known), min(known)
    if highest >= full_v - FULL_WITHIN_V:
        return "full"
    if lowest < storage_v - EMPTY_BELOW_STORAGE_V:
        return "empty"
    if highest > storage_v + STORAGE_WITHIN_V:
        return "above storage"
    return "storage" if lowest >= storage_v - STORAGE_WITHIN_V else "below storage"


def charge_by_steps(run: Run) -> str | None:
    """Return how full a pack is by what was done to it last; None where that does not tell."""
    done = [event for event in run.events if event.get("event") == "step_ended" and event.get("ended_by") == "done"]
    finished = {event.get("step") for event in done}
    # A discharge that ended where its profile asked for is not empty.
    asked_for = {event.get("step") for event in run.events if event.get("ended_by") == "until"}
    for step in reversed(run.steps()):
        if not any(sample.output != "off" for sample in step.samples) and step.kind not in ("charge", "store"):
            continue
        if step.kind == "charge":
            return "full" if step.count in finished else None
        if step.kind == "store":
            return "storage" if step.count in finished else None
        if step.count in asked_for:
            return None
        return {"discharge": "empty", "ladder": "above storage"}.get(step.kind)
    return None


def need_in_words(charge: str, values: Mapping[str, Any]) -> str:
    """Return what a pack with this charge needs within 24 h."""
    storage_v, fraction = values.get("storage_v"), values.get("storage_fraction")
    if values.get("chargeable") is False:  # NiMH is kept charged, and by a charger of its own
        return "charge it on a charger made for it" if charge != "full" else "nothing"
    if storage_v is not None:
        target = f"storage ({storage_v:.2f} V per group at rest)"
    elif fraction is not None:
        target = f"storage ({100 * fraction:.0f} % of its charge)"
    else:
        target = "storage"
    return {
        "full": f"bring it down to {target}",
        "above storage": f"bring it down to {target}",
        "storage": "nothing: it is at storage",
        "below storage": f"charge it to {target}",
        "empty": f"charge it to {target}",
    }.get(charge, f"measure it, and bring it to {target}")
