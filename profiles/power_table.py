"""A recorded flight: power over time from comma-separated text, checked row by row."""

import csv
import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import median

TIME, POWER_W, POWER_C = "time / s", "power / W", "power / C"
MOST_ROWS = 5000
_LONGEST_S = 24 * 3600.0
_MOST_W, _MOST_C = 1e6, 500.0
# A load is given a new power no faster than this, and is off for no shorter than that (common practice, no source).
LEAST_STEP_S, LEAST_OFF_S = 0.5, 5.0
# Among ten rows or more, a step so many times as long as the usual one, and longer than so much, is a gap.
_GAP_ROWS, _GAP_TIMES, _GAP_S = 10, 10.0, 10.0


@dataclass(frozen=True, slots=True)
class PowerTable:
    """A record: each row's (seconds from the beginning, power) holds until the next row; the last row ends it.

    `unit` of the power is "W", or "C" for multiples of rated capacity per hour × nominal voltage.
    """

    rows: tuple[tuple[float, float], ...]
    unit: str

    @property
    def duration_s(self) -> float:
        """How long the record lasts."""
        return self.rows[-1][0]

    @property
    def highest(self) -> float:
        """The highest power that is asked for, in the table's unit."""
        return max(power for _, power in self.rows[:-1])

    @property
    def mean(self) -> float:
        """The mean power over the record's time, in the table's unit."""
        spans = pairwise(self.rows)
        return sum(power * (later - time_s) for (time_s, power), (later, _) in spans) / self.duration_s

    def longest_above_s(self, power: float) -> float:
        """The longest uninterrupted time above a power, in seconds; looping counts as uninterrupted."""
        longest = running = 0.0
        lengths = [(p, later - t) for (t, p), (later, _) in pairwise(self.rows)]
        for value, length in (*lengths, *lengths):
            running = running + length if value > power else 0.0
            longest = max(longest, running)
        return longest


def read_power_table(text: str, where: str = "power table") -> PowerTable:
    """The record from the text of the table `where`; ValueError that names the row and what would be right.

    Two columns with the heads "time / s" and "power / W" (or "power / C"). Times rise by 0.5 s at least, powers are
    zero or above; an off between two draws lasts 5 s at least. A missing value or a gap is refused, never bridged.
    """
    written = (line for line in text.splitlines() if line.strip() and not line.lstrip().startswith("#"))
    try:
        lines = list(csv.reader(written))
    except csv.Error as error:  # a cell of a hundred thousand characters
        raise ValueError(f"{where}: cannot be read: {error}; right would be two numbers a row") from error
    if not lines:
        raise ValueError(f"{where}: empty; right would be a head {TIME},{POWER_W} and at least two rows")
    head = [cell.strip() for cell in lines[0]]
    if len(head) != 2 or head[0] != TIME or head[1] not in (POWER_W, POWER_C):
        found = ",".join(head)[:80]
        raise ValueError(f"{where}: the head is {found!r}; right would be {TIME},{POWER_W} or {TIME},{POWER_C}")
    if not 3 <= len(lines) <= MOST_ROWS + 1:
        raise ValueError(f"{where}: {len(lines) - 1} rows; right would be 2 to {MOST_ROWS}")
    unit = head[1][-1]
    rows = [_row(line, number, where, unit) for number, line in enumerate(lines[1:], start=1)]
    _times_rise(rows, where)
    begin_s = rows[0][0]
    table = PowerTable(tuple((round(time_s - begin_s, 6), power) for time_s, power in rows), unit)
    if table.duration_s > _LONGEST_S:
        raise ValueError(f"{where}: lasts {table.duration_s:g} s; at most {_LONGEST_S:g} s, it is repeated anyway")
    if not table.highest > 0:
        raise ValueError(f"{where}: no row asks for any power; right would be at least one above 0")
    _offs_are_long_enough(table, where)
    return table


def _row(cells: Sequence[str], number: int, where: str, unit: str) -> tuple[float, float]:
    if len(cells) != 2:
        raise ValueError(f"{where}: row {number}: {len(cells)} values; right would be 2, a time and a power")
    found: list[float] = []
    for cell, name, high in zip(cells, ("time", "power"), (1e9, _MOST_W if unit == "W" else _MOST_C), strict=True):
        try:
            value = float(cell)
        except ValueError:
            missing = "no value: a gap; fill it in" if not cell.strip() else f"found {cell.strip()[:40]!r}"
            raise ValueError(f"{where}: row {number}: {name}: {missing}; right would be a number") from None
        if not (math.isfinite(value) and 0 <= value <= high):
            raise ValueError(
                f"{where}: row {number}: {name}: found {cell.strip()[:40]!r}; right would be 0 to {high:g}"
            )
        found.append(value)
    return found[0], found[1]


def _times_rise(rows: Sequence[tuple[float, float]], where: str) -> None:
    steps = [later[0] - one[0] for one, later in pairwise(rows)]
    for number, step_s in enumerate(steps, start=2):
        if step_s <= 0:
            raise ValueError(
                f"{where}: row {number}: time {rows[number - 1][0]:g} s is not after {rows[number - 2][0]:g} s; "
                "out of order"
            )
        if step_s < LEAST_STEP_S - 1e-9:
            raise ValueError(
                f"{where}: row {number}: {step_s:g} s after the row before; right would be {LEAST_STEP_S:g} s or more "
                "(take means over that time)"
            )
    usual_s = median(steps)
    for number, step_s in enumerate(steps, start=2):
        if len(rows) >= _GAP_ROWS and step_s > max(_GAP_TIMES * usual_s, _GAP_S):
            raise ValueError(
                f"{where}: row {number}: {step_s:g} s after the row before, where the others are {usual_s:g} s apart: "
                "a gap; fill it in"
            )


def _offs_are_long_enough(table: PowerTable, where: str) -> None:
    off_s = 0.0
    spans = list(pairwise(table.rows))
    for number, ((time_s, power), (later_s, _)) in enumerate((*spans, *spans), start=1):
        if power == 0:
            off_s += later_s - time_s
            continue
        if 0 < off_s < LEAST_OFF_S - 1e-9:
            row = (number - 1) % len(spans) + 1
            raise ValueError(
                f"{where}: row {row}: off for {off_s:g} s before it; right would be {LEAST_OFF_S:g} s or more, or a "
                "small power instead of none"
            )
        off_s = 0.0
