"""Thermocouple, platinum and thermistors against published values; and nothing that is no temperature becomes one."""

import math
from collections.abc import Callable
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import brentq

from benchwarden.drivers.sensors import (
    COLD_HIGH_C,
    COLD_LOW_C,
    Ntc,
    Platinum,
    SteinhartHart,
    TypeK,
    platinum_ratio,
    type_k_mv,
)

K = TypeK()
PT100 = Platinum(100.0)
NTC = Ntc(10_000.0, 3950.0)
# These three are often given as the example for a thermistor of 10 kohm (common practice, no source); the temperatures
# beside them were worked out apart from this program.
EXAMPLE = SteinhartHart(1.009249522e-3, 2.378405444e-4, 2.019202697e-7)

# NIST SRD 60 (its90.nist.gov), "ITS-90 Table for type K thermocouple", mV, cold junction at 0 °C.
TYPE_K_MV = {
    -200: -5.891,
    -40: -1.527,
    -20: -0.778,
    -10: -0.392,
    0: 0.000,
    10: 0.397,
    20: 0.798,
    25: 1.000,
    30: 1.203,
    40: 1.612,
    50: 2.023,
    60: 2.436,
    80: 3.267,
    100: 4.096,
    150: 6.138,
    200: 8.138,
    500: 20.644,
    1372: 54.886,
}
# IEC 60751, table of a Pt100, ohm, as its formula gives it to four places.
PT100_OHM = {-40: 84.2707, 0: 100.0, 25: 109.7347, 50: 119.3971, 60: 123.2419, 100: 138.5055}
# R = R25·exp(B·(1/T - 1/298.15 K)) with R25 = 10 kohm and B = 3950 K, worked out apart from this program.
NTC_OHM = {
    -10: 58245.71,
    0: 33620.60,
    10: 20174.58,
    25: 10000.0,
    40: 5301.47,
    45: 4348.14,
    50: 3588.18,
    60: 2486.16,
    70: 1759.84,
    80: 1270.32,
}


def of_type_k(t_c: float, cold_c: float) -> float | None:
    """The temperature from the voltage that lies between a hot and a cold end."""
    return K.temperature_c((type_k_mv(t_c) - type_k_mv(cold_c)) / 1000.0, cold_c)


# --- published values -----------------------------------------------------------------------------


@pytest.mark.parametrize(("t_c", "mv"), TYPE_K_MV.items())
def test_type_k_gives_what_the_table_says(t_c: float, mv: float) -> None:
    assert type_k_mv(t_c) == pytest.approx(mv, abs=0.00051)  # the table has three places
    kelvin = 0.00051 / 0.015 if t_c == -200 else 0.00051 / 0.034  # over the least slope near there
    assert K.temperature_c(mv / 1000.0, 0.0) == pytest.approx(t_c, abs=kelvin)


def test_the_two_functions_of_type_k_meet_at_0() -> None:
    """The exponential term makes up for c0: NIST SRD 60 gives a0 = 0.1185976, a1 = -1.183432e-4, a2 = 126.9686."""
    bump = 0.1185976 * math.exp(-1.183432e-4 * 126.9686**2)
    assert bump == pytest.approx(0.0176004136860, abs=1e-8)
    assert -1e-10 < type_k_mv(-1e-9) < 0.0 < type_k_mv(0.0) < 1e-8  # 50 nK


@pytest.mark.parametrize(("mv", "t_c"), [(1.0, 24.984), (4.096, 99.963)])
def test_type_k_agrees_with_the_published_inverse(mv: float, t_c: float) -> None:
    """NIST SRD 60, inverse polynomial for 0 to 500 °C: by its own account off by -0.05 to 0.04 K."""
    assert K.temperature_c(mv / 1000.0, 0.0) == pytest.approx(t_c, abs=0.05)


def test_type_k_agrees_with_the_published_inverse_all_over_its_range() -> None:
    """The same polynomial's coefficients, typed from NIST SRD 60: T in °C from E in mV."""
    inverse = [0.0, 25.08355, 7.860106e-2, -2.503131e-1, 8.315270e-2, -1.228034e-2, 9.804036e-4, -4.413030e-5]
    inverse += [1.057734e-6, -1.052755e-8]
    for mv in np.linspace(0.0, 20.644, 200):
        assert K.temperature_c(mv / 1000.0, 0.0) == pytest.approx(
            np.polynomial.polynomial.polyval(mv, inverse), abs=0.05
        )


