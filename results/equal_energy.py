"""Voltage of several runs at equal delivered energy, up to what the poorest of them delivered.

At equal charge a pack that sags more looks no worse: it delivers less energy with each ampere-hour. At equal energy
both have done the same work.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from benchwarden.results.discharge import running
from benchwarden.results.figure import Figure, Figures
from benchwarden.results.run import Run
from benchwarden.results.series import Series

PERCENT = (10, 20, 30, 40, 50, 60, 70, 80, 90, 100)


@dataclass(frozen=True, slots=True)
class EqualEnergy:
    """One run at the common energy `energy_wh`: pack voltage at each percent of it, and the mean voltage up to it.

    `sag` has the order of PERCENT. `why_not` says why there is nothing.
    """

    energy_wh: float
    sag: tuple[Figure, ...]
    mean_v: Figure | None
    why_not: str = ""


def common_energy_wh(found: Sequence[Figures]) -> float | None:
    """Return the lowest delivered energy among runs in Wh, None where none was measured."""
    energies = [one["delivered_wh"].value for one in found if "delivered_wh" in one]
    return min(energies, default=None)


def at_equal_energy(run: Run, found: Figures, energy_wh: float) -> EqualEnergy:
    """Return one run's voltages at an energy that it delivered; `found` holds its figures.

    Linear between samples. Mean voltage is that energy by the charge it took. Needs 98 % of the discharge measured.
    """
    discharge = next((step for step in Series.of(run.samples).steps() if step.kind == "discharge"), None)
    if discharge is None or "delivered_wh" not in found:
        return EqualEnergy(energy_wh, (), None, "the run has no discharge step that was measured")
    if "sag_50_v" not in found:
        return EqualEnergy(energy_wh, (), None, found.missing.get("sag_50_v", "no sag curve"))
    measured = Series.of(discharge.samples).only("load").measured()
    charge, energy = running(measured)
    if not 0.0 < energy_wh <= energy[-1] * (1 + 1e-9):
        return EqualEnergy(energy_wh, (), None, f"the run delivered {energy[-1]:.2f} Wh only")
    meters = found.meters
    sag: list[Figure] = []
    gain = meters.gain("load", "voltage") + meters.gain("load", "current") + meters.clock()
    for percent in PERCENT:
        wanted = energy_wh * percent / 100
        row = int(np.clip(np.searchsorted(energy, wanted), 1, len(energy) - 1))
        (e0, e1), (v0, v1) = energy[row - 1 : row + 1].tolist(), measured.voltage_v[row - 1 : row + 1].tolist()
        slope = (v1 - v0) / (e1 - e0) if e1 > e0 else 0.0
        # An energy that reads high is reached too early: the place on the curve is off by the gain of the energy.
        volts = v0 + (wanted - e0) * slope
        value = meters.pack_v("load", volts, -float(measured.current_a[row])) - wanted * slope * gain
        where = (int(measured.sequence[row - 1]), int(measured.sequence[row]))
        formula = f"pack voltage at {percent} % of {energy_wh:.2f} Wh delivered, linear"
        sag.append(found.figure(value, "V", where, formula=formula))
    taken = float(np.interp(energy_wh, energy, charge))
    # The energy is given: its gain moves the moment, there the charge is taken, and that has the gain of the current.
    moved = gain * (energy_wh / taken / float(np.interp(energy_wh, energy, measured.voltage_v)))
    mean = energy_wh / taken * (1.0 + moved - meters.gain("load", "current") - meters.clock())
    mean = mean + meters.offset("load", "voltage")
    mean = mean + meters.leads_ohm() * taken * 3600.0 / float(measured.test_time_s[-1] - measured.test_time_s[0])
    where = (int(measured.sequence[0]), int(measured.sequence[-1]))
    formula = f"{energy_wh:.2f} Wh ÷ the charge that delivered them"
    return EqualEnergy(energy_wh, tuple(sag), found.figure(mean, "V", where, formula=formula))
