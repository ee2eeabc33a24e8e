"""The file of a test profile: steps written relative to any pack."""

import json
import re
import tomllib
from collections.abc import Mapping
from typing import Annotated, Literal

from pydantic import BaseModel, Field, model_validator

from benchwarden.profiles.mistakes import keys_of, read_toml
from benchwarden.profiles.power_table import PowerTable, read_power_table
from benchwarden.profiles.quantity import (
    CurrentAmount,
    Difference,
    Duration,
    PowerAmount,
    Resistance,
    Span,
    Temperature,
)
from benchwarden.profiles.step_models import (
    DISCHARGE_CUT_OFF,
    LADDER_FLOOR,
    STRICT,
    CutOff,
    InspectStep,
    PulseStep,
    RepeatUntil,
    SoakStep,
    Until,
)

__all__ = [
    "DISCHARGE_CUT_OFF",
    "LADDER_FLOOR",
    "AskStep",
    "ChargeStep",
    "DischargeStep",
    "InspectStep",
    "LadderStep",
    "Profile",
    "PulseStep",
    "RepeatStep",
    "RestStep",
    "SimpleStep",
    "SoakStep",
    "Step",
    "StoreStep",
    "every_step",
    "read_profile",
    "tables_missing",
    "with_tables",
]


class AskStep(BaseModel):
    """A question to the operator; the run waits until it is answered."""

    model_config = STRICT
    do: Literal["ask"]
    text: str = Field(min_length=1, max_length=500)
    answers: tuple[str, ...] = Field(default=("done",), min_length=1, max_length=6)


class RestStep(BaseModel):
    """Everything off, for a time and until the temperature is where it should be."""

    model_config = STRICT
    do: Literal["rest"]
    at_least_s: Duration = Field(alias="at_least", default=60.0, validate_default=False)
    until_within_k: Difference | None = Field(alias="until_within", default=None)
    until_below_c: Temperature | None = Field(alias="until_below", default=None)
    at_most_s: Duration | None = Field(alias="at_most", default=None)
    every_s: Duration = Field(alias="every", default=1.0, validate_default=False)

    @model_validator(mode="after")
    def _bounded(self) -> "RestStep":
        waits = self.until_within_k is not None or self.until_below_c is not None
        if waits and self.at_most_s is None:
            raise ValueError('until_within and until_below need at_most, such as at_most = "3 h"')
        if self.at_most_s is not None and self.at_most_s < self.at_least_s:
            raise ValueError(f"at_most {self.at_most_s:g} s is shorter than at_least {self.at_least_s:g} s")
        if self.at_most_s is not None and not waits:
            raise ValueError("at_most without until_within or until_below has no meaning: leave it out")
        return self


class ChargeStep(BaseModel):
    """A full charge; the bay says whether its supply or the operator does it. With `until`, less than full."""

    model_config = STRICT
    do: Literal["charge"]
    current: CurrentAmount
    taper: CurrentAmount
    until: Until | None = None
    at_most_s: Duration = Field(alias="at_most", default=6 * 3600.0, validate_default=False)
    every_s: Duration = Field(alias="every", default=1.0, validate_default=False)


class StopAt(BaseModel):
    """What ends a discharge: the lowest group's voltage under load, and the hottest sensor."""

    model_config = STRICT
    group_voltage: CutOff
    temperature_c: Temperature | None = Field(alias="temperature", default=None)