def test_the_cold_junction_is_added_as_a_voltage_and_never_as_degrees() -> None:
    """Hot 60 °C, terminals at 25 °C: 1.436229 mV by the reference function; degrees on degrees read 0.7 K more."""
    assert type_k_mv(60.0) - type_k_mv(25.0) == pytest.approx(1.436229, abs=1e-6)
    assert K.temperature_c(1.436229e-3, 25.0) == pytest.approx(60.0, abs=1e-4)
    wrong = K.temperature_c(1.436229e-3, 0.0)
    assert wrong is not None
    assert wrong + 25.0 == pytest.approx(60.71, abs=0.01)


@pytest.mark.parametrize(("t_c", "ohm"), PT100_OHM.items())
def test_platinum_gives_what_iec_60751_says_for_any_r0(t_c: float, ohm: float) -> None:
    assert 100.0 * platinum_ratio(t_c) == pytest.approx(ohm, abs=6e-5)
    for r0_ohm in (100.0, 500.0, 1000.0):
        assert Platinum(r0_ohm).temperature_c(ohm * r0_ohm / 100.0) == pytest.approx(t_c, abs=3e-4)


@settings(deadline=None)
@given(st.floats(0.0, 850.0))
def test_platinum_above_0_is_the_root_of_its_square(t_c: float) -> None:
    """IEC 60751 above 0 °C is R0·(1 + A·t + B·t²): the school's formula, another way than ours."""
    a, b = 3.9083e-3, -5.775e-7
    ohm = 100.0 * (1.0 + a * t_c + b * t_c**2)
    root_c = (-a + math.sqrt(a * a - 4.0 * b * (1.0 - ohm / 100.0))) / (2.0 * b)
    assert PT100.temperature_c(ohm) == pytest.approx(root_c, abs=1e-5)


@pytest.mark.parametrize(("t_c", "ohm"), NTC_OHM.items())
def test_a_thermistor_by_beta(t_c: float, ohm: float) -> None:
    assert NTC.temperature_c(ohm) == pytest.approx(t_c, abs=2e-4)


def test_the_wrong_beta_is_kelvins_off() -> None:
    assert Ntc(10_000.0, 3435.0).temperature_c(NTC_OHM[60]) == pytest.approx(65.97, abs=0.005)


@pytest.mark.parametrize(("ohm", "t_c"), [(10_000.0, 24.681293), (5000.0, 43.331568), (2000.0, 70.998542)])
def test_a_thermistor_by_steinhart_and_hart(ohm: float, t_c: float) -> None:
    assert EXAMPLE.temperature_c(ohm) == pytest.approx(t_c, abs=1e-5)


@pytest.mark.parametrize(("ohm", "t_c"), [(25_000.0, 5.0), (10_000.0, 25.0), (4000.0, 45.0)])
def test_coefficients_through_three_points_give_these_points(ohm: float, t_c: float) -> None:
    """Solved apart from this program from the three pairs beside them; nine digits are good to 0.1 mK."""
    fitted = SteinhartHart(2.10850817e-3, 7.97920473e-5, 6.53507631e-7)
    assert fitted.temperature_c(ohm) == pytest.approx(t_c, abs=1e-4)


def test_without_its_third_coefficient_steinhart_and_hart_is_beta() -> None:
    """c = 0, b = 1/B, a = 1/T25 - ln(R25)/B: algebra."""
    plain = SteinhartHart(1 / 298.15 - math.log(10_000.0) / 3950.0, 1 / 3950.0, 0.0)
    for t_c, ohm in NTC_OHM.items():
        assert plain.temperature_c(ohm) == pytest.approx(t_c, abs=2e-4)


# --- whatever comes -------------------------------------------------------------------------------


@settings(deadline=None)
@given(st.floats(-199.9, 1371.9), st.floats(COLD_LOW_C, COLD_HIGH_C))
def test_type_k_there_and_back(t_c: float, cold_c: float) -> None:
    assert of_type_k(t_c, cold_c) == pytest.approx(t_c, abs=1e-5)


@settings(deadline=None)
@given(st.floats(-5.89, 54.88))
def test_type_k_is_the_root_that_another_solver_finds(mv: float) -> None:
    root_c = brentq(lambda t_c: type_k_mv(t_c) - mv, -200.0, 1372.0, xtol=1e-9)
    assert K.temperature_c(mv / 1000.0, 0.0) == pytest.approx(root_c, abs=1e-5)


