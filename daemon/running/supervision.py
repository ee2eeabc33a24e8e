"""Is what is measured plausible? Rules for a bay that runs, beside the hard limits of daemon/safety.py.

Each rule is a pure function: what it remembers and what was seen in, the new memory and the reason to trip (None: there
is none) out. Nothing here waits, reads or writes. A value that is missing is never judged. Where a figure has no source
beside it, it is common practice.
"""

from typing import NamedTuple

from benchwarden.profiles.bay import SET_SHARE
from benchwarden.profiles.decision import Draw, Feed
from benchwarden.profiles.preflight import Meter, meters_agree
from benchwarden.profiles.quantity import Accuracy

# The groups must add up to the pack: within this, and the drop along the path between the points that are measured.
SUM_SHARE, SUM_LEAST_V = 0.005, 0.030
SUM_SCANS = 3
# A scan takes up to a second: it is judged only where the current changed less than this meanwhile.
STEADY_SHARE = 0.02
# Measured current or power against what was set: so long it may be away from it.
SET_FOR_S = 3.0
# A load in constant power that has reached its ceiling gives no more power; that is how it is meant to work.
AT_CEILING = 0.98
# A meter is called frozen only if the change that it ought to show exceeds ten steps of a millivolt meter.
STEPS, STEP_V = 10, 0.001
STILL_SAMPLES, STILL_SCANS = 30, 3
# By how much a group would fall from full to empty if all of it were as flat as its flattest stretch: where voltage
# tells charge, and on the plateau of the other chemistries.
SLOPE_V, PLATEAU_SLOPE_V = 0.3, 0.01
LEAST_CHARGE_SHARE = 0.01


class Beat(NamedTuple):
    """What the instrument that measures said at one beat: seconds, volts, amperes (positive charges).

    `output` is "off", "load" or "supply".
    """

    time_s: float
    output: str
    voltage_v: float
    current_a: float


# Of the instrument that measures, and of the voltmeter; None where the bench file says nothing.
Accuracies = tuple[Accuracy | None, Accuracy | None]


class Scan(NamedTuple):
    """One complete scan of the groups: when it was asked for, and volts from the negative end."""

    asked_s: float
    groups_v: tuple[float, ...]

    @property
    def sum_v(self) -> float:
        """What the groups make together."""
        return sum(self.groups_v)


class Sums(NamedTuple):
    """Memory of `groups_add_up`: the beat before, the scan judged last, how many in a row were astray."""

    before: Beat | None = None
    scanned_s: float = float("-inf")
    astray: int = 0


def groups_add_up(
    memory: Sums, beat: Beat, scan: Scan | None, path_ohm: float, offset_a: float
) -> tuple[Sums, str | None]:
    """The sum of the groups is the pack's voltage, allowed max(0.5 %, 30 mV) and what the path drops (faults 63, 64).

    `path_ohm`: between the outer taps and where the pack's voltage is measured. `offset_a`: a change of current that
    the meter may show by itself. Trips after three scans in a row.
    """
    before = memory.before
    if scan is None or before is None or before.output != beat.output or scan.asked_s <= memory.scanned_s:
        return Sums(beat, memory.scanned_s, memory.astray), None
    allowed_v = max(SUM_SHARE * abs(beat.voltage_v), SUM_LEAST_V) + abs(beat.current_a) * path_ohm
    change_a = abs(beat.current_a - before.current_a)
    steady = (
        before.time_s < scan.asked_s <= beat.time_s
        and change_a <= STEADY_SHARE * max(abs(beat.current_a), abs(before.current_a)) + offset_a
        and abs(beat.voltage_v - before.voltage_v) <= allowed_v / 2
    )
    if not steady:
        return Sums(beat, scan.asked_s, memory.astray), None
    if abs(scan.sum_v - beat.voltage_v) <= allowed_v:
        return Sums(beat, scan.asked_s), None
    after = Sums(beat, scan.asked_s, memory.astray + 1)
    if after.astray < SUM_SCANS:
        return after, None
    return after, (
        f"the groups make {scan.sum_v:.3f} V together, the pack {beat.voltage_v:.3f} V at {beat.current_a:.2f} A; they "
        f"may differ by {1000 * allowed_v:.0f} mV (an open sense wire, swapped taps, or a meter that stands still)"
    )


