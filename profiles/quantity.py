"""Reads the quantities that people write in files: "5.0 Ah", "30 min", "23 ± 5 °C", "5C".

Every parser takes what stood in the file and returns a finite number in the unit its name ends with, or
raises ValueError that says what was found and what would be right. A bare number is refused: it could mean
anything.
"""

import math
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Annotated

from pydantic import BeforeValidator, WithJsonSchema

_NUMBER = r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d{1,3})?"
_WITH_UNIT = re.compile(rf"\s*({_NUMBER})\s*([^\d\s.+-][^\d]*?)\s*", re.ASCII)
_SPREAD = re.compile(rf"\s*({_NUMBER})\s*(?:±|\+/-)\s*({_NUMBER})\s*(°C|degC)\s*", re.ASCII)
_FROM_TO = re.compile(rf"\s*({_NUMBER})\s*to\s*({_NUMBER})\s*(°C|degC)\s*", re.ASCII)
_BURST = re.compile(r"\s*(.+?)\s+for\s+(.+?)\s*")
_PERCENT = re.compile(rf"\s*({_NUMBER})\s*%\s*", re.ASCII)
_PERCENT_OF = re.compile(rf"\s*({_NUMBER})\s*%\s*of\s+(.+?)\s*", re.ASCII)
_SIZE = re.compile(rf"\s*({_NUMBER})\s*[x×]\s*({_NUMBER})\s*[x×]\s*({_NUMBER})\s*(mm|cm)\s*", re.ASCII)
_SHARE_OF = re.compile(rf"\s*({_NUMBER}\s*%)\s*of\s+(rated|the\s+first)\s*", re.ASCII)
_GAUGE = re.compile(r"\s*(\d{1,2})\s*AWG\s*", re.ASCII)

_VOLT = {"V": 1.0, "mV": 1e-3}
_AMPERE = {"A": 1.0, "mA": 1e-3}
_WATT = {"W": 1.0, "mW": 1e-3, "kW": 1e3}
# The Greek letter and the ohm sign look alike; people and keyboards write either.
_OHM = {
    f"{prefix}{ohm}": size
    for prefix, size in (("", 1.0), ("m", 1e-3), ("k", 1e3))
    for ohm in ("ohm", "\u03a9", "\u2126")
}
_SECOND = {"s": 1.0, "ms": 1e-3, "min": 60.0, "h": 3600.0, "day": 86400.0, "days": 86400.0}
_CELSIUS = {"°C": 1.0, "degC": 1.0}
_ANY = {**_VOLT, **_AMPERE, **_WATT, "K": 1.0}
_BASE = {**dict.fromkeys(_VOLT, "V"), **dict.fromkeys(_AMPERE, "A"), **dict.fromkeys(_WATT, "W"), "K": "K"}


@dataclass(frozen=True, slots=True)
class Amount:
    """An amount as written: relative to the pack (`unit` "C" or "%") or absolute ("A", "W", "Ah", "Wh")."""

    value: float
    unit: str

    @property
    def relative(self) -> bool:
        """Whether the amount is a multiple of the rated capacity per hour."""
        return self.unit == "C"

    def __str__(self) -> str:
        return f"{self.value:g}C" if self.relative else f"{self.value:g} {self.unit}"


@dataclass(frozen=True, slots=True)
class TemperatureSpan:
    """A range of temperature in degrees Celsius, both ends within it."""

    low_c: float
    high_c: float

    def holds(self, temperature_c: float) -> bool:
        """Whether a temperature lies within the range."""
        return self.low_c <= temperature_c <= self.high_c

    def __str__(self) -> str:
        return f"{self.low_c:g} to {self.high_c:g} °C"


@dataclass(frozen=True, slots=True)
class Burst:
    """A current in amperes that may flow for so many seconds."""

    current_a: float
    hold_s: float


@dataclass(frozen=True, slots=True)
class Accuracy:
    """An instrument's largest error: `of_reading` × |reading| + `absolute`, the latter in `unit` (V, A, W, K)."""

    of_reading: float
    absolute: float
    unit: str

    def at(self, reading: float) -> float:
        """Largest error at a reading, in the unit of the reading."""
        return self.of_reading * abs(reading) + self.absolute


