"""Readings as they arrive, and the sample that joins them at the load's beat.

Standard library only: the worker's safety decisions import this file.
Sign of the current, everywhere in the program: positive charges the pack, negative discharges it
(Battery Data Format, "Current / A").
"""

from collections.abc import Mapping
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