class Apart(NamedTuple):
    """Memory of `voltmeter_agrees`: the beat before, the reading judged last, how many in a row were astray."""

    before: Beat | None = None
    asked_s: float = float("-inf")
    astray: int = 0


def voltmeter_agrees(
    memory: Apart, beat: Beat, at_pack: tuple[float, float] | None, accuracy: Accuracies, path_ohm: float
) -> tuple[Apart, str | None]:
    """Voltmeter and the instrument that measures see one pack: within their accuracies and what the path drops.

    `at_pack`: when the voltmeter was asked, and volts; `accuracy` of the measuring instrument and of the voltmeter.
    A sense wire that came off, a contact that grew hot, a meter that stands still (faults 19, 64, 65). Trips after
    three readings in a row; where the voltage moves as fast, nothing is judged.
    """
    before = memory.before
    if at_pack is None or before is None or before.output != beat.output or at_pack[0] <= memory.asked_s:
        return Apart(beat, memory.asked_s, memory.astray), None
    asked_s, voltage_v = at_pack
    meters = [Meter(f"the {_measuring(beat)}", beat.voltage_v, accuracy[0]), Meter("voltmeter", voltage_v, accuracy[1])]
    words = meters_agree(meters, beat.current_a, path_ohm)
    if not words:
        return Apart(beat, asked_s), None
    moved_v = abs(beat.voltage_v - before.voltage_v)  # a difference this small may come from the moment between
    if not before.time_s < asked_s <= beat.time_s or moved_v > abs(beat.voltage_v - voltage_v) / 2:
        return Apart(beat, asked_s, memory.astray), None
    after = Apart(beat, asked_s, memory.astray + 1)
    if after.astray < SUM_SCANS:
        return after, None
    return after, (
        f"{words[0]} at {beat.current_a:.2f} A (a bad contact, an open sense wire, or a meter that stands still)"
    )


def _measuring(beat: Beat) -> str:
    return "supply" if beat.output == "supply" else "load"


class Astray(NamedTuple):
    """Memory of `set_point_held`: what is set, and since when the measured value has been away from it."""

    want: Draw | Feed | None = None
    since_s: float | None = None


_NOTHING_SET = Astray()


def set_point_held(memory: Astray, beat: Beat, want: object, offset_a: float) -> tuple[Astray, str | None]:
    """What is measured is what was set: within 2 % and the meter's offset, or the bay trips after 3 s (fault 21).

    A draw is held from both sides; a supply gives what the pack takes, but never more than was set.
    """
    if isinstance(want, Draw) and beat.output == "load":
        problem = _draw_problem(want, beat, offset_a)
    elif isinstance(want, Feed) and beat.output == "supply":
        most_a = want.current_a * (1.0 + SET_SHARE) + offset_a
        problem = "" if beat.current_a <= most_a else f"at most {want.current_a:g} A is set"
    else:
        return _NOTHING_SET, None
    if not problem:
        return (memory if memory.since_s is None and memory.want is want else Astray(want)), None
    since_s = memory.since_s if memory.want == want and memory.since_s is not None else beat.time_s
    after = Astray(want, since_s)
    if beat.time_s - since_s < SET_FOR_S:
        return after, None
    return after, (
        f"the {beat.output} does not do what it was set to: {problem}, measured {beat.voltage_v:.3f} V and "
        f"{beat.current_a:.3f} A for {beat.time_s - since_s:.1f} s"
    )