@dataclass(frozen=True, slots=True)
class ShareOf:
    """A share (1 is all) of the rated capacity (`of` "rated"), or of what the first cycle delivered ("first")."""

    share: float
    of: str

    def __str__(self) -> str:
        return f"{100 * self.share:g} % of {'rated' if self.of == 'rated' else 'the first'}"


def _refuse(found: object, what: str, example: str) -> ValueError:
    return ValueError(f"found {found!r}, which is not {what}; right would be {example}")


def _finite(number: str, found: object, what: str, example: str) -> float:
    value = float(number)
    if not math.isfinite(value):
        raise _refuse(found, what, example)
    return value


def _parse(found: object, units: Mapping[str, float], low: float, high: float, what: str, example: str) -> float:
    """The number in base units; `low` is excluded, `high` is not."""
    if not isinstance(found, str):
        raise _refuse(found, f"{what} with its unit", example)
    match = _WITH_UNIT.fullmatch(found)
    if match is None or match[2] not in units:
        raise _refuse(found, f"{what} in {' or '.join(units)}", example)
    value = _finite(match[1], found, what, example) * units[match[2]]
    if not low < value <= high:
        # In the unit in which the bound is shortest: 30 days, and not 2592000 s.
        bounds = [(f"{high / factor:,.10g}", unit) for unit, factor in units.items()]
        number, unit = min(bounds, key=lambda bound: (len(bound[0]), -len(bound[1])))
        raise ValueError(f"found {found!r}; {what} lies above {low:g} and not above {number} {unit}, such as {example}")
    return value


def capacity_ah(found: object) -> float:
    """Charge in ampere-hours from "5.0 Ah" or "5000 mAh", up to 10,000 Ah."""
    return _parse(found, {"Ah": 1.0, "mAh": 1e-3}, 0, 1e4, "a capacity", '"5.0 Ah"')


def mass_kg(found: object) -> float:
    """Mass in kilograms from "452 g" or "0.45 kg", up to 1000 kg."""
    return _parse(found, {"kg": 1.0, "g": 1e-3}, 0, 1e3, "a mass", '"452 g"')


def last_digit_kg(found: object) -> float | None:
    """One in the last digit of a mass as it was written, in kilograms: 0.001 from "452 g"; None if it is no mass."""
    try:
        mass_kg(found)
    except ValueError:
        return None
    match = _WITH_UNIT.fullmatch(str(found))
    assert match is not None
    number, _, power = match[1].lower().partition("e")
    decimals = len(number.partition(".")[2])
    return 10.0 ** (int(power or 0) - decimals) * (1e-3 if match[2] == "g" else 1.0)


def volume_l(found: object) -> float:
    """Volume in litres from the outer size "95 x 47 x 48 mm" (or ×; cm), up to a cubic metre."""
    what, example = "a size", '"95 x 47 x 48 mm"'
    match = _SIZE.fullmatch(found) if isinstance(found, str) else None
    if match is None:
        raise _refuse(found, what, example)
    edges = [float(match[number]) * {"mm": 1e-3, "cm": 1e-2}[match[4]] for number in (1, 2, 3)]
    volume = math.prod(edges)
    if not min(edges) > 0.0 or not volume <= 1.0:
        raise _refuse(found, "a size above 0 and up to 1 m³", example)
    return volume * 1000.0


def voltage_v(found: object) -> float:
    """Voltage in volts from "4.20 V" or "30 mV", up to 1500 V."""
    return _parse(found, _VOLT, 0, 1500, "a voltage", '"4.20 V"')


def current_a(found: object) -> float:
    """Current in amperes from "45 A" or "250 mA", without sign, up to 5000 A."""
    return _parse(found, _AMPERE, 0, 5000, "a current", '"45 A"')


def power_w(found: object) -> float:
    """Power in watts from "1500 W" or "1.5 kW", up to 1 MW."""
    return _parse(found, _WATT, 0, 1e6, "a power", '"1500 W"')


def resistance_ohm(found: object) -> float:
    """Resistance in ohms from "0.5 ohm", "12 mΩ" or "10 kΩ", up to 1 Mohm."""
    return _parse(found, _OHM, 0, 1e6, "a resistance", '"0.5 ohm"')


