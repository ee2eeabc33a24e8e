"""Readings as they arrive, and the sample that joins them at the load's beat.

Standard library only: the worker's safety decisions import this file.
Sign of the current, everywhere in the program: positive charges the pack, negative discharges it
(Battery Data Format, "Current / A").
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Reading:
    """What one instrument answered once.

    `asked_s` is the loop's clock when the request was sent. `values` maps a quantity to its value, or to None
    where the instrument gave no value (no reply, overload, not a number). Quantities: `voltage_v` and
    `current_a` (load, supply), `voltage_v` (voltmeter), `group_1_v` … (cells), `<place>_c` (temperature).
    """

    role: str
    asked_s: float
    values: Mapping[str, float | None]


@dataclass(frozen=True, slots=True)
class Sample:
    """One row of a run: the newest reading of each role, joined at the load's beat.

    Volts, amperes (positive charges the pack), watts, degrees Celsius, seconds, ampere-hours, watt-hours. A
    value that is missing or older than its role allows is None. `output` is "off", "load" or "supply".
    Counters run from the start of the run and never reset.
    """

    sequence: int
    test_time_s: float
    unix_time_s: float
    step_count: int
    step_type: str
    step_time_s: float
    phase: str
    output: str
    voltage_v: float | None
    current_a: float | None
    groups_v: tuple[float | None, ...]
    temperatures_c: tuple[float | None, ...]
    charging_ah: float
    discharging_ah: float
    charging_wh: float
    discharging_wh: float
    groups_age_s: float | None
    temperatures_age_s: float | None


def hottest_c(sample: Sample, places: Sequence[str]) -> float | None:
    """Return the highest temperature on the pack in degrees Celsius; the surroundings' does not count.

    A temperature without a named place counts as one on the pack. None when nothing was measured.
    """
    found = [
        value
        for index, value in enumerate(sample.temperatures_c)
        if value is not None and not (index < len(places) and places[index] == "ambient")
    ]
    return max(found) if found else None


def ambient_c(sample: Sample, places: Sequence[str]) -> float | None:
    """Return the surroundings' temperature in degrees Celsius, None when there is none."""
    for index, value in enumerate(sample.temperatures_c):
        if index < len(places) and places[index] == "ambient":
            return value
    return None


def lowest_group(sample: Sample) -> tuple[int, float] | None:
    """Return the number (from 1) and the volts of the lowest group that was measured, None without one."""
    found = [(value, index) for index, value in enumerate(sample.groups_v, start=1) if value is not None]
    if not found:
        return None
    value, index = min(found)
    return index, value


def spread_v(sample: Sample) -> float | None:
    """Return highest minus lowest group in volts, None unless two or more groups were all measured."""
    groups = [value for value in sample.groups_v if value is not None]
    if len(groups) < 2 or len(groups) != len(sample.groups_v):
        return None
    return max(groups) - min(groups)
