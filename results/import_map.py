"""The file that says what a CSV from elsewhere holds: which column is what, in which unit, and of which pack."""

import re
from typing import Annotated, Any

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError, field_validator

from benchwarden.profiles.mistakes import FileMistakes, in_words, keys_of
from benchwarden.profiles.quantity import AccuracyOf, Capacity, Mass, Size, Voltage

_STRICT = ConfigDict(extra="forbid", frozen=True)
UNITS = {
    "time": {"s": 1.0, "ms": 1e-3, "min": 60.0, "h": 3600.0},
    "voltage": {"V": 1.0, "mV": 1e-3},
    "current": {"A": 1.0, "mA": 1e-3},
    "temperature": {"°C": 1.0, "degC": 1.0},
}
GROUP = re.compile(r"group_([1-9]\d?)")
TEMPERATURE = re.compile(r"temperature_([a-z][a-z0-9 _-]{0,30})")


class CsvColumn(BaseModel):
    """One column: its name in the file's first line, and the unit of its numbers."""

    model_config = _STRICT
    name: str = Field(min_length=1)
    unit: str | None = None


def _column(found: object) -> object:
    return {"name": found} if isinstance(found, str) else found


ColumnOf = Annotated[CsvColumn, BeforeValidator(_column, json_schema_input_type=str | CsvColumn)]


class ImportedPack(BaseModel):
    """What is known of the pack; what is not, stays unknown."""

    model_config = _STRICT
    name: str = Field(min_length=1, max_length=60, pattern=r"\S")
    chemistry: str | None = None
    design: str | None = None
    series: int | None = Field(default=None, ge=1, le=100, strict=True)
    rated_capacity_ah: Capacity | None = Field(default=None, alias="rated_capacity")
    mass_kg: Mass | None = Field(default=None, alias="mass")
    mass_accuracy_kg: Mass | None = Field(default=None, alias="mass_accuracy")
    size_l: Size | None = Field(default=None, alias="size")
    nominal_v: Voltage | None = Field(default=None, alias="nominal_voltage")


class Accuracies(BaseModel):
    """What the meter of voltage and that of current may be wrong by."""

    model_config = _STRICT
    voltage: AccuracyOf | None = None
    current: AccuracyOf | None = None
    group_voltage: AccuracyOf | None = None
    temperature: AccuracyOf | None = None


class ImportMap(BaseModel):
    """An import's file. `discharge` says which sign a discharge current has; `cut_off` what ended the discharge."""

    model_config = _STRICT
    pack: ImportedPack
    columns: dict[str, ColumnOf]
    title: str = Field(default="imported test", min_length=1, max_length=100)
    started: str | None = None
    discharge: str = Field(default="negative", pattern="^(negative|positive)$")
    cut_off: Voltage | None = None
    bench: str | None = None
    cooling: str | None = None
    sense: str | None = None
    accuracy: Accuracies = Accuracies()

    @field_validator("columns")
    @classmethod
    def _known(cls, found: dict[str, CsvColumn]) -> dict[str, CsvColumn]:
        for what, column in found.items():
            units = units_of(what)
            if units is None:
                raise ValueError(
                    f"there is no {what!r}; known: time, voltage, current, group_1 …, temperature_ambient or another"
                )
            if column.unit is not None and column.unit not in units:
                raise ValueError(f"{what}: unit {column.unit!r}; right would be {', '.join(units)}")
        missing = [what for what in ("time", "voltage", "current") if what not in found]
        if missing:
            raise ValueError(f"no column is named for {', '.join(missing)}; those three must be given")
        groups = sorted(int(match[1]) for what in found if (match := GROUP.fullmatch(what)))
        if groups != list(range(1, len(groups) + 1)):
            raise ValueError(f"groups {groups}; group_1, group_2 … without a gap would be right")
        return found

    @field_validator("started", mode="before")
    @classmethod
    def _text(cls, found: Any) -> Any:
        return found.isoformat() if hasattr(found, "isoformat") else found


def units_of(what: str) -> dict[str, float] | None:
    """Return the units that a column of this kind may have with their factors; None for a kind that is not known."""
    if GROUP.fullmatch(what):
        return UNITS["voltage"]
    if TEMPERATURE.fullmatch(what):
        return UNITS["temperature"]
    return UNITS.get(what) if what in ("time", "voltage", "current") else None


def import_map(data: dict[str, Any], where: str) -> ImportMap:
    """Return an import's file from its tables; FileMistakes names every mistake with file and key."""
    known = {"": keys_of(ImportMap), "pack": keys_of(ImportedPack), "accuracy": keys_of(Accuracies)}
    columns = data.get("columns")
    known |= {f"columns.{what}": keys_of(CsvColumn) for what in (columns if isinstance(columns, dict) else ())}
    try:
        return ImportMap.model_validate(data)
    except ValidationError as error:
        raise FileMistakes(in_words(error, where, known)) from error