def duration_s(found: object) -> float:
    """Time in seconds from "90 s", "30 min", "2 h" or "5 days", up to 30 days."""
    return _parse(found, _SECOND, 0, 30 * 86400, "a time", '"30 min"')


def length_m(found: object) -> float:
    """Length in metres from "10 mm", up to 100 m."""
    return _parse(found, {"m": 1.0, "cm": 1e-2, "mm": 1e-3}, 0, 100, "a length", '"10 mm"')


def area_m2(found: object) -> float:
    """Area in square metres from "0.203 m²" or "2030 cm2", up to 1000 m²."""
    units = {"m²": 1.0, "m2": 1.0, "cm²": 1e-4, "cm2": 1e-4}
    # A unit may end with a digit here, which `_WITH_UNIT` does not know.
    plain = found.replace("m2", "m²") if isinstance(found, str) else found
    return _parse(plain, units, 0, 1000, "an area", '"0.203 m²"')


def temperature_c(found: object) -> float:
    """Temperature in degrees Celsius from "35 °C", above -60 and up to 200 °C."""
    return _parse(found, _CELSIUS, -60, 200, "a temperature", '"35 °C"')


def difference_k(found: object) -> float:
    """Difference of temperature in kelvins from "2 K", up to 100 K."""
    return _parse(found, {"K": 1.0}, 0, 100, "a difference of temperature", '"2 K"')


def beta_k(found: object) -> float:
    """A thermistor's constant B in kelvins from "3950 K", above 1000 and up to 10,000 K."""
    return _parse(found, {"K": 1.0}, 1000, 1e4, "a thermistor's B", '"3950 K"')


def temperature_span(found: object) -> TemperatureSpan:
    """Range of temperature from "23 ± 5 °C", "23 +/- 5 °C" or "10 to 40 °C"."""
    what, example = "a range of temperature", '"23 ± 5 °C" or "10 to 40 °C"'
    if not isinstance(found, str):
        raise _refuse(found, what, example)
    if match := _SPREAD.fullmatch(found):
        middle, half = (_finite(match[n], found, what, example) for n in (1, 2))
        low, high = middle - half, middle + half
    elif match := _FROM_TO.fullmatch(found):
        low, high = (_finite(match[n], found, what, example) for n in (1, 2))
    else:
        raise _refuse(found, what, example)
    if not -60 < low < high <= 200:
        raise ValueError(f"found {found!r}: the range must rise and lie within -60 and 200 °C, such as {example}")
    return TemperatureSpan(low, high)


def burst(found: object) -> Burst:
    """Current and time from "90 A for 5 s"."""
    match = _BURST.fullmatch(found) if isinstance(found, str) else None
    if match is None:
        raise _refuse(found, "a current for a time", '"90 A for 5 s"')
    try:
        return Burst(current_a(match[1]), duration_s(match[2]))
    except ValueError as error:
        raise ValueError(f"found {found!r}: {error}") from error


def _amount(found: object, units: Mapping[str, float], unit: str, high: float, what: str, example: str) -> Amount:
    match = _WITH_UNIT.fullmatch(found) if isinstance(found, str) else None
    if match is not None and match[2] == "C":
        return Amount(_parse(found, {"C": 1.0}, 0, 500, f"{what} as a rate", example), "C")
    return Amount(_parse(found, {**units, "C": 1.0}, 0, high, what, example), unit)


def current_amount(found: object) -> Amount:
    """A current from "5C" (5 × rated capacity per hour) or "45 A"; at most 500C or 5000 A."""
    return _amount(found, _AMPERE, "A", 5000, "a current", '"5C" or "45 A"')


def power_amount(found: object) -> Amount:
    """A power from "5C" (5 × rated capacity per hour × nominal voltage) or "300 W"; at most 500C or 1 MW."""
    return _amount(found, _WATT, "W", 1e6, "a power", '"5C" or "300 W"')