@settings(deadline=None)
@given(st.floats(-200.0, 850.0), st.floats(1.0, 1e5))
def test_platinum_there_and_back(t_c: float, r0_ohm: float) -> None:
    back = Platinum(r0_ohm).temperature_c(r0_ohm * platinum_ratio(t_c))
    assert (back is None and min(t_c + 200.0, 850.0 - t_c) < 1e-6) or back == pytest.approx(t_c, abs=1e-5)


@settings(deadline=None)
@given(st.floats(-54.9, 199.9), st.floats(1.0, 1e6), st.floats(1000.0, 10_000.0))
def test_beta_there_and_back(t_c: float, r25_ohm: float, beta_k: float) -> None:
    ohm = r25_ohm * math.exp(beta_k * (1.0 / (t_c + 273.15) - 1.0 / 298.15))
    assert Ntc(r25_ohm, beta_k).temperature_c(ohm) == pytest.approx(t_c, abs=1e-6)


STEPS: list[tuple[str, Callable[[float], float | None], float, float, int]] = [
    ("type-k", lambda mv: K.temperature_c(mv / 1000.0, 20.0), -6.6, 54.0, 1),
    ("platinum", PT100.temperature_c, 18.6, 390.0, 1),
    ("ntc", NTC.temperature_c, 75.0, 1.2e6, -1),
    ("steinhart-hart", EXAMPLE.temperature_c, 97.0, 4e5, -1),
]


@pytest.mark.parametrize(("name", "read", "low", "high", "sign"), STEPS)
def test_more_is_always_warmer_or_always_colder(
    name: str, read: Callable[[float], float | None], low: float, high: float, sign: int
) -> None:
    values = np.geomspace(low, high, 3000) if low > 0.0 else np.linspace(low, high, 3000)
    found = [read(float(value)) for value in values]
    known = [value for value in found if value is not None]
    assert len(known) == len(found), name
    assert all(sign * (later - earlier) > 0.0 for earlier, later in pairwise(known)), name


@settings(deadline=None)
@given(st.floats(), st.floats())
def test_whatever_is_measured_is_a_temperature_in_range_or_no_value(value: float, cold_c: float) -> None:
    for found, low_c, high_c in (
        (K.temperature_c(value, cold_c), -200.0, 1372.0),
        (K.temperature_c(value, 25.0), -200.0, 1372.0),
        (PT100.temperature_c(value), -200.0, 850.0),
        (NTC.temperature_c(value), -55.0, 200.0),
        (EXAMPLE.temperature_c(value), -55.0, 200.0),
    ):
        assert found is None or low_c - 1e-6 <= found <= high_c + 1e-6


@pytest.mark.parametrize("rail", [0.0, -0.0, -1.0, 5e-324, math.inf, -math.inf, math.nan, 1e30, None])
def test_a_rail_is_no_value_and_never_a_temperature(rail: float | None) -> None:
    for sensor in (PT100, Platinum(1000.0), NTC, EXAMPLE):
        assert sensor.temperature_c(rail) is None
    if rail is None or abs(rail) >= 1.0 or math.isnan(rail):
        assert K.temperature_c(rail, 25.0) is None


@pytest.mark.parametrize(
    ("sensor", "ohm"),
    [
        (PT100, 18.4),
        (PT100, 391.0),
        (PT100, 1097.3),
        (Platinum(1000.0), 109.7),
        (NTC, 60.0),
        (NTC, 2e6),
        (EXAMPLE, 1.0),
    ],
)
def test_what_no_such_sensor_gives_is_no_value(sensor: Platinum | Ntc | SteinhartHart, ohm: float) -> None:
    """Shorted by its leads, open over damp insulation, or another sensor than the one that is named."""
    assert sensor.temperature_c(ohm) is None


@pytest.mark.parametrize("mv", [-7.0, 54.0, 60.0])
def test_what_no_type_k_gives_is_no_value(mv: float) -> None:
    """54.886 mV at 1372 °C and -5.891 mV at -200 °C (NIST SRD 60), less 1.000 mV of a cold junction at 25 °C."""
    assert K.temperature_c(mv / 1000.0, 25.0) is None


@pytest.mark.parametrize("cold_c", [COLD_LOW_C - 0.1, COLD_HIGH_C + 0.1, math.nan, math.inf, -math.inf])
def test_without_a_plausible_cold_junction_there_is_no_value(cold_c: float) -> None:
    assert K.temperature_c(0.001, cold_c) is None
