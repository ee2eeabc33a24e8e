"""Planned steps: a profile's steps in absolute numbers for one pack in one bay.

Volts (of a group unless the name says pack), amperes without sign, watts, ohms, seconds, degrees Celsius.
"""

from dataclasses import dataclass
from typing import ClassVar

from benchwarden.profiles.decision import Quantity


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedAsk:
    """A question to the operator."""

    kind: ClassVar[str] = "ask"
    number: int
    title: str
    estimate_s: float
    text: str
    answers: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedRest:
    """A rest: for `at_least_s`, until the hottest sensor is as asked, or to its end at `at_most_s`."""

    kind: ClassVar[str] = "rest"
    number: int
    title: str
    estimate_s: float
    at_least_s: float
    until_within_k: float | None
    until_below_c: float | None
    at_most_s: float | None
    every_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedCharge:
    """A full charge by the bay's supply (`method` "supply") or by the operator's charger ("operator").

    `may_recover`: somebody is there, so a group that rests below `recover_below_v` is charged slowly; without, it ends
    the run. One below `recover_least_v` ends it always.
    """

    kind: ClassVar[str] = "charge"
    number: int
    title: str
    estimate_s: float
    method: str
    series: int
    full_v: float
    current_a: float
    slow_current_a: float
    recover_current_a: float
    recover_below_v: float
    recover_least_v: float
    taper_a: float
    rated_capacity_ah: float
    start_low_c: float
    start_high_c: float
    at_most_s: float
    every_s: float
    may_recover: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedDischarge:
    """A discharge at a constant `quantity` ("power", "current", "resistance") of `level` W, A or ohm.

    `timer_s`: after so long with the load on, its own timer ends the draw, whatever has become of this program.
    """

    kind: ClassVar[str] = "discharge"
    number: int
    title: str
    estimate_s: float
    quantity: Quantity
    level: float
    ceiling_a: float
    series: int
    cut_off_name: str
    cut_off_v: float
    temperature_cut_off_c: float
    trip_voltage_v: float
    timer_s: float
    ambient_low_c: float | None
    ambient_high_c: float | None
    at_most_s: float
    every_s: float


@dataclass(frozen=True, slots=True)
class Rung:
    """One burst of a ladder: its number from 1, its current, and that as a multiple of rated capacity per hour."""

    number: int
    current_a: float
    rate_c: float
    ceiling_a: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedLadder:
    """Rising bursts; `bound` names what ends the plan of rungs ("max burst", "load current", "load power", …)."""

    kind: ClassVar[str] = "ladder"
    number: int
    title: str
    estimate_s: float
    rungs: tuple[Rung, ...]
    bound: str
    hold_s: float
    rest_s: float
    series: int
    floor_name: str
    floor_v: float
    temperature_cut_off_c: float
    trip_voltage_v: float
    ambient_low_c: float | None
    ambient_high_c: float | None
    at_most_s: float
    every_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedStore:
    """Brings the pack to storage: to `storage_v` per group at rest, or to a share of its rated capacity.

    `storage_fraction` is used where voltage does not tell charge; it needs the charge drawn since the last
    full charge. `feed_a` is None where the bay has no supply. `timer_s` as for a discharge, for each draw.
    """

    kind: ClassVar[str] = "store"
    number: int
    title: str
    estimate_s: float
    series: int
    rated_capacity_ah: float
    storage_v: float | None
    storage_fraction: float | None
    full_v: float
    cut_off_v: float
    draw_a: float
    ceiling_a: float
    trip_voltage_v: float
    timer_s: float
    feed_a: float | None
    recover_below_v: float
    taper_a: float
    start_low_c: float
    start_high_c: float
    temperature_cut_off_c: float
    at_most_s: float


PlannedStep = PlannedAsk | PlannedRest | PlannedCharge | PlannedDischarge | PlannedLadder | PlannedStore
