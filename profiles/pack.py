"""The pack under test: its file, and every number that follows from it."""

from dataclasses import dataclass
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field, model_validator

from benchwarden.profiles.chemistry import CHEMISTRIES, Chemistry
from benchwarden.profiles.materials import BRAID_FILL, is_braid
from benchwarden.profiles.mistakes import keys_of, read_toml
from benchwarden.profiles.quantity import (
    BurstOf,
    Capacity,
    Current,
    Length,
    Mass,
    Size,
    Span,
    Temperature,
    Voltage,
    WireArea,
)

# Charge, no data sheet at hand: 0.5C (common practice, no source); starts at 10 to 40 °C.
_DEFAULT_CHARGE_C = 0.5
_DEFAULT_DISCHARGE_C = 1.0
_CHARGE_LOW_C, _CHARGE_HIGH_C = 10.0, 40.0
_TOLERANCE_V = 1e-9
# A group has recovered only once it is clear of its hard limit, so that its rebound does not trip.
_CLEAR_V = 0.05
# Of the typical mass: what no pack stays below.
_LIGHTEST_SHARE = 0.5

NOT_FROM_DATA_SHEET = "default, not from the data sheet"
"""What is said of a value that the pack file does not give."""

_STRICT = ConfigDict(extra="forbid", frozen=True, arbitrary_types_allowed=True)
_VOLTAGE_KEYS = {
    "charge_voltage": "full_v",
    "discharge_cut_off": "discharge_cut_off_v",
    "ladder_floor": "ladder_floor_v",
    "hard_low": "hard_low_v",
    "hard_high": "hard_high_v",
    "nominal_voltage": "nominal_v",
}


class Links(BaseModel):
    """The links between groups: material, metres, and the share of the cross-section that is metal.

    Without `fill` a braid is taken as 0.55 ± 0.15 filled, anything else as solid.
    """

    model_config = _STRICT
    material: str = Field(min_length=1)
    width_m: Length = Field(alias="width")
    thickness_m: Length = Field(alias="thickness")
    length_m: Length = Field(alias="length")
    fill: float | None = Field(default=None, gt=0, le=1, strict=True)

    @property
    def filled(self) -> float:
        """The share of width × thickness that is metal."""
        return self.fill or (BRAID_FILL if is_braid(self.material) else 1.0)


class Leads(BaseModel):
    """The two leads: cross-section of one in square metres, length of one in metres."""

    model_config = _STRICT
    area_m2: WireArea = Field(alias="gauge")
    length_m: Length = Field(alias="length")


class Build(BaseModel):
    """How the pack is joined; lets the joints' share of the resistance be predicted."""

    model_config = _STRICT
    links: Links | None = None
    leads: Leads | None = None


