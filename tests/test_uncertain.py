import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from uncertainties import correlated_values, ufloat, umath

from benchwarden.results.uncertain import Inputs, Part, expand, share_within, t_factor, value_of, welch_satterthwaite


@pytest.mark.parametrize(
    ("dof", "factor"),
    # JCGM 100:2008, table G.2, column 95 %.
    [
        (1, 12.71),
        (2, 4.30),
        (3, 3.18),
        (4, 2.78),
        (5, 2.57),
        (9, 2.26),
        (10, 2.23),
        (19, 2.09),
        (20, 2.09),
        (30, 2.04),
        (50, 2.01),
        (None, 1.960),
    ],
)
def test_t_of_table_g_2(dof: float | None, factor: float) -> None:
    assert t_factor(dof) == pytest.approx(factor, abs=0.0051)


@pytest.mark.parametrize(("dof", "factor"), [(5, 2.65), (10, 2.28), (20, 2.13)])
def test_t_of_table_g_2_for_two_sigma(dof: float, factor: float) -> None:
    assert t_factor(dof, 0.9545) == pytest.approx(factor, abs=0.0051)


@settings(max_examples=60)
@given(st.floats(0.6, 1e6), st.floats(0.5, 0.999))
def test_t_is_scipys(dof: float, share: float) -> None:
    assert t_factor(dof, share) == pytest.approx(stats.t.ppf(0.5 + share / 2, dof), rel=1e-8)


def test_three_readings_and_k_2_cover_82_percent() -> None:
    # Arithmetic with Student's t at two degrees of freedom, by scipy.
    assert share_within(2.0, 2) == pytest.approx(stats.t.cdf(2, 2) - stats.t.cdf(-2, 2))
    assert share_within(2.0, 2) == pytest.approx(0.816, abs=5e-4)


@pytest.mark.parametrize(("dof", "share"), [(0.2, 0.95), (3.0, 1.0), (3.0, 0.0)])
def test_t_refuses_what_is_none(dof: float, share: float) -> None:
    with pytest.raises(ValueError, match="0 to 1"):
        t_factor(dof, share)


def test_end_gauge_of_gum_h_1() -> None:
    # JCGM 100:2008, H.1.6: 25, 9.7, 2.9 and 16.6 nm with 18, 25.6, 50 and 2 degrees of freedom; U99 = 93 nm. The
    # table's u of 32 nm is rounded up from 31.7, its 16 degrees of freedom are cut down.
    parts = [Part("", u, dof) for u, dof in ((25.0, 18.0), (9.7, 25.6), (2.9, 50.0), (16.6, 2.0))]
    found = expand(parts, 0.99)
    assert found.u == pytest.approx(31.671, abs=1e-3)
    assert found.dof == pytest.approx(16.76, abs=5e-3)
    assert t_factor(16, 0.99) * 32 == pytest.approx(93, abs=0.6)
    assert found.U == pytest.approx(93, abs=2.0)


def test_example_of_gum_g_4_1() -> None:
    # JCGM 100:2008, G.4.1: relative u 0.25, 0.57 and 0.82 % from 10, 5 and 15 readings: 1.03 %, 19.0, 2.09, 2.15 %.
    found = expand([Part("", 0.25, 9), Part("", 0.57, 4), Part("", 0.82, 14)])
    assert found.u == pytest.approx(1.03, abs=5e-3)
    assert found.dof == pytest.approx(19.0, abs=0.05)
    assert found.k == pytest.approx(2.093, abs=1e-3)
    assert found.U == pytest.approx(2.15, abs=6e-3)


def test_welch_satterthwaite_with_sensitivities() -> None:
    # Inputs of the example in the R package metRology, `welch.satterthwaite`; worked out by hand from G.2b.
    sizes = [(0.1, None), (2 * 0.3, 6.0), (3 * 0.2, 8.0), (0.5 * 1.1, 3.0)]
    assert math.sqrt(sum(u * u for u, _ in sizes)) == pytest.approx(1.016120072)
    assert welch_satterthwaite(sizes) == pytest.approx(15.607960958)
    assert welch_satterthwaite([(1.0, None)]) is None


def test_correlated_inputs_of_gum_h_2() -> None:
    # JCGM 100:2008, H.2, tables H.2 to H.4: volts, amperes and phase read together, five times.
    means = (4.9990, 19.6610e-3, 1.04446)
    u = (3.2094e-3, 9.471e-6, 7.5206e-4)
    r = {(0, 1): -0.3553, (0, 2): 0.8576, (1, 2): -0.6451}
    matrix = [[u[i] * u[j] * (1.0 if i == j else r[min(i, j), max(i, j)]) for j in range(3)] for i in range(3)]
    volts, amperes, phase = correlated_values(means, matrix)
    resistance, reactance = volts / amperes * umath.cos(phase), volts / amperes * umath.sin(phase)
    assert (resistance.nominal_value, resistance.std_dev) == pytest.approx((127.732, 0.071), abs=6e-4)
    assert (reactance.nominal_value, reactance.std_dev) == pytest.approx((219.847, 0.295), abs=1e-3)
    impedance = volts / amperes
    assert (impedance.nominal_value, impedance.std_dev) == pytest.approx((254.260, 0.236), abs=1e-3)


