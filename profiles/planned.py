"""Planned steps: a profile's steps in absolute numbers for one pack in one bay.

Volts (of a group unless the name says pack), amperes without sign, watts, ohms, seconds, degrees Celsius.
"""

from dataclasses import dataclass
from typing import ClassVar

from benchwarden.profiles.decision import Quantity


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedUntil:
    """What ends a step early, the first that is met: since the step began, or as measured. None: not asked for.

    `voltage_v`: of the lowest group in a discharge, of the highest in a charge. `temperature_c`: the hottest sensor.
    `group_spread_v`: highest less lowest group.
    """

    charge_ah: float | None = None
    energy_wh: float | None = None
    time_s: float | None = None
    voltage_v: float | None = None
    temperature_c: float | None = None
    group_spread_v: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedRepeat:
    """A repeat, whose cycles stand written out in the plan; a step's `cycle` is (this `place`, the cycle's number).

    Cycles are left out once its steps have taken `at_most_s`, once the last discharge of a cycle delivered less than
    `below` of `below_of` ("rated": `rated_capacity_ah`; "first": what the first cycle's delivered), or once one
    delivered at least `at_least` of `at_least_of`.
    """

    place: int
    times: int
    at_most_s: float
    rated_capacity_ah: float
    below: float | None = None
    below_of: str = "first"
    at_least: float | None = None
    at_least_of: str = "rated"


@dataclass(frozen=True, slots=True, kw_only=True)
class Numbered:
    """What every step of a plan has; `cycle`: of which repeat, by its place, and in which of its cycles."""

    number: int
    title: str
    estimate_s: float
    cycle: tuple[int, int] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Drawing(Numbered):
    """What every step has that draws: what ends it too warm or too long, and the load's own trip for the pack."""

    series: int
    temperature_cut_off_c: float
    trip_voltage_v: float
    at_most_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class DownToFloor(Drawing):
    """A step that draws in bursts or pulses, none of which may take a group below `floor_v`."""

    floor_name: str
    floor_v: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedAsk(Numbered):
    """A question to the operator."""

    kind: ClassVar[str] = "ask"
    text: str
    answers: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedRest(Numbered):
    """A rest: for `at_least_s`, until the hottest sensor is as asked, or to its end at `at_most_s`."""

    kind: ClassVar[str] = "rest"
    at_least_s: float
    until_within_k: float | None
    until_below_c: float | None
    at_most_s: float | None
    every_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedCharge(Numbered):
    """A full charge by the bay's supply (`method` "supply") or by the operator's charger ("operator").

    `may_recover`: somebody is there, so a group that rests below `recover_below_v` is charged slowly; without, it ends
    the run. One below `recover_least_v` ends it always.
    """

    kind: ClassVar[str] = "charge"
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
    until: PlannedUntil | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedDischarge(Drawing):
    """A discharge at a constant `quantity` ("power", "current", "resistance") of `level` W, A or ohm.

    With a `table` of (seconds, W) the power follows it instead, over and over; `level` is its highest power, `table_s`
    how long it lasts. Each row holds until the next.

    `timer_s`: after so long with the load on, its own timer ends the draw, whatever has become of this program.
    """

    kind: ClassVar[str] = "discharge"
    quantity: Quantity
    level: float
    ceiling_a: float
    cut_off_name: str
    cut_off_v: float
    timer_s: float
    ambient_low_c: float | None
    ambient_high_c: float | None
    every_s: float
    until: PlannedUntil | None = None
    table: tuple[tuple[float, float], ...] = ()
    table_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Rung:
    """One burst of a ladder or one level of a series of pulses: its number from 1, its current, and that in C."""

    number: int
    current_a: float
    rate_c: float
    ceiling_a: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedLadder(DownToFloor):
    """Rising bursts; `bound` names what ends the plan of rungs ("max burst", "load current", "load power", …)."""

    kind: ClassVar[str] = "ladder"
    rungs: tuple[Rung, ...]
    bound: str
    hold_s: float
    rest_s: float
    ambient_low_c: float | None
    ambient_high_c: float | None
    every_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedStore(Drawing):
    """Brings the pack to storage: to `storage_v` per group at rest, or to a share of its rated capacity.

    `storage_fraction` is used where voltage does not tell charge; it needs the charge drawn since the last
    full charge. `feed_a` is None where the bay has no supply. `timer_s` as for a discharge, for each draw.
    """

    kind: ClassVar[str] = "store"
    rated_capacity_ah: float
    storage_v: float | None
    storage_fraction: float | None
    full_v: float
    cut_off_v: float
    draw_a: float
    ceiling_a: float
    timer_s: float
    feed_a: float | None
    recover_below_v: float
    taper_a: float
    start_low_c: float
    start_high_c: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedInspect(Numbered):
    """A look at the balance lead for `for_s`, nothing on: volts of a group, `taps` "each" or "cumulative".

    `channels` is 0 where the bay has no meter for groups.
    """

    kind: ClassVar[str] = "inspect"
    series: int
    channels: int
    taps: str
    low_v: float
    high_v: float
    spread_v: float
    for_s: float
    every_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedSoak(Numbered):
    """Everything off until the hottest sensor has been within `within_k` of `to_c` (None: of ambient) for `hold_s`."""

    kind: ClassVar[str] = "soak"
    to_c: float | None
    within_k: float
    hold_s: float
    at_most_s: float
    every_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedPulse(DownToFloor):
    """Two steps of current, the second right after the first: `low_a` for `low_s`, then `high_a` for `high_s`."""

    kind: ClassVar[str] = "pulse"
    method: str = "two-step"
    low_a: float
    low_s: float
    high_a: float
    high_s: float
    ceiling_a: float
    every_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedPulseSeries(DownToFloor):
    """Pulses of rising current after each `portion_ah` of charge, `portions` times, each state after a rest `settle_s`.

    `move_a` draws the charge between. `times_s`: when resistance is read after a pulse began. Only pulses are
    sampled each `pulse_every_s`.
    """

    kind: ClassVar[str] = "pulse"
    method: str = "series"
    levels: tuple[Rung, ...]
    hold_s: float
    times_s: tuple[float, ...]
    rest_s: float
    settle_s: float
    portion_ah: float
    portion_percent: float
    portions: int
    move_a: float
    move_ceiling_a: float
    move_timer_s: float
    ambient_low_c: float | None
    ambient_high_c: float | None
    pulse_every_s: float


PlannedStep = (
    PlannedAsk
    | PlannedRest
    | PlannedCharge
    | PlannedDischarge
    | PlannedLadder
    | PlannedStore
    | PlannedInspect
    | PlannedSoak
    | PlannedPulse
    | PlannedPulseSeries
)

# So often at least a step is sampled that measures in seconds; the kinds of step that do.
FAST_S = 0.1
FAST_KINDS = ("ladder", "pulse")


def most_drawn_a(step: PlannedStep) -> float:
    """The largest ceiling that a step gives a load, in amperes; 0 if it draws nothing."""
    match step:
        case PlannedDischarge() | PlannedStore() | PlannedPulse():
            return step.ceiling_a
        case PlannedLadder():
            return step.rungs[-1].ceiling_a
        case PlannedPulseSeries():
            return max(step.move_ceiling_a, *(level.ceiling_a for level in step.levels))
        case _:
            return 0.0
