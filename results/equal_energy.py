"""Voltage of several runs at equal delivered energy, up to what the poorest of them delivered.

At equal charge a pack that sags more looks no worse: it delivers less energy with each ampere-hour. At equal energy
both have done the same work.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from benchwarden.results.discharge import begun_s, ends_of
from benchwarden.results.figure import Figure, Figures
from benchwarden.results.integrate import running
from benchwarden.results.run import Run
from benchwarden.results.series import Series
from benchwarden.results.uncertain import Uncertain

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
    hours = (measured.test_time_s - measured.test_time_s[0]) / 3600.0
    means_v = 0.5 * (measured.voltage_v[1:] + measured.voltage_v[:-1])
    volt_hours = np.concatenate(([0.0], np.cumsum(means_v * np.diff(hours))))
    at_start = ends_of(meters, measured, begun_s(Series.of(run.samples), measured), False, discharge.count)
    first_a, first_v = -float(measured.current_a[0]), float(measured.voltage_v[0])
    gain_a = meters.gain("load", "current") + meters.clock()

    def off_by(wanted_wh: float) -> tuple[Uncertain, Uncertain]:
        """Return what charge and energy may be off by where the energy reads `wanted_wh`."""
        ah, h, volt_h = (float(np.interp(wanted_wh, energy, column)) for column in (charge, hours, volt_hours))
        early_ah = first_a * at_start.early_s / 3600.0
        of_charge = ah * gain_a + meters.offset("load", "current") * h + early_ah
        of_energy = wanted_wh * (gain_a + meters.gain("load", "voltage")) + meters.offset("load", "voltage") * ah
        of_energy = of_energy + meters.offset("load", "current") * volt_h + first_v * early_ah
        return of_charge, of_energy + meters.leads_ohm() * (ah * ah / h if h > 0.0 else 0.0)

    sag: list[Figure] = []
    for percent in PERCENT:
        wanted = energy_wh * percent / 100
        row = int(np.clip(np.searchsorted(energy, wanted), 1, len(energy) - 1))
        (e0, e1), (v0, v1) = energy[row - 1 : row + 1].tolist(), measured.voltage_v[row - 1 : row + 1].tolist()
        slope = (v1 - v0) / (e1 - e0) if e1 > e0 else 0.0
        # More energy than was read: its place on the curve lies before the one where the reading says so.
        value = meters.pack_v("load", v0 + (wanted - e0) * slope, -float(measured.current_a[row]))
        value = value - slope * off_by(wanted)[1]
        where = (int(measured.sequence[row - 1]), int(measured.sequence[row]))
        formula = f"pack voltage at {percent} % of {energy_wh:.2f} Wh delivered, linear"
        sag.append(found.figure(value, "V", where, formula=formula))
    of_charge, of_energy = off_by(energy_wh)
    # The charge is taken where the energy is reached: what the energy is off by moves that moment.
    taken = float(np.interp(energy_wh, energy, charge)) + of_charge
    mean = energy_wh / (taken - of_energy / float(np.interp(energy_wh, energy, measured.voltage_v)))
    where = (int(measured.sequence[0]), int(measured.sequence[-1]))
    formula = f"{energy_wh:.2f} Wh ÷ the charge that delivered them"
    return EqualEnergy(energy_wh, tuple(sag), found.figure(mean, "V", where, formula=formula))