def test_specification_of_percent_and_range() -> None:
    # JCGM 100:2008, 4.3.7 example 2 and 5.1.5: 14e-6 of 0.928571 V + 2e-6 of 1 V: a = 15 µV, u = 8.7 µV; with 12 µV
    # from repeated readings 15 µV.
    inputs = Inputs()
    half = 14e-6 * 0.928571 + 2e-6
    value = 0.928571 + inputs.limits("meter", half) + inputs.scatter("repeated", 12e-6, 9)
    parts, _ = inputs.budget(value)
    assert {part.input: round(part.contribution * 1e6, 1) for part in parts} == {"meter": 8.7, "repeated": 12.0}
    assert expand(parts).u == pytest.approx(15e-6, abs=0.3e-6)


def test_power_of_two_meters() -> None:
    # 22.2 V ± (0.05 % + 0.02 % of 150 V), 20 A ± (0.1 % + 0.05 % of 60 A): u = √((20·0.0411/√3)² + (22.2·0.05/√3)²).
    inputs = Inputs()
    watts = (22.2 + inputs.limits("volts", 0.0411)) * (20.0 + inputs.limits("amperes", 0.05))
    found = expand(inputs.budget(watts)[0])
    by_hand = math.hypot(20 * 0.0411, 22.2 * 0.05) / math.sqrt(3)
    assert (value_of(watts), found.u) == pytest.approx((444.0, by_hand))
    assert found.u == pytest.approx(0.7974509, abs=1e-7)


@pytest.mark.parametrize(("correlated", "relative"), [(True, 6.45e-4), (False, 2.18e-2)])
def test_resistance_with_and_without_correlation(correlated: bool, relative: float) -> None:
    # 4.000 V at 1 A, 3.850 V at 11 A; ± (0.05 % + 2 mV) and ± (0.1 % + 30 mA). One meter: offsets cancel and
    # u/R = √((0.05 %)² + (0.1 %)²)/√3; four meters: by hand from the four limits. 34 times as much.
    inputs = Inputs()

    def read(value: float, gain: float, offset: float, meter: str, reading: str) -> object:
        if correlated:
            return value * (1 + inputs.limits(f"{meter} gain", gain)) + inputs.limits(f"{meter} offset", offset)
        return value + inputs.limits(reading, value * gain + offset)

    volts = [read(v, 5e-4, 2e-3, "volts", f"V{v}") for v in (4.0, 3.85)]
    amperes = [read(a, 1e-3, 0.03, "amperes", f"A{a}") for a in (1.0, 11.0)]
    ohm = (volts[0] - volts[1]) / (amperes[1] - amperes[0])  # type: ignore[operator]
    found = expand(inputs.budget(ohm)[0])
    assert value_of(ohm) == pytest.approx(0.015)
    assert found.u / 0.015 == pytest.approx(relative, rel=5e-3)


def test_what_is_unknown_leaves_no_uncertainty_and_names_the_line() -> None:
    inputs = Inputs()
    known, unknown = inputs.limits("known", 1.0), inputs.unknown("load voltage", "bench.toml: load")
    assert inputs.budget(1 + known + unknown)[1] == ("bench.toml: load",)
    assert inputs.budget((1 + known) * (2 + unknown) / (2 + unknown))[1] == ()
    assert inputs.budget(3.0) == ((), ())


def test_a_budget_rebuilds_what_two_runs_share() -> None:
    parts = [Part("gain", 0.3, None, "bench"), Part("mass of scale", 0.2, None, "pack"), Part("cut-off", 0.1)]
    inputs = Inputs()
    one, other = (inputs.again(10.0, parts, pack, run) for pack, run in (("Heron", "h/1"), ("Tern", "t/1")))
    left = {part.input: part.contribution for part in inputs.budget(one - other)[0]}
    assert left == {
        "mass of scale (Heron)": pytest.approx(0.2),
        "mass of scale (Tern)": pytest.approx(-0.2),
        "cut-off (h/1)": pytest.approx(0.1),
        "cut-off (t/1)": pytest.approx(-0.1),
    }


@settings(max_examples=50)
@given(st.lists(st.floats(0.01, 10.0), min_size=1, max_size=6))
def test_budget_adds_up_to_the_librarys_deviation(sizes: list[float]) -> None:
    inputs = Inputs()
    total = sum((n + 1) * inputs.limits(f"input {n}", size) for n, size in enumerate(sizes))
    direct = sum((n + 1) * ufloat(0.0, size / math.sqrt(3)) for n, size in enumerate(sizes))
    assert expand(inputs.budget(total)[0]).u == pytest.approx(direct.std_dev)
