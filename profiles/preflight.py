"""Judges a bay at rest, before anything flows: the pack of the plan, wired as the bay says, seen alike by every meter.

Pure: what was read in, everything that speaks against a start out, in words. Common practice, no source, unless a check
names one.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from benchwarden.profiles.plan import Plan
from benchwarden.profiles.planned import (
    PlannedDischarge,
    PlannedLadder,
    PlannedPulse,
    PlannedPulseSeries,
    PlannedStore,
)
from benchwarden.profiles.quantity import Accuracy
from benchwarden.profiles.taps import Taps, pack_wrong, taps_wrong

# Two meters on one pack: what both data sheets allow, and this for contacts and the moment between the readings.
_APART_V = 0.020
_UNKNOWN = Accuracy(0.005, 0.030, "V")
# A supply whose relay is open reads its own side; what it reads there says nothing of the pack.
_SEES_PACK_SHARE = 0.1
_RATING_HAIR = 1e-3
AMBIENT = "ambient"
REST_WITHIN_K = 3.0
# 85.0 and -127 are what a common digital sensor answers before its first conversion and without a wire (from memory).
_POWER_ON_C, _ABSENT_C, _HOTTEST_C = 85.0, -127.0, 150.0
_RATING_UNITS = {"current_a": "A", "power_w": "W", "voltage_v": "V"}

PULSE_SHARE, PULSE_LEAST_A, PULSE_S = 0.1, 0.5, 1.0
_PULSE_OFF_SHARE = 0.02
# What a meter may jitter by, and the share of the mean sag that a group must show beyond that.
_JITTER_V, _GROUP_JITTER_V, _GROUP_SAGS_SHARE = 0.002, 0.001, 0.2
LEAST_GROUP_OHM, MOST_GROUP_OHM = 0.0002, 0.1
# An instrument that needs more than this share of its timeout would count as silent at the next hesitation.
_TIMEOUT_SHARE, _LONGEST_TIMEOUT_S = 0.9, 1.0
# Load and supply are asked at the latest this many of their periods after the reading before.
_DRIVING_PERIODS = 1.5
# On, two readings, each behind another exchange, and off behind one more: so many answers lie in a test pulse.
_PULSE_ANSWERS = 7


@dataclass(frozen=True, slots=True)
class Meter:
    """One reading of the pack's voltage: which instrument, volts (None: no reading), its accuracy if known.

    `isolated`: an instrument that may be cut off from the pack while its output is off, as a supply is.
    """

    name: str
    voltage_v: float | None
    accuracy: Accuracy | None = None
    isolated: bool = False


@dataclass(frozen=True, slots=True)
class Pulse:
    """A test pulse as it was seen: the current that was set (A, without sign), and readings before and in it.

    Currents in A (negative discharges), volts. `groups_…` are empty without a meter for groups.
    """

    set_a: float
    before_v: float | None
    in_v: float | None
    in_a: float | None
    groups_before_v: tuple[float | None, ...] = ()
    groups_in_v: tuple[float | None, ...] = ()
    voltmeter_v: float | None = None

    @property
    def ohm(self) -> float | None:
        """The pack's resistance a second after the load went on, in ohms; None if something is missing."""
        if self.before_v is None or self.in_v is None or not self.in_a:
            return None
        return (self.in_v - self.before_v) / self.in_a


@dataclass(frozen=True, slots=True)
class Pace:
    """How fast one instrument answers: seconds from question to answer, its timeout, and how often it is asked.

    `blind_s`: how long its quantities may be missing. `drives`: it is a load or a supply. `pulse_spare_s`: what the
    load's own timer leaves beyond the length of a test pulse, None without one. `burst_blind_s`: as `blind_s`, in a
    burst that no timer of the load's own would end; None where there is no such burst.
    """

    who: str
    answer_s: float
    timeout_s: float
    every_s: float
    blind_s: float
    drives: bool = False
    pulse_spare_s: float | None = None
    burst_blind_s: float | None = None


def keeps_pace(pace: Pace) -> list[str]:
    """What speaks against an instrument that answers so slowly, in words; empty if it may be used.

    A reading is as old as the time between two questions, the exchange that the question waits behind, and its own.
    """
    shown = f"{pace.who} answers after {pace.answer_s:.2f} s"
    found: list[str] = []
    if pace.answer_s > _TIMEOUT_SHARE * pace.timeout_s:
        better_s = min(2.0 * pace.answer_s, _LONGEST_TIMEOUT_S)
        right = f'timeout = "{better_s:.1g} s" in its entry' if better_s > pace.timeout_s else "a faster line"
        found.append(
            f"{shown}, and counts as silent after {pace.timeout_s:g} s: too close to be relied on all night; right "
            f"would be {right}"
        )
    oldest_s = (_DRIVING_PERIODS if pace.drives else 1.0) * pace.every_s + 2.0 * pace.answer_s
    if oldest_s > pace.blind_s:
        found.append(
            f"{shown} and is asked every {pace.every_s:g} s: a reading would be up to {oldest_s:.1f} s old, allowed "
            f"{pace.blind_s:g} s; a smaller `every` or a faster line would be right"
        )
    if pace.pulse_spare_s is not None and _PULSE_ANSWERS * pace.answer_s > pace.pulse_spare_s:
        found.append(
            f"{shown}: its own timer would end a test pulse before this program could; at most "
            f"{pace.pulse_spare_s / _PULSE_ANSWERS:.2g} s, by a faster line, would be right"
        )
    if pace.burst_blind_s is not None and 2.0 * pace.answer_s > pace.burst_blind_s:
        found.append(
            f"{shown} and has no timer of its own that would end a burst: nobody may be blind for more than "
            f"{pace.burst_blind_s:g} s in one; a load with a timer or a faster line would be right"
        )
    return found