class Pack(BaseModel):
    """A pack file. All voltages are per group; what is not given comes from the chemistry."""

    model_config = _STRICT
    name: str = Field(min_length=1, max_length=60, pattern=r"\S")
    # Which specimens are of one design; a verdict on a design takes three of each.
    design: str | None = Field(default=None, min_length=1, max_length=60, pattern=r"\S")
    # Stand beside its figures in every report: a used pack is not compared with a new one unseen.
    cycles: int | None = Field(default=None, ge=0, le=100_000, strict=True)
    made: str | None = Field(default=None, pattern=r"^\d{4}(-(0[1-9]|1[0-2])(-(0[1-9]|[12]\d|3[01]))?)?$")
    chemistry: Literal["li-ion", "lipo", "li-hv", "lifepo4", "na-ion", "nimh"]
    series: int = Field(ge=1, le=200, strict=True)
    parallel: int = Field(default=1, ge=1, le=1000, strict=True)
    rated_capacity_ah: Capacity = Field(alias="rated_capacity")
    mass_kg: Mass | None = Field(default=None, alias="mass")
    # The scale's limit of error; without it, one in the last digit written of the mass.
    mass_accuracy_kg: Mass | None = Field(default=None, alias="mass_accuracy")
    volume_l: Size | None = Field(default=None, alias="size")
    max_charge_a: Current | None = Field(default=None, alias="max_charge")
    charge_voltage_v: Voltage | None = Field(default=None, alias="charge_voltage")
    max_discharge_a: Current | None = Field(default=None, alias="max_discharge")
    max_burst: BurstOf | None = None
    nominal_voltage_v: Voltage | None = Field(default=None, alias="nominal_voltage")
    discharge_cut_off_v: Voltage | None = Field(default=None, alias="discharge_cut_off")
    ladder_floor_v: Voltage | None = Field(default=None, alias="ladder_floor")
    hard_low_v: Voltage | None = Field(default=None, alias="hard_low")
    hard_high_v: Voltage | None = Field(default=None, alias="hard_high")
    lowers_hard_low: bool = Field(default=False, strict=True)
    charge_temperature: Span | None = None
    max_temperature_c: Temperature | None = Field(default=None, alias="max_temperature")
    notes: str = ""
    build: Build | None = None

    @model_validator(mode="after")
    def _values_fit(self) -> "Pack":
        reasons = _what_is_wrong(self)
        if reasons:
            raise ValueError("; ".join(reasons))
        return self


@dataclass(frozen=True, slots=True)
class PackValues:
    """Every number of a pack, absolute: volts per group, amperes, ampere-hours, kilograms, degrees Celsius.

    `lowered`: in words, where the pack file goes below the hard limit of its chemistry; said in every result.

    `full_v` is None for a pack that is not charged here (NiMH). `defaults` names, in words, each value that
    is not from the pack file.
    """

    name: str
    chemistry: str
    series: int
    parallel: int
    rated_capacity_ah: float
    mass_kg: float | None
    chargeable: bool
    full_v: float | None
    discharge_cut_off_v: float
    ladder_floor_v: float
    hard_low_v: float
    hard_high_v: float
    nominal_v: float
    storage_v: float | None
    storage_fraction: float | None
    recover_below_v: float
    recover_least_v: float
    margin_v: float
    max_charge_a: float
    max_discharge_a: float
    max_burst_a: float
    max_burst_s: float | None
    charge_low_c: float
    charge_high_c: float
    temperature_cut_off_c: float
    temperature_limit_c: float
    defaults: tuple[str, ...]
    notes: str
    lowered: tuple[str, ...] = ()

    @property
    def top_v(self) -> float:
        """The highest voltage a group has in a test: full, or the hard limit where full is not known."""
        return self.full_v if self.full_v is not None else self.hard_high_v

    @property
    def nominal_pack_v(self) -> float:
        """Nominal voltage of the whole pack."""
        return self.series * self.nominal_v

    @property
    def typical_kg(self) -> float:
        """What a pack of this chemistry and energy typically weighs, kilograms."""
        return self.rated_capacity_ah * self.nominal_pack_v / CHEMISTRIES[self.chemistry].wh_per_kg

    @property
    def lightest_kg(self) -> float:
        """The mass (kg) that this pack has at least: its file's, or else half of what is typical.

        No pack of these chemistries holds twice its typical energy for each kilogram (from memory). Heat put into so
        little mass is the most that the pack can show: a rule that asks for more than that errs towards no trip.
        """
        return self.typical_kg * _LIGHTEST_SHARE if self.mass_kg is None else self.mass_kg


def read_pack(text: str, where: str = "pack file") -> Pack:
    """The pack from the TOML text of the file `where`; FileMistakes with every mistake otherwise."""
    known = {
        "": keys_of(Pack),
        "build": keys_of(Build),
        "build.links": keys_of(Links),
        "build.leads": keys_of(Leads),
    }
    return read_toml(Pack, text, where, known)


