"""Physics of a pack: series groups as equivalent circuits, joints, leads and heat.

Inside this file the current is POSITIVE WHEN IT DISCHARGES (the circuit's own sense, V = OCV - I·R);
wiring.py turns it round for everybody else. Plain floats, no arrays: a step of six groups costs microseconds.

Each group is an open-circuit voltage over the state of charge, a resistance R0 and two RC pairs; R0 and the
pairs get smaller with temperature (Arrhenius). With the current constant over a step the pairs are updated
exactly: v ← v·e^(-h/τ) + I·R·(1 - e^(-h/τ)). Heat: I²·R0 + I·v_RC in the cells (Nieto et al. 2012,
equation 1, without the reversible, entropic part), I²·R in joints and leads.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise

SEGMENTS = 200  # of the uniform grid that tables are brought to
_KELVIN = 273.15

Table = tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True)
class CellModel:
    """One kind of cell (or of group): tables over the state of charge 0…1, values at `reference_c`.

    `ocv_v` and `r0_factor` are (state of charge, value) points with rising state of charge, linear between
    them and beyond. `pairs` are two (resistance in ohm, time constant in s). `activation_k` is the Arrhenius
    constant of all resistances: factor e^(B·(1/T - 1/T_ref)); 0 = no dependence. `crowding_a` is the current
    at which the first pair's resistance has doubled, R1·(1 + (I/I_c)²), because ions cannot follow a burst;
    infinite = never.
    """

    name: str
    capacity_ah: float
    ocv_v: Table
    r0_ohm: float
    r0_factor: Table = ((0.0, 1.0), (1.0, 1.0))
    pairs: tuple[tuple[float, float], tuple[float, float]] = ((0.0, 1.0), (0.0, 1.0))
    activation_k: float = 0.0
    crowding_a: float = math.inf
    reference_c: float = 25.0


@dataclass(frozen=True, slots=True)
class GroupModel:
    """How one group differs from the cell model: factors on capacity and all resistances; its charge."""

    soc: float = 1.0
    capacity_factor: float = 1.0
    resistance_factor: float = 1.0


@dataclass(frozen=True, slots=True)
class ThermalModel:
    """Heat capacities in J/K, conductances in W/K, sensor lags in s.

    The cells' core passes heat to their surface, the surface to the ambient. Joints sit on the surface, the
    connector (with the leads) in the ambient. `sensor_lag_s` is the time constant of every probe.
    """

    core_j_per_k: float = 400.0
    surface_j_per_k: float = 40.0
    core_to_surface_w_per_k: float = 4.0
    surface_to_ambient_w_per_k: float = 0.25
    joints_j_per_k: float = 5.0
    joints_w_per_k: float = 2.0
    connector_j_per_k: float = 10.0
    connector_w_per_k: float = 0.3
    sensor_lag_s: float = 6.0

    @property
    def longest_step_s(self) -> float:
        """Return the longest explicit step that stays well inside stability, in s."""
        surface = self.surface_j_per_k / (self.core_to_surface_w_per_k + self.surface_to_ambient_w_per_k)
        return 0.4 * min(surface, self.core_j_per_k / self.core_to_surface_w_per_k)


@dataclass(frozen=True, slots=True)
class PackModel:
    """A pack as built: groups in series, the metal between them, its leads, its heat.

    `joints_ohm` at 20 °C: negative end, between groups 1|2 … n-1|n, positive end (n + 1 values), or empty for
    none. A balance tap sits in the middle of its joint, the outer taps at the outer end of the end joints, so
    that half of each inner joint shows in each neighbouring group. `leads_ohm` is both leads and the
    connector, outside the taps. `mass_g` as flown.
    """

    name: str
    cell: CellModel
    groups: tuple[GroupModel, ...]
    joints_ohm: tuple[float, ...] = ()
    joints_alpha_per_k: float = 0.0
    leads_ohm: float = 0.0
    leads_alpha_per_k: float = 0.0
    thermal: ThermalModel = field(default_factory=ThermalModel)
    mass_g: float = 0.0
    rated_ah: float = 0.0
    nominal_v: float = 0.0

    def __post_init__(self) -> None:
        if not self.groups:
            raise ValueError(f"pack {self.name}: found no group, right would be at least one")
        if self.joints_ohm and len(self.joints_ohm) != len(self.groups) + 1:
            raise ValueError(
                f"pack {self.name}: found {len(self.joints_ohm)} joints, "
                f"right would be {len(self.groups) + 1} (one more than groups) or none"
            )


def constant_power_current_a(emf_v: float, resistance_ohm: float, power_w: float) -> float | None:
    """Return the current at which a source (emf, resistance) gives a power, in A; None if it cannot.

    The root at the high voltage, I = (E - √(E² - 4PR))/(2R), in the form 2P/(E + √…) that also holds for
    R = 0. The most a source can give is E²/4R at half its emf.
    """
    under = emf_v * emf_v - 4.0 * power_w * resistance_ohm
    if under < 0.0 or emf_v <= 0.0:
        return None
    return 2.0 * power_w / (emf_v + math.sqrt(under))


def uniform(table: Sequence[tuple[float, float]], what: str) -> list[float]:
    """Return a table's values on the uniform grid of `SEGMENTS` + 1 points over 0…1, linear between points.

    ValueError unless the first column rises from 0 (or below) to 1 (or above).
    """
    if len(table) < 2 or table[0][0] > 0.0 or table[-1][0] < 1.0:
        raise ValueError(f"{what}: right would be a table of at least two points that covers 0 to 1")
    if any(b[0] <= a[0] for a, b in pairwise(table)):
        raise ValueError(f"{what}: right would be a first column that rises from point to point")
    values = []
    k = 0
    for n in range(SEGMENTS + 1):
        x = n / SEGMENTS
        while k < len(table) - 2 and x > table[k + 1][0]:
            k += 1
        (x0, y0), (x1, y1) = table[k], table[k + 1]
        values.append(y0 + (y1 - y0) * (x - x0) / (x1 - x0))
    return values


class Pack:
    """The state of one pack; `step` moves it on with a constant current.

    After each step `emf_v` and `resistance_ohm` (leads and joints included) describe the pack as a source at
    its connector: V = emf_v - I·resistance_ohm. `heat_j` counts the heat made in "cells", "joints", "leads".
    """

    __slots__ = (
        "_decay",
        "_decay_h",
        "_gain",
        "_joint_share",
        "_ocv",
        "_ocv_slope",
        "_r0",
        "_r0_slope",
        "_scale",
        "ambient_c",
        "connector_c",
        "core_c",
        "emf_v",
        "group_emf_v",
        "group_ohm",
        "heat_j",
        "joint_c",
        "joints_ohm",
        "leads_ohm",
        "model",
        "probes_c",
        "resistance_ohm",
        "soc",
        "surface_c",
        "v1",
        "v2",
    )

    def __init__(self, model: PackModel, *, ambient_c: float = 23.0) -> None:
        self.model = model
        self.ambient_c = ambient_c
        self.core_c = self.surface_c = self.joint_c = self.connector_c = ambient_c
        self.probes_c = {
            "middle": ambient_c,
            "joint": ambient_c,
            "connector": ambient_c,
            "ambient": ambient_c,
        }
        n = len(model.groups)
        cell = model.cell
        self.soc = [group.soc for group in model.groups]
        self.v1 = [0.0] * n
        self.v2 = [0.0] * n
        self.heat_j = {"cells": 0.0, "joints": 0.0, "leads": 0.0}
        ocv = uniform(cell.ocv_v, f"cell {cell.name}: ocv_v")
        self._ocv = ocv
        self._ocv_slope = [b - a for a, b in pairwise(ocv)]
        r0 = [cell.r0_ohm * factor for factor in uniform(cell.r0_factor, f"cell {cell.name}: r0_factor")]
        self._r0 = r0
        self._r0_slope = [b - a for a, b in pairwise(r0)]
        self._gain = [1.0 / (3600.0 * cell.capacity_ah * group.capacity_factor) for group in model.groups]
        self._scale = [group.resistance_factor for group in model.groups]
        self._joint_share = _joint_shares(model)
        self._decay_h = -1.0
        self._decay = (0.0,) * 5
        self.group_emf_v = [0.0] * n
        self.group_ohm = [0.0] * n
        self.emf_v = self.resistance_ohm = self.joints_ohm = self.leads_ohm = 0.0
        self.step(0.0, 0.0)

    def step(self, current_a: float, h_s: float) -> None:
        """Move on by `h_s` seconds with a constant current, positive discharges (A)."""
        model = self.model
        cell = model.cell
        if h_s != self._decay_h:
            self._set_decay(h_s)
        d1, d2, _, _, _ = self._decay
        factor = 1.0
        if cell.activation_k:
            factor = math.exp(cell.activation_k * (1.0 / (self.core_c + _KELVIN) - 1.0 / (cell.reference_c + _KELVIN)))
        crowded = current_a / cell.crowding_a
        up1 = current_a * cell.pairs[0][0] * (1.0 + crowded * crowded) * factor * (1.0 - d1)
        up2 = current_a * cell.pairs[1][0] * factor * (1.0 - d2)
        charge = current_a * h_s
        joint_factor = 1.0 + model.joints_alpha_per_k * (self.joint_c - 20.0)
        soc, v1, v2, gain, scale = self.soc, self.v1, self.v2, self._gain, self._scale
        ocv, ocv_slope, r0, r0_slope = self._ocv, self._ocv_slope, self._r0, self._r0_slope
        emf_g, ohm_g, share = self.group_emf_v, self.group_ohm, self._joint_share
        last = SEGMENTS - 1
        emf = ohm = polarised = joints = 0.0
        for g in range(len(soc)):
            s = soc[g] - charge * gain[g]
            soc[g] = s
            k = scale[g]
            a = v1[g] * d1 + up1 * k
            b = v2[g] * d2 + up2 * k
            v1[g] = a
            v2[g] = b
            x = s * SEGMENTS
            i = int(x)
            if i > last:
                i = last
            elif x < 0.0:
                i = 0
            x -= i
            e = ocv[i] + x * ocv_slope[i] - a - b
            r = (r0[i] + x * r0_slope[i]) * k * factor
            j = share[g] * joint_factor
            emf_g[g] = e
            ohm_g[g] = r + j
            emf += e
            ohm += r
            joints += j
            polarised += a + b
        self.joints_ohm = joints
        self.leads_ohm = model.leads_ohm * (1.0 + model.leads_alpha_per_k * (self.connector_c - 20.0))
        self.emf_v = emf
        self.resistance_ohm = ohm + joints + self.leads_ohm
        if h_s > 0.0:
            square = current_a * current_a
            self._warm(square * ohm + current_a * polarised, square * joints, square * self.leads_ohm, h_s)

    def group_voltages_v(self, current_a: float) -> list[float]:
        """Return the voltage between neighbouring taps at a current (positive discharges), group 1 first."""
        return [e - current_a * r for e, r in zip(self.group_emf_v, self.group_ohm, strict=True)]

    def _set_decay(self, h_s: float) -> None:
        (_, tau1), (_, tau2) = self.model.cell.pairs
        heat = self.model.thermal
        self._decay_h = h_s
        self._decay = (
            math.exp(-h_s / tau1),
            math.exp(-h_s / tau2),
            math.exp(-h_s * heat.joints_w_per_k / heat.joints_j_per_k),
            math.exp(-h_s * heat.connector_w_per_k / heat.connector_j_per_k),
            math.exp(-h_s / heat.sensor_lag_s) if heat.sensor_lag_s > 0.0 else 0.0,
        )

    def _warm(self, cells_w: float, joints_w: float, leads_w: float, h_s: float) -> None:
        heat = self.model.thermal
        _, _, joint_decay, connector_decay, lag = self._decay
        made = self.heat_j
        made["cells"] += cells_w * h_s
        made["joints"] += joints_w * h_s
        made["leads"] += leads_w * h_s
        inward = heat.core_to_surface_w_per_k * (self.core_c - self.surface_c)
        # Exact for a constant surface: what the joints do not keep goes to the surface, so no heat is lost.
        joint_end = self.surface_c + joints_w / heat.joints_w_per_k
        joint = joint_end + (self.joint_c - joint_end) * joint_decay
        from_joints_j = joints_w * h_s - heat.joints_j_per_k * (joint - self.joint_c)
        outward = heat.surface_to_ambient_w_per_k * (self.surface_c - self.ambient_c)
        self.core_c += (cells_w - inward) * h_s / heat.core_j_per_k
        self.surface_c += ((inward - outward) * h_s + from_joints_j) / heat.surface_j_per_k
        self.joint_c = joint
        connector_end = self.ambient_c + leads_w / heat.connector_w_per_k
        self.connector_c = connector_end + (self.connector_c - connector_end) * connector_decay
        probes = self.probes_c
        probes["middle"] = self.surface_c + (probes["middle"] - self.surface_c) * lag
        probes["joint"] = joint + (probes["joint"] - joint) * lag
        probes["connector"] = self.connector_c + (probes["connector"] - self.connector_c) * lag
        probes["ambient"] = self.ambient_c + (probes["ambient"] - self.ambient_c) * lag


def _joint_shares(model: PackModel) -> list[float]:
    """Split the joints among the groups as their taps see them."""
    n = len(model.groups)
    if not model.joints_ohm:
        return [0.0] * n
    joints = model.joints_ohm
    shares = []
    for g in range(n):
        below = joints[g] if g == 0 else joints[g] / 2.0
        above = joints[g + 1] if g == n - 1 else joints[g + 1] / 2.0
        shares.append(below + above)
    return shares