def check(groups_v: Sequence[float | None], pack_voltage_v: float | None, plan: Plan) -> list[str]:
    """What speaks against starting, in words; empty if nothing does.

    `groups_v` are the volts of the groups from the negative end, empty if the bay has no meter for them;
    `pack_voltage_v` is that of the whole pack, at zero current. None is a missing value.
    """
    pack, limits = plan.pack, plan.limits
    group_low_v = limits.group_low_v if limits.recover_low_v is None else limits.recover_low_v
    low_v = limits.pack_low_v if limits.recover_low_v is None else pack.series * limits.recover_low_v
    taps = Taps(pack.name, pack.series, group_low_v, limits.group_high_v, plan.bay.taps, plan.bay.group_channels)
    return [
        *pack_wrong(pack_voltage_v, taps, low_v, limits.pack_high_v),
        *taps_wrong(groups_v, pack_voltage_v, taps),
    ]


def open_path(groups_v: Sequence[float | None], load_v: float | None, plan: Plan) -> str | None:
    """Words for groups that are well while the load sees no pack: the path between them is open; else None."""
    low_v, high_v = plan.limits.group_low_v, plan.limits.group_high_v
    known = [value for value in groups_v if value is not None and low_v <= value <= high_v]
    if load_v is None or len(known) != plan.pack.series or abs(load_v) >= _SEES_PACK_SHARE * sum(known):
        return None
    return (
        f"the groups are well ({sum(known):.2f} V together), but the load sees {load_v:.2f} V: the path to the pack is "
        "open (its protection board, a fuse, a clip); it may close again by itself"
    )


def meters_agree(meters: Sequence[Meter], current_a: float = 0.0, path_ohm: float = 0.0) -> list[str]:
    """The first meter against each other one at the same pack, in words; empty if all agree.

    Each may be off by its accuracy, both together by 20 mV more and by what `current_a` drops along `path_ohm`. A
    missing reading of the first is somebody else's to say.
    """
    first, *others = meters
    problems: list[str] = []
    for other in others:
        if other.voltage_v is None:
            if not other.isolated:
                problems.append(f"{other.name}: no reading of the pack voltage")
            continue
        if first.voltage_v is None:
            continue
        if other.isolated and abs(other.voltage_v) < _SEES_PACK_SHARE * abs(first.voltage_v):
            continue
        allowed_v = _APART_V + abs(current_a) * path_ohm
        allowed_v += sum((one.accuracy or _UNKNOWN).at(first.voltage_v) for one in (first, other))
        if not abs(other.voltage_v - first.voltage_v) <= allowed_v:
            problems.append(
                f"{other.name} reads {other.voltage_v:.3f} V, {first.name} {first.voltage_v:.3f} V; "
                f"they may differ by {1000 * allowed_v:.0f} mV"
            )
    return problems


def ratings_fit(name: str, stated: Mapping[str, float | None], own: Mapping[str, float]) -> list[str]:
    """Where a bench file promises more than the instrument says of itself, in words; empty if nowhere.

    Both map current_a, power_w, voltage_v to A, W, V; `own` holds what the instrument can be asked for.
    """
    return [
        f"{name}: the bench file says {limit:g} {unit}, the instrument itself {own[key]:g} {unit} at most"
        for key, unit in _RATING_UNITS.items()
        if (limit := stated.get(key)) is not None and key in own and limit > own[key] * (1 + _RATING_HAIR)
    ]


def check_probes(probes_c: Mapping[str, float | None], *, rested: bool = True) -> list[str]:
    """What speaks against the probes of a pack, by place, in words; empty if nothing does (fault 67).

    None is open or shorted; and if the pack is to be `rested`, each is within 3 K of ambient (of the coolest probe
    where there is none).
    """
    problems: list[str] = []
    fine: dict[str, float] = {}
    for place, value in probes_c.items():
        if value is None or value != value:
            problems.append(f"probe {place}: no value; it is open or shorted")
        elif value == _ABSENT_C or value > _HOTTEST_C:
            problems.append(f"probe {place}: {value:g} °C; it is open or shorted")
        elif value == _POWER_ON_C:
            problems.append(f"probe {place}: 85.0 °C exactly, which is what a sensor answers before it has measured")
        else:
            fine[place] = value
    if not any(place != AMBIENT for place in probes_c):
        problems.append("probes: none is on the pack; at least one is needed")
    if not fine or not rested:
        return problems
    around_c = fine.get(AMBIENT, min(fine.values()))
    what = "ambient" if AMBIENT in fine else "the coolest probe"
    problems += [
        f"probe {place}: {value:.1f} °C, {what} {around_c:.1f} °C; a rested pack is within {REST_WITHIN_K:g} K: "
        "let it rest"
        for place, value in fine.items()
        if not abs(value - around_c) <= REST_WITHIN_K
    ]
    return problems