class DischargeStep(BaseModel):
    """A discharge at constant power, current or resistance, or as a flight was recorded, down to a cut-off."""

    model_config = STRICT
    do: Literal["discharge"]
    power: PowerAmount | None = None
    current: CurrentAmount | None = None
    resistance_ohm: Resistance | None = Field(alias="resistance", default=None)
    power_table: str | None = Field(default=None, min_length=1, max_length=200)
    stop_at: StopAt
    until: Until | None = None
    every_s: Duration = Field(alias="every", default=1.0, validate_default=False)
    at_most_s: Duration = Field(alias="at_most", default=12 * 3600.0, validate_default=False)

    @model_validator(mode="after")
    def _one_quantity(self) -> "DischargeStep":
        given = [
            name
            for name, value in (
                ("power", self.power),
                ("current", self.current),
                ("resistance", self.resistance_ohm),
                ("power_table", self.power_table),
            )
            if value is not None
        ]
        if len(given) != 1:
            raise ValueError(
                f"found {' and '.join(given) or 'none'} of power, current, resistance and power_table; give exactly one"
            )
        return self


class LadderStep(BaseModel):
    """Rising bursts of constant current with rests between them."""

    model_config = STRICT
    do: Literal["ladder"]
    first: CurrentAmount = Field(alias="from")
    step: CurrentAmount
    last: CurrentAmount | None = Field(alias="to", default=None)
    hold_s: Duration = Field(alias="hold")
    rest_s: Duration = Field(alias="rest")
    floor: CutOff = LADDER_FLOOR
    every_s: Duration = Field(alias="every", default=0.1, validate_default=False)

    @model_validator(mode="after")
    def _sampled(self) -> "LadderStep":
        if self.every_s > 0.1 + 1e-9:
            raise ValueError(f'every {self.every_s:g} s: a burst needs at least ten samples a second ("0.1 s")')
        if not 1 <= self.hold_s <= 60:
            raise ValueError(f'hold {self.hold_s:g} s: a burst is held for 1 to 60 s ("5 s")')
        if self.rest_s < 10:
            raise ValueError(f'rest {self.rest_s:g} s: at least 10 s must lie between bursts ("120 s")')
        return self


class StoreStep(BaseModel):
    """Leaves the pack as it is best stored. `full_first`: charged before, where voltage does not tell its charge."""

    model_config = STRICT
    do: Literal["store"]
    to: Literal["storage"] = "storage"
    full_first: CurrentAmount | None = None
    at_most_s: Duration = Field(alias="at_most", default=6 * 3600.0, validate_default=False)


SimpleStep = Annotated[
    AskStep | RestStep | ChargeStep | DischargeStep | LadderStep | StoreStep | InspectStep | SoakStep | PulseStep,
    Field(discriminator="do"),
]
"""Any step but the repeat; `do` tells which."""

# So many steps a plan may have once its repeats are written out, and rows of power tables in them.
MOST_STEPS, MOST_ROWS = 5000, 100_000


class RepeatStep(BaseModel):
    """Steps that are done over and over, so often at most, or until what they deliver says stop."""

    model_config = STRICT
    do: Literal["repeat"]
    times: int = Field(ge=1, le=1000, strict=True)
    at_most_s: Duration = Field(alias="at_most")
    until: RepeatUntil | None = None
    steps: tuple[SimpleStep, ...] = Field(alias="step", min_length=1, max_length=50)

    @model_validator(mode="after")
    def _can_be_judged(self) -> "RepeatStep":
        if self.until is not None and not any(isinstance(step, DischargeStep) for step in self.steps):
            raise ValueError("until judges what a discharge delivers, and no step here is one")
        return self


Step = Annotated[
    AskStep
    | RestStep
    | ChargeStep
    | DischargeStep
    | LadderStep
    | StoreStep
    | InspectStep
    | SoakStep
    | PulseStep
    | RepeatStep,
    Field(discriminator="do"),
]
"""Any step of a profile; `do` tells which."""

_STEP_MODELS: tuple[type[BaseModel], ...] = (
    AskStep,
    RestStep,
    ChargeStep,
    DischargeStep,
    LadderStep,
    StoreStep,
    InspectStep,
    SoakStep,
    PulseStep,
    RepeatStep,
)


