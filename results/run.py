"""A run as it was read from its folder: what was planned, every sample, every event, what was not in order.

Standard library only.
"""

from abc import abstractmethod
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import Any

from benchwarden.results.sample import Sample


@dataclass(frozen=True, slots=True)
class RunInfo:
    """What run.json says; a key that is missing or of the wrong kind is None or empty.

    `rated_capacity_ah` in ampere-hours, `mass_kg` in kilograms, `nominal_v` in volts. `places` has the order of
    the samples' temperatures. `path_ohm` lies between the outer taps and where the pack's voltage is measured. `lacks`
    says what the bench's instruments cannot do for themselves. `imported` says from where, empty for a run of this
    program's own. `others` keeps every key this program does not know, as
    it was found.
    """

    benchwarden: str | None = None
    format: int | None = None
    bench: str | None = None
    bay: str | None = None
    pack: Mapping[str, Any] = field(default_factory=dict)
    profile: Mapping[str, Any] = field(default_factory=dict)
    plan: Mapping[str, Any] = field(default_factory=dict)
    fingerprint: str | None = None
    fingerprint_parts: Mapping[str, Any] = field(default_factory=dict)
    instruments: Mapping[str, Any] = field(default_factory=dict)
    limits: Mapping[str, Any] = field(default_factory=dict)
    series: int | None = None
    rated_capacity_ah: float | None = None
    mass_kg: float | None = None
    nominal_v: float | None = None
    places: tuple[str, ...] = ()
    started_utc: str | None = None
    cooling: str | None = None
    sense: str | None = None
    taps: str | None = None
    path_ohm: float | None = None
    continues: Mapping[str, Any] = field(default_factory=dict)
    lacks: tuple[str, ...] | None = None
    imported: Mapping[str, Any] = field(default_factory=dict)
    others: Mapping[str, Any] = field(default_factory=dict)

    @property
    def pack_name(self) -> str:
        """The pack's name, or "unnamed pack"."""
        name = self.pack.get("name")
        return name if isinstance(name, str) and name else "unnamed pack"

    @property
    def title(self) -> str:
        """The profile's title, or "untitled profile"."""
        title = self.profile.get("title") or self.plan.get("title")
        return title if isinstance(title, str) and title else "untitled profile"


_TEXTS = frozenset({"benchwarden", "bench", "bay", "fingerprint", "started_utc", "cooling", "sense", "taps"})
_TABLES = frozenset({"pack", "profile", "plan", "fingerprint_parts", "instruments", "limits", "continues", "imported"})
_WHOLE = frozenset({"format", "series"})
_POSITIVE = frozenset({"rated_capacity_ah", "mass_kg", "nominal_v", "path_ohm"})


def info_from(data: Mapping[str, Any], problems: list[str]) -> RunInfo:
    """Return what run.json's table says; what is of the wrong kind is left out and named in `problems`."""
    taken: dict[str, Any] = {}
    names = {entry.name for entry in fields(RunInfo)} - {"others"}
    for key, value in data.items():
        if key not in names or value is None:
            continue
        number = isinstance(value, int | float) and not isinstance(value, bool)
        if key in _TEXTS:
            right, wanted = isinstance(value, str), "a text"
        elif key in _TABLES:
            right, wanted = isinstance(value, dict), "a table"
        elif key in _WHOLE:
            right, wanted = isinstance(value, int) and number and value > 0, "a whole number above 0"
        elif key in _POSITIVE:
            right, wanted = number and 0 < value < 1e9, "a number above 0"
        else:
            right = isinstance(value, list) and all(isinstance(place, str) for place in value)
            wanted = "a list of texts"
            value = tuple(value) if right else value
        if right:
            taken[key] = float(value) if key in _POSITIVE else value
        else:
            problems.append(f"run.json, {key}: found {str(value)[:60]!r}; {wanted} would be right")
    others = {key: value for key, value in data.items() if key not in names}
    return RunInfo(**taken, others=others)


@dataclass(frozen=True, slots=True)
class Ending:
    """How a run ended: "finished", "tripped", "stopped" or "interrupted", and why in words; "running" if it has not.

    `off_confirmed` is None when nothing was written about it.
    """

    how: str
    why: str
    off_confirmed: bool | None


@dataclass(frozen=True, slots=True)
class StepSpan:
    """The samples of one executed step, in their order; `count` is the step count in the samples."""

    count: int
    kind: str
    samples: Sequence[Sample]


class SampleTable(Sequence[Sample]):
    """Samples kept in another form than one object a row; it knows its own steps."""

    @abstractmethod
    def steps(self) -> list[StepSpan]:
        """Return the executed steps in their order: samples that share one step count."""


@dataclass(frozen=True, slots=True)
class Run:
    """One run as it lies in its folder. `problems` says in words what was torn, missing or out of order.

    `live`: some process was writing it when it was read.
    """

    path: Path
    info: RunInfo
    samples: Sequence[Sample]
    events: list[dict[str, Any]]
    problems: list[str]
    live: bool = False

    @property
    def name(self) -> str:
        """The last two parts of the folder's path: the pack's and the run's."""
        return "/".join(self.path.parts[-2:])

    @property
    def ending(self) -> Ending:
        """How the run ended, by its last "ended" event; without one it was interrupted, or it is still going on."""
        reason = ""
        for event in reversed(self.events):
            name = event.get("event")
            if name == "ended":
                confirmed = event.get("off_confirmed")
                return Ending(
                    how=str(event.get("how", "interrupted")),
                    why=str(event.get("why", "")),
                    off_confirmed=confirmed if isinstance(confirmed, bool) else None,
                )
            if name in ("tripped", "tripping") and not reason:
                reason = f"tripped: {event.get('reason')}"
            elif name == "record_failed" and not reason:
                reason = f"{event.get('file')} {event.get('why')}"
        if self.live:
            return Ending("running", "it has not ended yet", None)
        why = "no end was written: the program or the machine went down"
        return Ending("interrupted", f"{why}, after this: {reason}" if reason else why, None)

    def steps(self) -> list[StepSpan]:
        """Return the executed steps in their order: samples that share one step count."""
        if isinstance(self.samples, SampleTable):
            return self.samples.steps()
        spans: list[StepSpan] = []
        group: list[Sample] = []
        for sample in self.samples:
            if group and sample.step_count != group[0].step_count:
                spans.append(StepSpan(group[0].step_count, group[0].step_type, tuple(group)))
                group = []
            group.append(sample)
        if group:
            spans.append(StepSpan(group[0].step_count, group[0].step_type, tuple(group)))
        return spans

    def events_named(self, name: str, step: int | None = None) -> Iterator[dict[str, Any]]:
        """Yield the events of one name, of one step if a step's count is given."""
        for event in self.events:
            if event.get("event") == name and (step is None or event.get("step") == step):
                yield event
