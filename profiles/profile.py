"""The file of a test profile: steps written relative to any pack."""

from typing import Annotated, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, model_validator

from benchwarden.profiles.mistakes import keys_of, read_toml
from benchwarden.profiles.quantity import (
    CurrentAmount,
    Difference,
    Duration,
    PowerAmount,
    Resistance,
    Span,
    Temperature,
    voltage_v,
)

DISCHARGE_CUT_OFF = "discharge cut-off"
LADDER_FLOOR = "ladder floor"
_NAMED = (DISCHARGE_CUT_OFF, LADDER_FLOOR)

_STRICT = ConfigDict(extra="forbid", frozen=True, arbitrary_types_allowed=True)


def _cut_off(found: object) -> str | float:
    if isinstance(found, str) and found in _NAMED:
        return found
    try:
        return voltage_v(found)
    except ValueError as error:
        names = " or ".join(f'"{name}"' for name in _NAMED)
        raise ValueError(f'found {found!r}; right would be {names} or volts per group such as "2.8 V"') from error


CutOff = Annotated[str | float, BeforeValidator(_cut_off)]
"""A cut-off per group: its name, or volts."""


class AskStep(BaseModel):
    """A question to the operator; the run waits until it is answered."""

    model_config = _STRICT
    do: Literal["ask"]
    text: str = Field(min_length=1, max_length=500)
    answers: tuple[str, ...] = Field(default=("done",), min_length=1, max_length=6)


class RestStep(BaseModel):
    """Everything off, for a time and until the temperature is where it should be."""

    model_config = _STRICT
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
    """A full charge; the bay says whether its supply or the operator does it."""

    model_config = _STRICT
    do: Literal["charge"]
    current: CurrentAmount
    taper: CurrentAmount
    at_most_s: Duration = Field(alias="at_most", default=6 * 3600.0, validate_default=False)
    every_s: Duration = Field(alias="every", default=1.0, validate_default=False)


class StopAt(BaseModel):
    """What ends a discharge: the lowest group's voltage under load, and the hottest sensor."""

    model_config = _STRICT
    group_voltage: CutOff
    temperature_c: Temperature | None = Field(alias="temperature", default=None)


class DischargeStep(BaseModel):
    """A discharge at constant power, current or resistance down to a cut-off."""

    model_config = _STRICT
    do: Literal["discharge"]
    power: PowerAmount | None = None
    current: CurrentAmount | None = None
    resistance_ohm: Resistance | None = Field(alias="resistance", default=None)
    stop_at: StopAt
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
            )
            if value is not None
        ]
        if len(given) != 1:
            raise ValueError(
                f"found {' and '.join(given) or 'none'} of power, current and resistance; give exactly one"
            )
        return self


class LadderStep(BaseModel):
    """Rising bursts of constant current with rests between them."""

    model_config = _STRICT
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
    """Leaves the pack as it is best stored."""

    model_config = _STRICT
    do: Literal["store"]
    to: Literal["storage"] = "storage"
    at_most_s: Duration = Field(alias="at_most", default=6 * 3600.0, validate_default=False)


Step = Annotated[AskStep | RestStep | ChargeStep | DischargeStep | LadderStep | StoreStep, Field(discriminator="do")]
"""Any step of a profile; `do` tells which."""

_STEP_MODELS: tuple[type[BaseModel], ...] = (
    AskStep,
    RestStep,
    ChargeStep,
    DischargeStep,
    LadderStep,
    StoreStep,
)


class Profile(BaseModel):
    """A profile file: what a test does, for any pack."""

    model_config = _STRICT
    title: str = Field(min_length=1, max_length=100)
    purpose: str = ""
    ambient: Span | None = None
    steps: tuple[Step, ...] = Field(alias="step", min_length=1, max_length=200)


def read_profile(text: str, where: str = "profile file") -> Profile:
    """The profile from the TOML text of the file `where`; FileMistakes with every mistake otherwise."""
    known = {"": keys_of(Profile), "step.discharge.stop_at": keys_of(StopAt)}
    known |= {f"step.{model.__name__.removesuffix('Step').lower()}": keys_of(model) for model in _STEP_MODELS}
    return read_toml(Profile, text, where, known)
