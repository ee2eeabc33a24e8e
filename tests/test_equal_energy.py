import math
from pathlib import Path

import numpy as np
import pytest
from scipy.integrate import cumulative_trapezoid, simpson

from benchwarden.results.equal_energy import PERCENT, at_equal_energy, common_energy_wh
from benchwarden.results.figures import figures
from benchwarden.results.integrate import integrate
from benchwarden.results.reading import read_run
from benchwarden.results.series import Series
from tests.synthetic_run import Writer, discharge_run

LOAD = {"accuracy": {"voltage": "0.05 % + 30 mV", "current": "0.1 % + 60 mA"}}


def test_voltage_at_equal_energy_against_its_closed_form(tmp_path: Path) -> None:
    # Constant power: the energy is P·t, and V falls with the charge: V² − (V0 − k q) V + P R = 0. With E = P·t and
    # dq = P/V dt, E(V) = (P/k) [(Vt0² − V²)/2P − R ln(Vt0/V)] in V·Ah (worked by hand); solved for V here.
    writer = discharge_run()
    run = read_run(writer.finish(tmp_path, writer.info(instruments={"load": LOAD})))
    found = figures(run)
    energy = 80.0
    told = at_equal_energy(run, found, energy)
    start = (25.2 + math.sqrt(25.2**2 - 4 * 0.02 * 300)) / 2

    def energy_at(volts: float) -> float:
        return 300 / 1.2 * ((start**2 - volts**2) / 600 - 0.02 * math.log(start / volts))

    for percent, figure in zip(PERCENT, told.sag, strict=True):
        assert energy_at(figure.value) == pytest.approx(energy * percent / 100, rel=2e-5, abs=2e-4)
        assert figure.U is not None
    last = told.sag[-1].value
    charge = (25.2 - last - 0.02 * 300 / last) / 1.2
    assert told.mean_v is not None
    assert told.mean_v.value == pytest.approx(energy / charge, rel=1e-5)
    # The voltage's gain and offset most of all. An energy that reads low is reached later, where the voltage has
    # fallen on: the mean then moves by more than the voltage does, by mean ÷ voltage at the end.
    mean = told.mean_v
    share = mean.value / last
    # The current's gain and offset move charge and energy alike: what is left is the difference of the two.
    left = [mean.value * (1 - share) * part for part in (1e-3, 0.06 * energy / 300 / charge)]
    by_hand = math.hypot(mean.value * share * 5e-4, share * 0.03, *left) / math.sqrt(3)
    assert mean.u == pytest.approx(by_hand, rel=0.01)


def test_common_energy_is_the_poorest_and_more_is_refused(tmp_path: Path) -> None:
    rich, poor = discharge_run(), discharge_run(cut_off_v=3.5)
    runs = [read_run(writer.finish(tmp_path / name)) for writer, name in ((rich, "rich"), (poor, "poor"))]
    found = [figures(run) for run in runs]
    energy = common_energy_wh(found)
    assert energy == found[1]["delivered_wh"].value
    assert energy is not None
    assert at_equal_energy(runs[1], found[1], energy).why_not == ""
    assert "delivered" in at_equal_energy(runs[1], found[1], energy * 1.01).why_not
    assert common_energy_wh([]) is None
    rest = Writer()
    rest.begin("rest")
    rest.rest(5)
    run = read_run(rest.finish(tmp_path / "rest"))
    assert "no discharge" in at_equal_energy(run, figures(run), 10.0).why_not


def test_charge_and_energy_against_scipys_integrators_and_the_exact_curve() -> None:
    # I = 10 e^(−t/300), V = 24 − t/100 over 600 s: ∫I = 3000 (1 − e^−2), and ∫VI by parts; scipy's trapezoid and
    # Simpson's rule.
    times = np.linspace(0.0, 600.0, 1201)
    amperes, volts = 10.0 * np.exp(-times / 300.0), 24.0 - times / 100.0
    writer = Writer()
    writer.begin("discharge")
    writer.put(0.0, "load", "draw")
    base = Series.of(writer.samples * len(times))
    samples = Series(
        **{name: getattr(base, name) for name in base.__dataclass_fields__}
        | {"test_time_s": times, "current_a": -amperes, "voltage_v": volts, "sequence": np.arange(len(times))}
    )
    found = integrate(samples, "load")
    assert found is not None
    power = amperes * volts
    assert found.charge_ah * 3600 == pytest.approx(cumulative_trapezoid(amperes, times)[-1], rel=1e-12)
    assert found.energy_wh * 3600 == pytest.approx(cumulative_trapezoid(power, times)[-1], rel=1e-12)
    exact_c = 3000.0 * (1.0 - math.exp(-2.0))
    exact_j = 24.0 * exact_c - 10.0 / 100.0 * (300.0**2 * (1.0 - 3.0 * math.exp(-2.0)))
    assert simpson(amperes, x=times) == pytest.approx(exact_c, rel=1e-10)
    assert simpson(power, x=times) == pytest.approx(exact_j, rel=1e-10)
    assert found.charge_ah * 3600 == pytest.approx(exact_c, rel=1e-6)
    # Richardson's estimate of the rule's own error is its error, within a percent.
    assert found.charge_rule_ah == pytest.approx(abs(found.charge_ah - exact_c / 3600), rel=0.01)
    assert found.energy_rule_wh == pytest.approx(abs(found.energy_wh - exact_j / 3600), rel=0.01)
    assert found.mean_v == pytest.approx(21.0)