def pulse_current_a(plan: Plan) -> float | None:
    """The test pulse's current in A: a tenth of the plan's largest draw, 0.5 A at least; None if it draws nothing."""
    largest_a = 0.0
    for step in plan.steps:
        match step:
            case PlannedDischarge():
                largest_a = max(largest_a, _draw_a(step, plan.pack.nominal_pack_v))
            case PlannedLadder():
                largest_a = max(largest_a, step.rungs[-1].current_a)
            case PlannedStore():
                largest_a = max(largest_a, step.draw_a)
            case PlannedPulse():
                largest_a = max(largest_a, step.high_a)
            case PlannedPulseSeries():
                largest_a = max(largest_a, step.move_a, *(level.current_a for level in step.levels))
    if largest_a == 0.0:
        return None
    # The plan's limit lies 5 % above its largest ceiling, so a pulse of 0.5 A never exceeds what the plan draws itself.
    return round(min(max(PULSE_SHARE * largest_a, PULSE_LEAST_A), plan.limits.max_draw_a / 1.05), 3)


def _draw_a(step: PlannedDischarge, nominal_v: float) -> float:
    match step.quantity:
        case "current":
            return step.level
        case "power":
            return step.level / nominal_v
        case _:
            return nominal_v / step.level


def too_low_for_a_pulse(groups_v: Sequence[float | None], pack_v: float | None, plan: Plan) -> str:
    """Why no pulse is drawn from a pack that is nearly empty, in words; empty if it may be."""
    pack = plan.pack
    least_v = pack.discharge_cut_off_v + pack.margin_v
    known = [value for value in groups_v if value is not None]
    lowest_v = min(known) if known else (pack_v or 0.0) / pack.series
    if lowest_v >= least_v:
        return ""
    return f"a group rests at {lowest_v:.3f} V, and nothing is drawn for a test below {least_v:.2f} V"


def resistance_is_sane(ohm: float, series: int) -> bool:
    """Whether a resistance can be that of a pack of so many groups: 0.2 to 100 mΩ for each."""
    return LEAST_GROUP_OHM * series <= ohm <= MOST_GROUP_OHM * series


def check_pulse(
    pulse: Pulse, plan: Plan, offset_a: float, meters: Sequence[Accuracy | None] = (), path_ohm: float = 0.0
) -> list[str]:
    """What a test pulse shows to be wrong, in words; empty if nothing is (fault 66).

    `offset_a` is the load's error at no current; `meters` the voltage accuracies of load and voltmeter.
    """
    if pulse.before_v is None or pulse.in_v is None or pulse.in_a is None:
        return ["test pulse: voltage or current could not be read"]
    problems: list[str] = []
    if not abs(-pulse.in_a - pulse.set_a) <= _PULSE_OFF_SHARE * pulse.set_a + offset_a:
        problems.append(f"test pulse: {pulse.set_a:g} A were set, measured {-pulse.in_a:.3f} A (positive draws)")
    sag_v = pulse.before_v - pulse.in_v
    series = plan.pack.series
    jitter_ohm = _JITTER_V / pulse.set_a
    if not sag_v > -_JITTER_V:
        problems.append(f"test pulse: the pack rose by {-1000 * sag_v:.1f} mV under load; it must sag")
    elif pulse.ohm is None or not (
        LEAST_GROUP_OHM * series - jitter_ohm <= pulse.ohm <= MOST_GROUP_OHM * series + jitter_ohm
    ):
        found = "not known" if pulse.ohm is None else f"{1000 * pulse.ohm:.1f} mΩ"
        problems.append(
            f"test pulse: the pack's resistance is {found}; right would be {1000 * LEAST_GROUP_OHM * series:.1f} to "
            f"{1000 * MOST_GROUP_OHM * series:.0f} mΩ for {series} groups"
        )
    for number, (before, within) in enumerate(zip(pulse.groups_before_v, pulse.groups_in_v, strict=True), start=1):
        if before is None or within is None:
            problems.append(f"test pulse: group {number} could not be read")
        elif not before - within >= _GROUP_SAGS_SHARE * sag_v / series - _GROUP_JITTER_V:
            problems.append(
                f"test pulse: group {number} went from {before:.4f} to {within:.4f} V; it must sag with the pack"
            )
    if pulse.voltmeter_v is not None:
        load, voltmeter = meters if len(meters) == 2 else (None, None)
        both = (Meter("the load", pulse.in_v, load), Meter("the voltmeter", pulse.voltmeter_v, voltmeter))
        problems += [f"test pulse: {words}" for words in meters_agree(both, pulse.in_a, path_ohm)]
    return problems