def charge_amount(found: object) -> Amount:
    """A charge from "2.5 Ah" or "50 %" (of rated capacity, up to 120 %); at most 10,000 Ah."""
    what, example = "a charge", '"2.5 Ah" or "50 %"'
    if isinstance(found, str) and _PERCENT.fullmatch(found):
        return Amount(100 * percent(found, high=120), "%")
    return Amount(_parse(found, {"Ah": 1.0, "mAh": 1e-3}, 0, 1e4, what, example), "Ah")


def energy_amount(found: object) -> Amount:
    """An energy from "20 Wh" or "50 %" (of rated capacity × nominal voltage, up to 120 %); at most 1 MWh."""
    what, example = "an energy", '"20 Wh" or "50 %"'
    if isinstance(found, str) and _PERCENT.fullmatch(found):
        return Amount(100 * percent(found, high=120), "%")
    return Amount(_parse(found, {"Wh": 1.0, "kWh": 1e3}, 0, 1e6, what, example), "Wh")


def percent(found: object, *, high: float = 100.0) -> float:
    """A share from "10 %": above 0 and not above `high` %."""
    match = _PERCENT.fullmatch(found) if isinstance(found, str) else None
    if match is None:
        raise _refuse(found, "a share in %", '"10 %"')
    value = _finite(match[1], found, "a share in %", '"10 %"')
    if not 0 < value <= high:
        raise ValueError(f'found {found!r}; a share lies above 0 and not above {high:g} %, such as "10 %"')
    return value / 100


def share_of(found: object) -> ShareOf:
    """A share of a delivered charge from "80 % of the first" or "100 % of rated", above 0 and up to 120 %."""
    match = _SHARE_OF.fullmatch(found) if isinstance(found, str) else None
    if match is None:
        raise _refuse(found, "a share of a charge", '"80 % of the first" or "100 % of rated"')
    return ShareOf(percent(match[1], high=120), "rated" if match[2] == "rated" else "first")


def wire_area_m2(found: object) -> float:
    """Cross-section of copper in square metres from "12 AWG" (0 to 40) or "3.3 mm²".

    AWG: diameter = 0.127 mm × 92^((36 - n) / 39), ASTM B258.
    """
    if isinstance(found, str) and (match := _GAUGE.fullmatch(found)):
        number = int(match[1])
        if number > 40:
            raise _refuse(found, "a gauge from 0 to 40 AWG", '"12 AWG"')
        diameter_m: float = 0.127e-3 * 92.0 ** ((36 - number) / 39)
        return math.pi / 4 * diameter_m**2
    return _parse(found, {"mm²": 1e-6, "mm2": 1e-6}, 0, 1e-2, "a cross-section", '"12 AWG" or "3.3 mm²"')


def accuracy(found: object) -> Accuracy:
    """An accuracy from "0.05 % + 0.02 % of 150 V", "0.1 % + 30 mA" or "0.5 K".

    The first part is of the reading, a part "of 150 V" is of the range and therefore absolute.
    """
    what, example = "an accuracy", '"0.05 % + 0.02 % of 150 V" or "0.1 % + 30 mA"'
    if not isinstance(found, str):
        raise _refuse(found, what, example)
    of_reading, absolute, unit = 0.0, 0.0, ""
    for part in re.split(r"\s\+\s", found):
        if match := _PERCENT.fullmatch(part):
            more, part_unit = _finite(match[1], found, what, example) / 100, ""
            of_reading += more
        else:
            ratio, rest = 1.0, part
            if match := _PERCENT_OF.fullmatch(part):
                ratio, rest = _finite(match[1], found, what, example) / 100, match[2]
            split = _WITH_UNIT.fullmatch(rest)
            if split is None or split[2] not in _ANY:
                raise _refuse(found, what, example)
            more, part_unit = (
                ratio * _finite(split[1], found, what, example) * _ANY[split[2]],
                _BASE[split[2]],
            )
            absolute += more
        if more < 0 or (unit and part_unit and unit != part_unit):
            raise _refuse(found, f"{what} with parts above zero in one unit", example)
        unit = unit or part_unit
    if not 0 < of_reading + absolute < 1e4 or of_reading >= 1 or not unit:
        raise _refuse(found, f"{what} that names the unit of its absolute part", example)
    return Accuracy(of_reading, absolute, unit)


# For editors: as wide as the parsers, which have the last word on what lies in range.
_EDITOR_NUMBER = r"(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]{1,3})?"


