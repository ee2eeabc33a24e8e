"""A run's samples as columns of numbers, so that ten hours at 10 Hz are worked out within two seconds.

A `Series` is a sequence of samples like any other; rows are made when one is asked for. Columns are numpy arrays
and must not be written to; a value that was not measured is NaN in them and None in a sample. Needs numpy; the
worker never imports this.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, fields
from itertools import pairwise
from typing import Any, TypeAlias, overload

import numpy as np
from numpy.typing import NDArray

from benchwarden.results.columns import AMBIENT
from benchwarden.results.run import SampleTable, StepSpan
from benchwarden.results.sample import Sample

Numbers: TypeAlias = NDArray[np.float64]
Whole: TypeAlias = NDArray[np.int64]

NUMBER_COLUMNS = (
    "test_time_s",
    "unix_time_s",
    "step_time_s",
    "voltage_v",
    "current_a",
    "charging_ah",
    "discharging_ah",
    "charging_wh",
    "discharging_wh",
    "groups_age_s",
    "temperatures_age_s",
)
_WORD_COLUMNS = ("step_type", "phase", "output")


@dataclass(frozen=True, eq=False)
class Series(SampleTable):
    """Samples as columns, in the units of `Sample`; `words` are what the three columns of codes stand for."""

    sequence: Whole
    step_count: Whole
    test_time_s: Numbers
    unix_time_s: Numbers
    step_time_s: Numbers
    voltage_v: Numbers
    current_a: Numbers
    charging_ah: Numbers
    discharging_ah: Numbers
    charging_wh: Numbers
    discharging_wh: Numbers
    groups_age_s: Numbers
    temperatures_age_s: Numbers
    groups_v: Numbers
    temperatures_c: Numbers
    step_type: Whole
    phase: Whole
    output: Whole
    words: tuple[str, ...]

    @classmethod
    def of(cls, samples: Sequence[Sample]) -> "Series":
        """Return samples as columns; what is a series already is returned as it is."""
        if isinstance(samples, Series):
            return samples
        codes: dict[str, int] = {}
        columns: dict[str, Any] = {
            name: np.array([getattr(sample, name) for sample in samples], dtype=np.float64) for name in NUMBER_COLUMNS
        }
        for name in _WORD_COLUMNS:
            taken = [codes.setdefault(getattr(sample, name), len(codes)) for sample in samples]
            columns[name] = np.array(taken, dtype=np.int64)
        for name in ("groups_v", "temperatures_c"):
            width = max((len(getattr(sample, name)) for sample in samples), default=0)
            rows = [[*row, *[None] * (width - len(row))] for row in (getattr(sample, name) for sample in samples)]
            columns[name] = np.array(rows, dtype=np.float64).reshape(len(samples), width)
        return cls(
            sequence=np.array([sample.sequence for sample in samples], dtype=np.int64),
            step_count=np.array([sample.step_count for sample in samples], dtype=np.int64),
            words=tuple(codes),
            **columns,
        )

    def __len__(self) -> int:
        return len(self.sequence)

    @overload
    def __getitem__(self, index: int) -> Sample: ...
    @overload
    def __getitem__(self, index: slice) -> "Series": ...
    def __getitem__(self, index: int | slice) -> "Sample | Series":
        if isinstance(index, slice):
            return self.rows(index)
        return Sample(
            sequence=int(self.sequence[index]),
            test_time_s=float(self.test_time_s[index]),
            unix_time_s=float(self.unix_time_s[index]),
            step_count=int(self.step_count[index]),
            step_type=self.words[self.step_type[index]],
            step_time_s=float(self.step_time_s[index]),
            phase=self.words[self.phase[index]],
            output=self.words[self.output[index]],
            voltage_v=_or_none(self.voltage_v[index]),
            current_a=_or_none(self.current_a[index]),
            groups_v=tuple(map(_or_none, self.groups_v[index])),
            temperatures_c=tuple(map(_or_none, self.temperatures_c[index])),
            charging_ah=float(self.charging_ah[index]),
            discharging_ah=float(self.discharging_ah[index]),
            charging_wh=float(self.charging_wh[index]),
            discharging_wh=float(self.discharging_wh[index]),
            groups_age_s=_or_none(self.groups_age_s[index]),
            temperatures_age_s=_or_none(self.temperatures_age_s[index]),
        )

    def __iter__(self) -> Iterator[Sample]:
        return (self[index] for index in range(len(self)))

    def __eq__(self, other: object) -> bool:
        return (
            isinstance(other, Sequence)
            and len(self) == len(other)
            and all(a == b for a, b in zip(self, other, strict=True))
        )

    def rows(self, rows: slice | Whole) -> "Series":
        """Return some of the samples, by a slice or by their indices."""
        taken = {f.name: getattr(self, f.name)[rows] for f in fields(self) if f.name != "words"}
        return Series(**taken, words=self.words)

    def is_on(self, output: str) -> NDArray[np.bool_]:
        """Return, for each sample, whether that output ("load", "supply", "off") was on."""
        if output not in self.words:
            return np.zeros(len(self), dtype=np.bool_)
        return np.equal(self.output, self.words.index(output))

    def only(self, output: str) -> "Series":
        """Return the samples under one output, in their order."""
        return self.rows(np.flatnonzero(self.is_on(output)))

    def measured(self) -> "Series":
        """Return the samples that have both voltage and current."""
        valid = ~(np.isnan(self.voltage_v) | np.isnan(self.current_a))
        return self if valid.all() else self.rows(np.flatnonzero(valid))

    def steps(self) -> list[StepSpan]:
        """Return the executed steps in their order: samples that share one step count."""
        edges = [0, *(np.flatnonzero(np.diff(self.step_count)) + 1).tolist(), len(self)]
        return [
            StepSpan(int(self.step_count[a]), self.words[self.step_type[a]], self[a:b])
            for a, b in pairwise(edges)
            if b > a
        ]

    def at_sequence(self, sequence: int) -> int:
        """Return the index of the first sample whose number is this or higher; the length if there is none."""
        return int(np.searchsorted(self.sequence, sequence))

    def hottest(self, places: Sequence[str]) -> tuple[Numbers, Whole]:
        """Return each sample's highest temperature on the pack (°C, NaN without one) and the sensor's index.

        A temperature without a named place counts as one on the pack.
        """
        on_pack = [n for n in range(self.temperatures_c.shape[1]) if not (n < len(places) and places[n] == "ambient")]
        if not on_pack or not len(self):
            return np.full(len(self), np.nan), np.zeros(len(self), dtype=np.int64)
        found = self.temperatures_c[:, on_pack]
        place = np.argmax(np.where(np.isnan(found), -np.inf, found), axis=1)
        return found[np.arange(len(self)), place], np.array(on_pack, dtype=np.int64)[place]

    def ambient(self, places: Sequence[str]) -> tuple[float, float] | None:
        """Return the lowest and the highest temperature of the surroundings in °C, None if it was not measured."""
        if AMBIENT not in places or places.index(AMBIENT) >= self.temperatures_c.shape[1]:
            return None
        found = self.temperatures_c[:, places.index(AMBIENT)]
        known = found[~np.isnan(found)]
        return (float(known.min()), float(known.max())) if len(known) else None

    def whole_groups(self) -> NDArray[np.bool_]:
        """Return, for each sample, whether two or more groups were all measured."""
        if self.groups_v.shape[1] < 2:
            return np.zeros(len(self), dtype=np.bool_)
        return np.logical_not(np.asarray(np.isnan(self.groups_v).any(axis=1)))


def _or_none(value: float) -> float | None:
    return None if value != value else float(value)