class Profile(BaseModel):
    """A profile file: what a test does, for any pack. `tables`: power tables by name, as comma-separated text."""

    model_config = STRICT
    title: str = Field(min_length=1, max_length=100)
    purpose: str = ""
    cautions: str = ""
    source: str = ""
    ambient: Span | None = None
    steps: tuple[Step, ...] = Field(alias="step", min_length=1, max_length=200)
    tables: dict[str, str] = Field(default_factory=dict)

    @model_validator(mode="after")
    def _whole(self) -> "Profile":
        wrong: list[str] = []
        rows: dict[str, int] = {}
        for name, text in self.tables.items():
            try:
                rows[name] = len(read_power_table(text, f"tables: {name}").rows)
            except ValueError as error:
                wrong.append(str(error))
        steps = sum(step.times * len(step.steps) if isinstance(step, RepeatStep) else 1 for step in self.steps)
        if steps > MOST_STEPS:
            wrong.append(f"{steps} steps once every repeat is written out; at most {MOST_STEPS}")
        replayed = 0
        for times, step in every_step(self):
            if isinstance(step, DischargeStep) and step.power_table is not None:
                replayed += times * rows.get(step.power_table, 0)
                if step.power_table not in self.tables:
                    wrong.append(
                        f"power_table {step.power_table!r} is not there; right would be a file of that name beside the "
                        "profile, or its text under [tables]"
                    )
        if replayed > MOST_ROWS:
            wrong.append(f"{replayed} rows of power tables once every repeat is written out; at most {MOST_ROWS}")
        if wrong:
            raise ValueError("; ".join(wrong))
        return self

    def table(self, name: str) -> PowerTable:
        """A power table by the name that a step gives it."""
        return read_power_table(self.tables[name], f"tables: {name}")


def every_step(profile: Profile) -> list[tuple[int, SimpleStep]]:
    """Every step but the repeats themselves, with how often it is done at most."""
    found: list[tuple[int, SimpleStep]] = []
    for step in profile.steps:
        if isinstance(step, RepeatStep):
            found += [(step.times, inner) for inner in step.steps]
        else:
            found.append((1, step))
    return found


def read_profile(text: str, where: str = "profile file") -> Profile:
    """The profile from the TOML text of the file `where`; FileMistakes with every mistake otherwise."""
    known = {"": keys_of(Profile)}
    for model in _STEP_MODELS:
        do = model.__name__.removesuffix("Step").lower()
        for table in (f"step.{do}", f"step.repeat.step.{do}"):
            known[table] = keys_of(model)
            known[f"{table}.until"] = keys_of(RepeatUntil if model is RepeatStep else Until)
            known[f"{table}.stop_at"] = keys_of(StopAt)
    return read_toml(Profile, text, where, known)


def tables_missing(text: str) -> list[str]:
    """The power tables that a profile's steps name and its own text does not hold; none where it cannot be read."""
    try:
        data = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError):
        return []
    held = data.get("tables")
    named: dict[str, None] = {}
    steps = data.get("step")
    for step in steps if isinstance(steps, list) else []:
        inner = step.get("step") if isinstance(step, dict) else None
        for one in (step, *(inner if isinstance(inner, list) else ())):
            name = one.get("power_table") if isinstance(one, dict) else None
            if isinstance(name, str) and name and not (isinstance(held, dict) and name in held):
                named[name] = None
    return list(named)


def with_tables(text: str, tables: Mapping[str, str]) -> str:
    """A profile's text with the text of power tables at its end, by their names."""
    if not tables:
        return text
    # JSON's strings are TOML's basic strings, but for DEL, which JSON leaves as it is.
    found = "".join(
        f"{json.dumps(name, ensure_ascii=False)} = {json.dumps(table, ensure_ascii=False)}\n".replace("\x7f", "\\u007f")
        for name, table in tables.items()
    )
    if own := re.search(r"^[ \t]*\[[ \t]*tables[ \t]*\][^\n]*(\n|\Z)", text, re.MULTILINE):
        return text[: own.end()] + found + text[own.end() :]
    return text.rstrip("\n") + "\n\n[tables]\n" + found