def _draw_problem(want: Draw, beat: Beat, offset_a: float) -> str:
    """What is wrong with a draw in words; empty if nothing is."""
    drawn_a = -beat.current_a
    if want.quantity == "power":
        if drawn_a >= AT_CEILING * want.ceiling_a and drawn_a * beat.voltage_v < want.level:
            return ""
        found, allowed, unit = drawn_a * beat.voltage_v, abs(beat.voltage_v) * offset_a, "W"
        level = want.level
    elif want.quantity == "current":
        found, allowed, unit, level = drawn_a, offset_a, "A", want.level
    else:
        found, allowed, unit, level = drawn_a, offset_a, "A", beat.voltage_v / want.level
        if level >= AT_CEILING * want.ceiling_a and drawn_a >= AT_CEILING * want.ceiling_a:
            return ""
    if abs(found - level) <= SET_SHARE * level + allowed:
        return ""
    return f"{want.quantity} is set to {want.level:g}, which is {level:.3f} {unit}; it draws {found:.3f} {unit}"


class Still(NamedTuple):
    """Memory of `meter_moves`: the first of the equal readings, how many, the charge then, the groups' sum then."""

    first: Beat | None = None
    times: int = 0
    net_ah: float = 0.0
    sum_v: float | None = None


def meter_moves(
    memory: Still, beat: Beat, scan: Scan | None, net_ah: float, *, rated_ah: float, series: int, plateau: bool
) -> tuple[Still, str | None]:
    """A pack voltage whose every digit stays the same, with the current's, although it ought to move (fault 19).

    With a scan the groups are the witness: they moved by ten steps each, the pack's voltage did not. Without one, the
    charge: so much flowed that even the flattest stretch of the chemistry would show ten steps. `net_ah` counts the
    charge put in; `plateau`: voltage tells nothing of charge. An honest constant (a voltage held by the supply, a
    plateau, a rest) never trips.
    """
    first = memory.first
    if (
        first is None
        or first.output != beat.output
        or first.voltage_v != beat.voltage_v
        or first.current_a != beat.current_a
    ):
        return Still(beat, 1, net_ah, None if scan is None else scan.sum_v), None
    sum_v = memory.sum_v if memory.sum_v is not None or scan is None else scan.sum_v
    after = Still(first, memory.times + 1, memory.net_ah, sum_v)
    if after.times < STILL_SAMPLES:
        return after, None
    words = f"voltage and current have read {beat.voltage_v:g} V and {beat.current_a:g} A {after.times} times in a row"
    if scan is not None and sum_v is not None:
        moved_v = abs(scan.sum_v - sum_v)
        if moved_v > series * STEPS * STEP_V:
            return after, f"{words}, while the groups moved by {1000 * moved_v:.0f} mV together: the meter stands still"
        return after, None
    moved_ah = abs(net_ah - memory.net_ah)
    slope_v = series * (PLATEAU_SLOPE_V if plateau else SLOPE_V)
    share = max(LEAST_CHARGE_SHARE, STEPS * STEP_V / slope_v)
    if beat.output == "load" and moved_ah > share * rated_ah:
        return after, f"{words}, while {moved_ah:.3f} Ah were drawn: the meter stands still"
    return after, None


class StillScan(NamedTuple):
    """Memory of `scanner_moves`: the first of the equal scans, how many, and the beat that went with the first."""

    first: Scan | None = None
    times: int = 0
    last_s: float = float("-inf")
    beat: Beat | None = None


def scanner_moves(memory: StillScan, beat: Beat, scan: Scan | None) -> tuple[StillScan, str | None]:
    """Every group reads the same to the last digit, although the pack moved by ten steps a group (fault 19)."""
    if scan is None or scan.asked_s <= memory.last_s:
        return memory, None
    first, then = memory.first, memory.beat
    if first is None or then is None or then.output != beat.output or first.groups_v != scan.groups_v:
        return StillScan(scan, 1, scan.asked_s, beat), None
    after = StillScan(first, memory.times + 1, scan.asked_s, then)
    moved_v = abs(beat.voltage_v - then.voltage_v)
    if after.times >= STILL_SCANS and moved_v > len(scan.groups_v) * STEPS * STEP_V:
        return after, (
            f"every group has read the same in {after.times} scans, while the pack moved by {1000 * moved_v:.0f} mV: "
            "the meter of the groups stands still"
        )
    return after, None