def _text(pattern: str, *examples: str) -> WithJsonSchema:
    """How editors know a quantity: text of this pattern (ECMA 262), with examples that its parser takes."""
    return WithJsonSchema({"type": "string", "pattern": pattern, "examples": list(examples)}, mode="validation")


def _with_unit(units: Iterable[str], *examples: str, sign: str = r"\+?") -> WithJsonSchema:
    return _text(rf"^\s*{sign}{_EDITOR_NUMBER}\s*(?:{'|'.join(units)})\s*$", *examples)


_SPAN_PATTERN = rf"^\s*[+-]?{_EDITOR_NUMBER}\s*(?:±|\+/-|to)\s*[+-]?{_EDITOR_NUMBER}\s*(?:{'|'.join(_CELSIUS)})\s*$"

Capacity = Annotated[float, BeforeValidator(capacity_ah), _with_unit(("Ah", "mAh"), "5.0 Ah", "5000 mAh")]
Mass = Annotated[float, BeforeValidator(mass_kg), _with_unit(("g", "kg"), "452 g", "0.45 kg")]
Size = Annotated[float, BeforeValidator(volume_l), _text(r"\d\s*[x×]\s*\d", "95 x 47 x 48 mm", "9.5 x 4.7 x 4.8 cm")]
Voltage = Annotated[float, BeforeValidator(voltage_v), _with_unit(_VOLT, "4.20 V", "30 mV")]
Current = Annotated[float, BeforeValidator(current_a), _with_unit(_AMPERE, "45 A", "250 mA")]
Power = Annotated[float, BeforeValidator(power_w), _with_unit(_WATT, "1500 W", "1.5 kW")]
Resistance = Annotated[float, BeforeValidator(resistance_ohm), _with_unit(_OHM, "0.5 ohm", "12 mohm")]
Duration = Annotated[float, BeforeValidator(duration_s), _with_unit(_SECOND, "30 min", "90 s", "2 h")]
Length = Annotated[float, BeforeValidator(length_m), _with_unit(("mm", "cm", "m"), "22 mm", "16 cm")]
Area = Annotated[float, BeforeValidator(area_m2), _with_unit(("m²", "m2", "cm²", "cm2"), "0.203 m²", "2030 cm2")]
Temperature = Annotated[float, BeforeValidator(temperature_c), _with_unit(_CELSIUS, "35 °C", sign="[+-]?")]
Difference = Annotated[float, BeforeValidator(difference_k), _with_unit(("K",), "2 K")]
Beta = Annotated[float, BeforeValidator(beta_k), _with_unit(("K",), "3950 K")]
ChargeAmount = Annotated[Amount, BeforeValidator(charge_amount), _with_unit(("Ah", "mAh", "%"), "2.5 Ah", "50 %")]
EnergyAmount = Annotated[Amount, BeforeValidator(energy_amount), _with_unit(("Wh", "kWh", "%"), "20 Wh", "50 %")]
Share = Annotated[float, BeforeValidator(percent), _with_unit(("%",), "10 %")]
ShareOfCharge = Annotated[ShareOf, BeforeValidator(share_of), _text("%", "80 % of the first", "100 % of rated")]
WireArea = Annotated[float, BeforeValidator(wire_area_m2), _with_unit(("AWG", "mm²", "mm2"), "12 AWG", "3.3 mm²")]
Span = Annotated[TemperatureSpan, BeforeValidator(temperature_span), _text(_SPAN_PATTERN, "23 ± 5 °C", "10 to 40 °C")]
BurstOf = Annotated[Burst, BeforeValidator(burst), _text(r"\sfor\s", "90 A for 5 s")]
CurrentAmount = Annotated[Amount, BeforeValidator(current_amount), _with_unit((*_AMPERE, "C"), "0.5C", "45 A")]
PowerAmount = Annotated[Amount, BeforeValidator(power_amount), _with_unit((*_WATT, "C"), "5C", "300 W")]
AccuracyOf = Annotated[
    Accuracy, BeforeValidator(accuracy), _text("[AVWK]", "0.05 % + 0.02 % of 150 V", "0.1 % + 30 mA", "0.5 K")
]