def resolved(pack: Pack) -> PackValues:
    """Every number of the pack, each from its file or else from its chemistry and named in `defaults`."""
    table = CHEMISTRIES[pack.chemistry]
    defaults: list[str] = []

    def say(words: str) -> None:
        defaults.append(f"{words}: {NOT_FROM_DATA_SHEET}")

    volts = _voltages(pack, table)
    for key, field in _VOLTAGE_KEYS.items():
        if getattr(pack, f"{key}_v") is None and volts[field] is not None:
            say(f"{key.replace('_', ' ')} {volts[field]:.2f} V per group")
    charge_a = pack.max_charge_a
    if charge_a is None:
        charge_a = _DEFAULT_CHARGE_C * pack.rated_capacity_ah
        if table.chargeable:
            say(f"max charge {charge_a:g} A")
    discharge_a = pack.max_discharge_a
    if discharge_a is None:
        discharge_a = _DEFAULT_DISCHARGE_C * pack.rated_capacity_ah
        say(f"max discharge {discharge_a:g} A (1C)")
    burst_a, burst_s = (pack.max_burst.current_a, pack.max_burst.hold_s) if pack.max_burst else (discharge_a, None)
    if pack.max_burst is None:
        say(f"max burst {burst_a:g} A (as max discharge)")
    limit_c = table.temperature_limit_c
    cut_off_c = table.temperature_cut_off_c
    if pack.max_temperature_c is None:
        say(f"max temperature {limit_c:g} °C")
    else:
        # The data sheet wins if it is lower; the cut-off keeps its 5 K below the limit.
        limit_c = min(limit_c, pack.max_temperature_c)
        cut_off_c = min(cut_off_c, limit_c - 5)
    charge_low_c, charge_high_c = _CHARGE_LOW_C, _CHARGE_HIGH_C
    if pack.charge_temperature is not None:
        charge_low_c, charge_high_c = pack.charge_temperature.low_c, pack.charge_temperature.high_c
    elif table.chargeable:
        say(f"charge temperature {charge_low_c:g} to {charge_high_c:g} °C")
    cut_off_v = _known(volts, "discharge_cut_off_v")
    low_v = _known(volts, "hard_low_v")
    # A hard limit from the data sheet holds while a group recovers, too.
    least_v = table.recover_least_v if pack.hard_low_v is None else None
    return PackValues(
        name=pack.name,
        chemistry=pack.chemistry,
        series=pack.series,
        parallel=pack.parallel,
        rated_capacity_ah=pack.rated_capacity_ah,
        mass_kg=pack.mass_kg,
        chargeable=table.chargeable,
        full_v=volts["full_v"] if table.chargeable else None,
        discharge_cut_off_v=cut_off_v,
        ladder_floor_v=_known(volts, "ladder_floor_v"),
        hard_low_v=low_v,
        hard_high_v=_known(volts, "hard_high_v"),
        nominal_v=_known(volts, "nominal_v"),
        storage_v=table.storage_v,
        storage_fraction=table.storage_fraction,
        recover_below_v=max(cut_off_v if table.recover_below_v is None else table.recover_below_v, low_v + _CLEAR_V),
        recover_least_v=low_v if least_v is None else min(least_v, low_v),
        margin_v=table.margin_v,
        max_charge_a=charge_a,
        max_discharge_a=discharge_a,
        max_burst_a=burst_a,
        max_burst_s=burst_s,
        charge_low_c=charge_low_c,
        charge_high_c=charge_high_c,
        temperature_cut_off_c=cut_off_c,
        temperature_limit_c=limit_c,
        defaults=tuple(defaults),
        notes=pack.notes,
        lowered=_lowered(low_v, table),
    )


def _lowered(low_v: float, table: Chemistry) -> tuple[str, ...]:
    if table.hard_low_v is None or low_v >= table.hard_low_v - _TOLERANCE_V:
        return ()
    return (f"hard limit {low_v:g} V per group, below the {table.hard_low_v:g} V of {table.name}, by the pack file",)


