"""One figure with its unit and the samples it came from, and the collection of a run's figures."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from benchwarden.results.meters import Meters
from benchwarden.results.run import RunInfo
from benchwarden.results.uncertain import Part, Uncertain, expand, value_of


@dataclass(frozen=True, slots=True)
class Figure:
    """A value in `unit`, the sequences of the first and the last sample it came from, and how it was made.

    `at_least`: the true value is this or more, because something other than the pack ended the test.
    `u` is the standard uncertainty, `dof` its effective degrees of freedom (None: infinite), U = k · u holds the true
    value in 95 of 100 cases, all in the figure's unit (JCGM 100); `budget` says what it comes from, largest first. They
    are None where the figure is a count or where an accuracy is not stated: `not_stated` then names the missing lines.
    `limit_above`: what the test was after lies up to so much above the value, between what was held and what was not;
    it is in no U here, and in every U where packs are compared.
    """

    value: float
    unit: str
    from_samples: tuple[int, int]
    note: str = ""
    at_least: bool = False
    formula: str = ""
    u: float | None = None
    dof: float | None = None
    k: float | None = None
    U: float | None = None
    budget: tuple[Part, ...] = ()
    not_stated: tuple[str, ...] = ()
    limit_above: float | None = None


@dataclass(frozen=True, slots=True)
class Rung:
    """One burst of a ladder. Amperes drawn (positive), volts, seconds, degrees Celsius, ampere-hours.

    `held`: held for its whole time with every group at or above the floor; `why_not` says in words why not.
    `end_v` is the lowest group at the end, `lowest_v` the lowest group at any moment. `full_time` says that
    the burst lasted its whole time, whatever the groups did. `used_ah` was drawn since the ladder began.
    `period_s` lies between its samples. `figures` holds "mean_a", "mean_w", "end_v" and "sag_v" (pack voltage before
    the burst − at its end) with their uncertainty, those that were measured.
    """

    number: int
    planned_a: float | None
    mean_a: float
    mean_w: float
    duration_s: float
    full_time: bool
    held: bool
    why_not: str
    lowest_v: float | None
    end_v: float | None
    lowest_group: int | None
    hottest_start_c: float | None
    hottest_end_c: float | None
    used_ah: float
    period_s: float
    first: int
    last: int
    figures: Mapping[str, Figure] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class StepCount:
    """What the samples of one step integrate to and what the load has counted in it, both in `unit`.

    `quantity` is "charge" or "energy", `draws` how often the load went on, `first` and `last` are sequences. The count
    may lie from `least` to `most` if nothing but the sampling tells the two apart; `explained` says whether it does.
    Where there is no count, or nothing to hold it against, `lacking` says why and the numbers are None.
    """

    step: int
    kind: str
    quantity: str
    unit: str
    integral: float | None = None
    count: float | None = None
    least: float | None = None
    most: float | None = None
    explained: bool | None = None
    draws: int | None = None
    first: int | None = None
    last: int | None = None
    lacking: str = ""


class Figures(dict[str, Figure]):
    """A run's figures by name, with what is missing and why, the rungs of its ladder, notes and flags.

    `counts` has the load's own counters beside the samples, step by step. `ended_by` and `ladder_ended_by` are one of
    "voltage", "temperature", "bench", "" (no such step); `ended_words` and `ladder_ended_words` say it in words.
    `edges_of` says of which part of the run the resistances of groups and leads are, if not of the whole.
    """

    def __init__(self, info: RunInfo | None = None) -> None:
        """Begin with nothing known; `info` says what the instruments may be wrong by."""
        super().__init__()
        self.meters = Meters(info or RunInfo())
        self.uncertain: dict[str, Uncertain] = {}
        self.missing: dict[str, str] = {}
        self.rungs: list[Rung] = []
        self.counts: list[StepCount] = []
        self.notes: list[str] = []
        self.flags: list[str] = []
        self.ended_by = ""
        self.ended_words = ""
        self.ladder_ended_by = ""
        self.ladder_ended_words = ""
        self.edges_of = ""

    def put(
        self,
        name: str,
        value: Uncertain,
        unit: str,
        from_samples: tuple[int, int],
        note: str = "",
        at_least: bool = False,
        formula: str = "",
        limit_above: float | None = None,
    ) -> None:
        """Keep a figure under its name."""
        self.uncertain[name] = value
        found = self.figure(value, unit, from_samples, note, at_least, formula)
        self[name] = found if limit_above is None else replace(found, limit_above=limit_above)

    def figure(
        self,
        value: Uncertain,
        unit: str,
        from_samples: tuple[int, int],
        note: str = "",
        at_least: bool = False,
        formula: str = "",
    ) -> Figure:
        """Return a figure, with its uncertainty if its value depends on inputs whose limits are all stated."""
        parts, missing = self.meters.inputs.budget(value)
        figure = Figure(value_of(value), unit, from_samples, note, at_least, formula, not_stated=missing)
        if not parts or missing:
            return figure
        found = expand(parts)
        return replace(figure, u=found.u, dof=found.dof, k=found.k, U=found.U, budget=parts)

    def lack(self, reason: str, *names: str) -> None:
        """Say why figures are not there; an existing reason stays."""
        for name in names:
            if name not in self:
                self.missing.setdefault(name, reason)
