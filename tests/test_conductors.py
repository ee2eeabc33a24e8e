"""Resistances of conductors against published tables."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchwarden.simulators.conductors import (
    COPPER,
    NICKEL,
    at_temperature_ohm,
    braid_ohm,
    heat_capacity_j_per_k,
    strip_ohm,
    wire_diameter_mm,
    wire_ohm,
)

# HyperPhysics, "Wire gauge" table (hyperphysics.phy-astr.gsu.edu/hbase/Tables/wirega.html), ohm per 1000 ft.
OHM_PER_1000_FT = {8: 0.6282, 10: 0.9989, 12: 1.588, 14: 2.525, 16: 4.016, 18: 6.385, 20: 10.15, 22: 16.14}


@pytest.mark.parametrize(("gauge", "ohm_per_1000_ft"), OHM_PER_1000_FT.items())
def test_wire_against_the_published_table(gauge: int, ohm_per_1000_ft: float) -> None:
    ohm_per_km = ohm_per_1000_ft / 0.3048
    assert wire_ohm(COPPER, gauge=gauge, length_mm=1e6) == pytest.approx(ohm_per_km, rel=3e-4)


def test_wire_diameter_is_anchored_where_the_standard_anchors_it() -> None:
    # ASTM B258 defines 36 as 0.005 in and 0000 as 0.46 in.
    assert wire_diameter_mm(36) == pytest.approx(0.005 * 25.4, rel=1e-12)
    assert wire_diameter_mm(-3) == pytest.approx(0.46 * 25.4, rel=1e-12)


def test_copper_is_the_annealed_copper_standard() -> None:
    # NBS Handbook 100: 0.15328 ohm·g/m² over 8.89 g/cm³.
    assert COPPER.resistivity_ohm_m == pytest.approx(0.15328 / 8.89e6, rel=1e-4)
    assert COPPER.alpha_per_k == 3.93e-3


def test_strip_against_the_formula_worked_by_hand() -> None:
    # R = ρL/A: 20 mm of 8 x 0.15 mm nickel is 1.165 mΩ; at 10 A it drops 11.65 mV.
    ohm = strip_ohm(NICKEL, width_mm=8.0, thickness_mm=0.15, length_mm=20.0)
    assert ohm == pytest.approx(1.165e-3, rel=1e-9)
    assert strip_ohm(COPPER, width_mm=8.0, thickness_mm=0.15, length_mm=1000.0) == pytest.approx(14.3675e-3)


def test_a_lead_pair_needs_remote_sense() -> None:
    # Two leads of 0.3 m, 14 AWG, at 50 A: 4.97 mΩ and 0.249 V, a third of a 15 mΩ pack.
    ohm = 2.0 * wire_ohm(COPPER, gauge=14, length_mm=300.0)
    assert ohm == pytest.approx(4.971e-3, rel=1e-3)
    assert 50.0 * ohm == pytest.approx(0.2486, rel=1e-3)


@given(fill=st.floats(0.05, 1.0), width=st.floats(1.0, 50.0), length=st.floats(1.0, 500.0))
def test_braid_is_a_strip_with_less_metal(fill: float, width: float, length: float) -> None:
    braid = braid_ohm(COPPER, width_mm=width, thickness_mm=1.0, length_mm=length, fill=fill)
    solid = strip_ohm(COPPER, width_mm=width, thickness_mm=1.0, length_mm=length)
    assert math.isclose(braid * fill, solid, rel_tol=1e-12)
    assert braid >= solid


@given(st.floats(-40.0, 150.0))
def test_temperature_turns_about_20_c(temperature_c: float) -> None:
    assert at_temperature_ohm(COPPER, 2.0, 20.0) == 2.0
    rise = at_temperature_ohm(COPPER, 2.0, temperature_c) / 2.0 - 1.0
    assert math.isclose(rise, 3.93e-3 * (temperature_c - 20.0), abs_tol=1e-12)


def test_heat_capacity_of_a_cubic_centimetre_of_copper() -> None:
    # 8.89 g at 0.385 J/(g K) (specific heat from memory).
    assert heat_capacity_j_per_k(COPPER, 1000.0) == pytest.approx(3.42, abs=0.01)


@pytest.mark.parametrize("fill", [0.0, -0.1, 1.01])
def test_a_fill_that_cannot_be_is_refused(fill: float) -> None:
    with pytest.raises(ValueError, match="fill"):
        braid_ohm(COPPER, width_mm=10.0, thickness_mm=1.0, length_mm=22.0, fill=fill)


@pytest.mark.parametrize("length", [0.0, -1.0, math.inf, math.nan])
def test_a_length_that_cannot_be_is_refused(length: float) -> None:
    with pytest.raises(ValueError, match="length"):
        wire_ohm(COPPER, gauge=12, length_mm=length)
