"""A sample as one row of comma-separated text, and back.

The labels are the preferred labels of the Battery Data Format (ontology 1.3.0); what that format has no
column for (groups, ages, phase, output) stands in extra columns. Standard library only:
the worker writes with this.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

from benchwarden.results.sample import Sample

AMBIENT = "ambient"
"""The place whose temperature is the surroundings', not the pack's."""

_FIXED = (
    "Test Time / s",
    "Voltage / V",
    "Current / A",
    "Unix Time / s",
    "Step Count / 1",
    "Record Index / 1",
    "Step Type",
    "Step Time / s",
    "Power / W",
    "Charging Capacity / Ah",
    "Discharging Capacity / Ah",
    "Charging Energy / Wh",
    "Discharging Energy / Wh",
    "Phase",
    "Output",
    "Groups Age / s",
    "Temperatures Age / s",
)
_FIXED_COUNT = len(_FIXED)
_AMBIENT_LABEL = "Ambient Temperature / degC"


class ColumnsError(ValueError):
    """A header or a row is not what this program writes; the message says where and what would be right."""


@dataclass(frozen=True, slots=True)
class Layout:
    """How many groups and which temperatures a file's rows hold.

    `ambient` is the index of the surroundings' temperature among the `temperatures`, or None.
    """

    groups: int
    temperatures: int
    ambient: int | None


def labels(groups: int, places: Sequence[str]) -> list[str]:
    """Return the column labels for a pack of `groups` groups and sensors at `places`.

    Places other than "ambient" become "Temperature T1 / degC", T2 … in their order; their names are in
    run.json. Raises ColumnsError for a negative count or when two places have one name.
    """
    if groups < 0:
        raise ColumnsError(f"columns: {groups} groups; zero or more would be right")
    if len(set(places)) != len(places):
        raise ColumnsError(f"columns: places {list(places)}: each place may be named once")
    found = list(_FIXED)
    surface = 0
    for place in places:
        if place == AMBIENT:
            found.append(_AMBIENT_LABEL)
        else:
            surface += 1
            found.append(f"Temperature T{surface} / degC")
    found.extend(f"Group {number} Voltage / V" for number in range(1, groups + 1))
    return found


def header(groups: int, places: Sequence[str]) -> str:
    """Return the first line of a samples file, with its line end.

    `places` has the order of `Sample.temperatures_c`. Raises ColumnsError as `labels` does.
    """
    return ",".join(labels(groups, places)) + "\n"


def row(sample: Sample) -> str:
    """Return one sample as one line, with its line end.

    Volts, amperes (positive charges), watts, seconds, degrees Celsius, Ah, Wh; every number is written so
    that it reads back as the same float. A missing or not finite measurement is an empty field: the text
    never holds "nan" or "inf". Raises ColumnsError when a time or a counter is not finite, or a word holds
    a comma, a quote or a line end.
    """
    voltage, current = sample.voltage_v, sample.current_a
    power = None if voltage is None or current is None else voltage * current
    fields = [
        _sure(sample.test_time_s, "Test Time / s", sample),
        _measured(voltage),
        _measured(current),
        _sure(sample.unix_time_s, "Unix Time / s", sample),
        str(sample.step_count),
        str(sample.sequence),
        _word(sample.step_type),
        _sure(sample.step_time_s, "Step Time / s", sample),
        _measured(power),
        _sure(sample.charging_ah, "Charging Capacity / Ah", sample),
        _sure(sample.discharging_ah, "Discharging Capacity / Ah", sample),
        _sure(sample.charging_wh, "Charging Energy / Wh", sample),
        _sure(sample.discharging_wh, "Discharging Energy / Wh", sample),
        _word(sample.phase),
        _word(sample.output),
        _measured(sample.groups_age_s),
        _measured(sample.temperatures_age_s),
    ]
    fields.extend(map(_measured, sample.temperatures_c))
    fields.extend(map(_measured, sample.groups_v))
    return ",".join(fields) + "\n"


def read_header(line: str) -> Layout:
    """Return the layout that a header line announces (with or without its line end).

    Raises ColumnsError naming the first column that is not the expected one.
    """
    found = line.rstrip("\r\n").split(",")
    groups = sum(label.startswith("Group ") for label in found)
    tail = found[_FIXED_COUNT : len(found) - groups]
    places = [AMBIENT if label == _AMBIENT_LABEL else f"T{n}" for n, label in enumerate(tail)]
    if places.count(AMBIENT) > 1:
        raise ColumnsError(f"header: {_AMBIENT_LABEL!r} stands twice; once would be right")
    expected = labels(groups, places)
    for number, label in enumerate(expected):
        if number >= len(found) or found[number] != label:
            seen = repr(found[number]) if number < len(found) else "nothing"
            raise ColumnsError(f"header, column {number + 1}: found {seen}; {label!r} would be right")
    ambient = places.index(AMBIENT) if AMBIENT in places else None
    return Layout(groups=groups, temperatures=len(places), ambient=ambient)


def parse_row(line: str, layout: Layout) -> Sample:
    """Return the sample that one row holds (with or without its line end).

    The power column is derived from voltage and current and is not read. Raises ColumnsError when the number
    of fields is wrong, a field is not a number, or a number is not finite.
    """
    fields = line.rstrip("\r\n").split(",")
    first_group = _FIXED_COUNT + layout.temperatures
    expected = first_group + layout.groups
    if len(fields) != expected:
        raise ColumnsError(f"row: {len(fields)} fields; {expected} would be right: {line[:60]!r}")
    try:
        numbers = [float(text) if text else None for text in fields[_FIXED_COUNT:]]
        voltage = float(fields[1]) if fields[1] else None
        current = float(fields[2]) if fields[2] else None
        groups_age = float(fields[15]) if fields[15] else None
        temperatures_age = float(fields[16]) if fields[16] else None
        sample = Sample(
            int(fields[5]),
            float(fields[0]),
            float(fields[3]),
            int(fields[4]),
            fields[6],
            float(fields[7]),
            fields[13],
            fields[14],
            voltage,
            current,
            tuple(numbers[layout.temperatures :]),
            tuple(numbers[: layout.temperatures]),
            float(fields[9]),
            float(fields[10]),
            float(fields[11]),
            float(fields[12]),
            groups_age,
            temperatures_age,
        )
    except ValueError as problem:
        raise ColumnsError(f"row: {problem}: {line[:60]!r}") from None
    total = sum(number for number in numbers if number is not None)
    total += (voltage or 0.0) + (current or 0.0) + (groups_age or 0.0) + (temperatures_age or 0.0)
    total += sample.test_time_s + sample.unix_time_s + sample.step_time_s + sample.charging_ah
    total += sample.discharging_ah + sample.charging_wh + sample.discharging_wh
    if total - total != 0.0:  # one sum instead of twenty questions: not finite if any part is not finite
        raise ColumnsError(f"row: a number is not finite; an empty field would be right: {line[:60]!r}")
    return sample


def numeric_places(layout: Layout) -> dict[str, int]:
    """Return at which place of a row each column of numbers stands that a chart needs.

    Named as in a sample; temperatures are "temperature 1" …, groups "group 1" …, in the header's order. The last is the
    row's last, so that who reads all of them notices a row that is too short.
    """
    found = dict(_DRAWN)
    found |= {f"temperature {number + 1}": _FIXED_COUNT + number for number in range(layout.temperatures)}
    first_group = _FIXED_COUNT + layout.temperatures
    found |= {f"group {number + 1}": first_group + number for number in range(layout.groups)}
    return found


# Places of the fixed columns that a chart needs, as `parse_row` reads them.
_DRAWN = {"test_time_s": 0, "voltage_v": 1, "current_a": 2, "step_count": 4, "sequence": 5, "temperatures_age_s": 16}


def _measured(value: float | None) -> str:
    # x - x is 0 for every finite float and NaN for the others: cheaper than a call for each of 30 fields.
    if value is None or value - value != 0.0:
        return ""
    return repr(value)


def _sure(value: float, label: str, sample: Sample) -> str:
    if value - value != 0.0:
        raise ColumnsError(f"sample {sample.sequence}, {label}: found {value}; a finite number would be right")
    return repr(value)


@lru_cache(maxsize=512)
def _word(text: str) -> str:
    if any(mark in text for mark in ',"\r\n'):
        raise ColumnsError(f"word {text!r}: a comma, a quote or a line end would break the row; use plain words")
    return text
