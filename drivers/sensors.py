"""What a probe gives, a voltage or a resistance, turned into its temperature. Pure.

None is "no value": a rail, or what no such probe gives within its range, is a fault of the sensor and never a
temperature. Nothing is clipped to the end of a range.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import ClassVar, Literal

ZERO_K = 273.15
"""0 °C in kelvins (SI brochure, 9th edition, section 2.3.1; from memory)."""
COLD_LOW_C, COLD_HIGH_C = -20.0, 80.0
"""An instrument's terminals outside this range mean a broken sensor there (common practice, no source)."""

# Type K: E in mV = Σ c_i·t^i, and above 0 °C + a0·exp(a1·(t - a2)²), t in °C, the cold junction at 0 °C. Reference
# function of ITS-90: NIST Monograph 175 (1993), as in NIST SRD 60 (its90.nist.gov, "Reference Function Coefficients").
_K_LOW_C, _K_HIGH_C = -200.0, 1372.0
_K_BELOW_0 = (
    0.0,
    0.394501280250e-01,
    0.236223735980e-04,
    -0.328589067840e-06,
    -0.499048287770e-08,
    -0.675090591730e-10,
    -0.574103274280e-12,
    -0.310888728940e-14,
    -0.104516093650e-16,
    -0.198892668780e-19,
    -0.163226974860e-22,
)
_K_ABOVE_0 = (
    -0.176004136860e-01,
    0.389212049750e-01,
    0.185587700320e-04,
    -0.994575928740e-07,
    0.318409457190e-09,
    -0.560728448890e-12,
    0.560750590590e-15,
    -0.320207200030e-18,
    0.971511471520e-22,
    -0.121047212750e-25,
)
_K_BUMP = (0.118597600000e00, -0.118343200000e-03, 0.126968600000e03)

# Platinum: R = R0·(1 + A·t + B·t² + C·(t - 100)·t³), C only below 0 °C (IEC 60751).
_PT_LOW_C, _PT_HIGH_C = -200.0, 850.0
_PT_A, _PT_B, _PT_C = 3.9083e-3, -5.775e-7, -4.183e-12

# No thermistor on a pack is colder or warmer; beyond it is open or shorted (common practice, no source).
_NTC_LOW_C, _NTC_HIGH_C = -55.0, 200.0
_NTC_AT_C = 25.0

# The range of a sensor is halved so often: 1572 K become less than a millionth of a kelvin.
_HALVINGS = 32

Answers = Literal["voltage", "resistance"]


@dataclass(frozen=True, slots=True)
class TypeK:
    """A type K thermocouple, -200 to 1372 °C."""

    answers: ClassVar[Answers] = "voltage"

    def temperature_c(self, measured_v: float | None, cold_c: float) -> float | None:
        """Return the hot end's temperature from the voltage at terminals that are at `cold_c`; V, °C.

        E(cold) is added to the voltage, never degrees to degrees: E is no straight line.
        """
        if measured_v is None or not COLD_LOW_C <= cold_c <= COLD_HIGH_C:
            return None
        return _inverted(type_k_mv, measured_v * 1000.0 + type_k_mv(cold_c), _K_LOW_C, _K_HIGH_C)


@dataclass(frozen=True, slots=True)
class Platinum:
    """A platinum resistor of `r0_ohm` at 0 °C by IEC 60751, -200 to 850 °C."""

    answers: ClassVar[Answers] = "resistance"
    r0_ohm: float

    def temperature_c(self, ohm: float | None) -> float | None:
        """Return the temperature in °C at a resistance in ohm."""
        return None if ohm is None else _inverted(platinum_ratio, ohm / self.r0_ohm, _PT_LOW_C, _PT_HIGH_C)


@dataclass(frozen=True, slots=True)
class Ntc:
    """A thermistor of `r25_ohm` at 25 °C and the constant `beta_k` in K, -55 to 200 °C.

    1/T = 1/T25 + ln(R/R25)/B, from B's definition in IEC 60539-1 (from memory).
    """

    answers: ClassVar[Answers] = "resistance"
    r25_ohm: float
    beta_k: float

    def temperature_c(self, ohm: float | None) -> float | None:
        """Return the temperature in °C at a resistance in ohm."""
        if ohm is None or not 0.0 < ohm < math.inf:
            return None
        log_ratio = math.log(ohm) - math.log(self.r25_ohm)
        return _thermistor_c(1.0 / (_NTC_AT_C + ZERO_K) + log_ratio / self.beta_k)


@dataclass(frozen=True, slots=True)
class SteinhartHart:
    """A thermistor with coefficients in 1/K, R in ohm, -55 to 200 °C: 1/T = a + b·ln R + c·(ln R)³.

    J. S. Steinhart, S. R. Hart, "Calibration curves for thermistors", Deep-Sea Research 15 (1968) 497 (from memory). R
    falls with rising temperature everywhere if b > 0 and c >= 0.
    """

    answers: ClassVar[Answers] = "resistance"
    a: float
    b: float
    c: float

    def temperature_c(self, ohm: float | None) -> float | None:
        """Return the temperature in °C at a resistance in ohm."""
        if ohm is None or not 0.0 < ohm < math.inf:
            return None
        log_ohm = math.log(ohm)
        return _thermistor_c(self.a + self.b * log_ohm + self.c * log_ohm**3)


Probe = TypeK | Platinum | Ntc | SteinhartHart


def type_k_mv(t_c: float) -> float:
    """Return the voltage of a type K thermocouple at `t_c` (°C) with its cold junction at 0 °C, in mV.

    Bounds: -270 to 1372 °C, as NIST Monograph 175 gives the function.
    """
    if t_c < 0.0:
        return _polynomial(_K_BELOW_0, t_c)
    a0, a1, a2 = _K_BUMP
    return _polynomial(_K_ABOVE_0, t_c) + a0 * math.exp(a1 * (t_c - a2) ** 2)


def platinum_ratio(t_c: float) -> float:
    """Return R/R0 of a platinum resistor at `t_c` (°C), -200 to 850 °C (IEC 60751)."""
    ratio = 1.0 + _PT_A * t_c + _PT_B * t_c**2
    return ratio if t_c >= 0.0 else ratio + _PT_C * (t_c - 100.0) * t_c**3


def _polynomial(coefficients: tuple[float, ...], x: float) -> float:
    value = 0.0
    for one in reversed(coefficients):
        value = value * x + one
    return value


def _inverted(rising: Callable[[float], float], value: float, low: float, high: float) -> float | None:
    """Return where a function that rises from `low` to `high` has this value; None outside, and for not-a-number.

    Halved, not solved by a published inverse: those are approximations, and their pieces do not meet.
    """
    if not rising(low) <= value <= rising(high):
        return None
    for _ in range(_HALVINGS):
        middle = (low + high) / 2.0
        if rising(middle) < value:
            low = middle
        else:
            high = middle
    return (low + high) / 2.0


def _thermistor_c(per_k: float) -> float | None:
    """Return the temperature in °C from 1/T; None beyond where a thermistor can be."""
    if not 1.0 / (_NTC_HIGH_C + ZERO_K) <= per_k <= 1.0 / (_NTC_LOW_C + ZERO_K):
        return None
    return 1.0 / per_k - ZERO_K
