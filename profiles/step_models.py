"""Steps as they are written in a profile file, the later ones: looking, soaking, pulses; and what they share."""

from typing import Annotated, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, model_validator

from benchwarden.profiles.quantity import (
    ChargeAmount,
    CurrentAmount,
    Difference,
    Duration,
    EnergyAmount,
    Share,
    ShareOfCharge,
    Temperature,
    Voltage,
    temperature_c,
    voltage_v,
)

DISCHARGE_CUT_OFF = "discharge cut-off"
LADDER_FLOOR = "ladder floor"
AMBIENT = "ambient"
_NAMED = (DISCHARGE_CUT_OFF, LADDER_FLOOR)

STRICT = ConfigDict(extra="forbid", frozen=True, arbitrary_types_allowed=True)

# IEC 61960-3:2017, 7.7.3: 0.2 It, read at the end of 10 s, then at once 1.0 It, read at the end of 1 s.
IEC_LOW, IEC_LOW_S, IEC_HIGH, IEC_HIGH_S = "0.2C", 10.0, "1C", 1.0


def _cut_off(found: object) -> str | float:
    if isinstance(found, str) and found in _NAMED:
        return found
    try:
        return voltage_v(found)
    except ValueError as error:
        names = " or ".join(f'"{name}"' for name in _NAMED)
        raise ValueError(f'found {found!r}; right would be {names} or volts per group such as "2.8 V"') from error


CutOff = Annotated[str | float, BeforeValidator(_cut_off, json_schema_input_type=str)]
"""A cut-off per group: its name, or volts."""


def _target(found: object) -> str | float:
    if found == AMBIENT:
        return AMBIENT
    try:
        return temperature_c(found)
    except ValueError as error:
        raise ValueError(f'found {found!r}; right would be "{AMBIENT}" or a temperature such as "20 °C"') from error


Target = Annotated[str | float, BeforeValidator(_target, json_schema_input_type=str)]
"""What a soak brings the pack to: "ambient", or degrees Celsius."""


class Until(BaseModel):
    """What ends a discharge or a charge before its own end; the first that is met."""

    model_config = STRICT
    charge: ChargeAmount | None = None
    energy: EnergyAmount | None = None
    time_s: Duration | None = Field(alias="time", default=None)
    voltage_v: Voltage | None = Field(alias="voltage", default=None)
    temperature_c: Temperature | None = Field(alias="temperature", default=None)
    group_spread_v: Voltage | None = Field(alias="group_spread", default=None)

    @model_validator(mode="after")
    def _something(self) -> "Until":
        if all(getattr(self, name) is None for name in type(self).model_fields):
            raise ValueError(f"nothing to wait for; right would be one of {', '.join(_keys(type(self)))}")
        return self


class InspectStep(BaseModel):
    """A look at the balance lead with nothing switched on."""

    model_config = STRICT
    do: Literal["inspect"]
    spread_v: Voltage = Field(alias="spread", default=0.030, validate_default=False)
    for_s: Duration = Field(alias="for", default=10.0, validate_default=False)
    every_s: Duration = Field(alias="every", default=1.0, validate_default=False)

    @model_validator(mode="after")
    def _looks(self) -> "InspectStep":
        if not 3 <= self.for_s <= 3600:
            raise ValueError(f'for {self.for_s:g} s: it looks for 3 s to 1 h ("10 s")')
        if self.every_s > self.for_s / 3:
            raise ValueError(f"every {self.every_s:g} s: at least three looks must lie in {self.for_s:g} s")
        return self


class SoakStep(BaseModel):
    """Everything off until the pack is as warm as a target or as its surroundings."""

    model_config = STRICT
    do: Literal["soak"]
    to: Target = AMBIENT
    within_k: Difference = Field(alias="within")
    hold_s: Duration = Field(alias="hold", default=60.0, validate_default=False)
    at_most_s: Duration = Field(alias="at_most")
    every_s: Duration = Field(alias="every", default=1.0, validate_default=False)

    @model_validator(mode="after")
    def _bounded(self) -> "SoakStep":
        if self.at_most_s < self.hold_s:
            raise ValueError(f"at_most {self.at_most_s:g} s is shorter than hold {self.hold_s:g} s: it could not end")
        return self


_SERIES_KEYS = ("levels", "hold_s", "times_s", "rest_s", "settle_s", "each", "down_to", "move")


class PulseStep(BaseModel):
    """DC resistance: two steps of current at once, or a series of pulses at each tenth of the charge."""

    model_config = STRICT
    do: Literal["pulse"]
    method: Literal["two-step", "series"] = "two-step"
    levels: tuple[CurrentAmount, ...] | None = Field(default=None, min_length=1, max_length=5)
    hold_s: Duration | None = Field(alias="hold", default=None)
    times_s: tuple[Duration, ...] | None = Field(alias="times", default=None, min_length=1, max_length=5)
    rest_s: Duration | None = Field(alias="rest", default=None)
    settle_s: Duration | None = Field(alias="settle", default=None)
    each: Share | None = None
    down_to: Share | None = None
    move: CurrentAmount | None = None
    floor: CutOff = DISCHARGE_CUT_OFF

    @model_validator(mode="after")
    def _fits(self) -> "PulseStep":
        given = [name for name in _SERIES_KEYS if getattr(self, name) is not None]
        if self.method == "two-step":
            if given:
                keys = ", ".join(name.removesuffix("_s") for name in given)
                raise ValueError(f'{keys}: only method = "series" has them; the two steps are those of the standard')
            return self
        if self.levels is None or self.hold_s is None:
            raise ValueError('a series needs levels and hold, such as levels = ["1C", "3C"] and hold = "10 s"')
        if not 1 <= self.hold_s <= 60:
            raise ValueError(f'hold {self.hold_s:g} s: a pulse is held for 1 to 60 s ("10 s")')
        for time_s in self.times_s or ():
            if not 0.1 - 1e-9 <= time_s <= self.hold_s + 1e-9:
                raise ValueError(f"times: {time_s:g} s does not lie within 0.1 s and the hold of {self.hold_s:g} s")
            if abs(time_s * 10 - round(time_s * 10)) > 1e-6:
                raise ValueError(f"times: {time_s:g} s is no multiple of 0.1 s, which is how often a pulse is sampled")
        if self.rest_s is not None and self.rest_s < 10:
            raise ValueError(f'rest {self.rest_s:g} s: at least 10 s must lie between pulses ("40 s")')
        if self.settle_s is not None and self.settle_s < 60:
            raise ValueError(f'settle {self.settle_s:g} s: at least 60 s must lie before the pulses ("30 min")')
        if self.each is not None and not 0.01 - 1e-9 <= self.each <= 0.5:
            raise ValueError(f'each {100 * self.each:g} %: right would be 1 to 50 % ("10 %")')
        return self


class RepeatUntil(BaseModel):
    """What ends a repeat before its last cycle: what the last discharge of a cycle delivered."""

    model_config = STRICT
    delivered_below: ShareOfCharge | None = None
    delivered_at_least: ShareOfCharge | None = None

    @model_validator(mode="after")
    def _something(self) -> "RepeatUntil":
        if self.delivered_below is None and self.delivered_at_least is None:
            raise ValueError(f"nothing to stop for; right would be one of {', '.join(_keys(type(self)))}")
        return self


def _keys(model: type[BaseModel]) -> list[str]:
    return [field.alias or name for name, field in model.model_fields.items()]