def _voltages(pack: Pack, table: Chemistry) -> dict[str, float | None]:
    given: dict[str, Any] = {field: getattr(pack, f"{key}_v") for key, field in _VOLTAGE_KEYS.items()}
    return {field: value if value is not None else getattr(table, field) for field, value in given.items()}


def _known(volts: dict[str, float | None], field: str) -> float:
    value = volts[field]
    # The file's own check (`_values_fit`) has refused a pack without it.
    assert value is not None
    return value


def _what_is_wrong(pack: Pack) -> list[str]:
    table = CHEMISTRIES[pack.chemistry]
    volts = _voltages(pack, table)
    needed = [key for key, field in _VOLTAGE_KEYS.items() if volts[field] is None]
    if not table.chargeable:
        needed = [key for key in needed if key != "charge_voltage"]
        if pack.charge_voltage_v is not None or pack.max_charge_a is not None:
            return [f"{pack.chemistry} is not charged by this program: leave out charge_voltage and max_charge"]
    if needed:
        return [f"{pack.chemistry} needs {', '.join(needed)} in the pack file: there are no common values"]
    return _voltages_wrong(pack, table, volts) + _others_wrong(pack, table)


def _voltages_wrong(pack: Pack, table: Chemistry, volts: dict[str, float | None]) -> list[str]:
    wrong: list[str] = []
    low, high = _known(volts, "hard_low_v"), _known(volts, "hard_high_v")
    full, nominal = volts["full_v"], _known(volts, "nominal_v")
    if table.hard_low_v is not None and low < table.hard_low_v - _TOLERANCE_V:
        least = table.lowest_hard_low_v
        if not pack.lowers_hard_low:
            wrong.append(
                f"hard_low {low:g} V is below the {table.hard_low_v:g} V of {table.name}; without "
                "lowers_hard_low = true it can only be raised (set that only if the data sheet says so)"
            )
        elif low < least - _TOLERANCE_V:
            wrong.append(
                f"hard_low {low:g} V is below {least:g} V, which is the lowest for {table.name} whatever is set"
            )
    elif pack.lowers_hard_low:
        wrong.append("lowers_hard_low = true, but hard_low lowers nothing: leave it out")
    if table.hard_high_v is not None and high > table.hard_high_v + _TOLERANCE_V:
        wrong.append(
            f"hard_high {high:g} V is above the {table.hard_high_v:g} V of {table.name}: it can only be lowered"
        )
    if full is not None and table.full_v is not None and full > table.full_v + _TOLERANCE_V:
        wrong.append(f"charge_voltage {full:g} V per group is above the {table.full_v:g} V of {table.name}")
    top = full if full is not None else high
    if full is not None and not full <= high - 0.03 + _TOLERANCE_V:
        wrong.append(f"charge_voltage {full:g} V is not at least 0.03 V below hard_high {high:g} V")
    for key in ("discharge_cut_off", "ladder_floor"):
        value = _known(volts, f"{key}_v")
        if value < low + table.margin_v - _TOLERANCE_V:
            wrong.append(f"{key} {value:g} V is within {table.margin_v:g} V of hard_low {low:g} V: raise it")
        if not value < nominal < top:
            wrong.append(f"{key} {value:g} V, nominal {nominal:g} V and {top:g} V at the top must rise in this order")
    return wrong


def _others_wrong(pack: Pack, table: Chemistry) -> list[str]:
    wrong: list[str] = []
    if (span := pack.charge_temperature) is not None and not 0 <= span.low_c < span.high_c <= 45:
        wrong.append(f"charge_temperature {span} reaches beyond 0 to 45 °C")
    if pack.max_temperature_c is not None and pack.max_temperature_c < 40:
        wrong.append(f"max_temperature {pack.max_temperature_c:g} °C is below 40 °C: no test can keep it")
    burst = pack.max_burst
    if burst is not None and pack.max_discharge_a is not None and burst.current_a < pack.max_discharge_a:
        wrong.append(f"max_burst {burst.current_a:g} A is below max_discharge {pack.max_discharge_a:g} A")
    return wrong
