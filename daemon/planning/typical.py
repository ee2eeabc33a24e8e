"""What a pack is likely to be, as far as its file and its chemistry tell: the pack behind a forecast.

Shapes and shares are typical and from memory; they serve estimates only. Nothing that is switched or judged depends
on them.
"""

from dataclasses import dataclass, replace

from benchwarden.profiles.pack import Build, Pack, PackValues
from benchwarden.simulators.conductors import COPPER, NICKEL
from benchwarden.simulators.pack import CellModel, GroupModel, PackModel, Table, ThermalModel


@dataclass(frozen=True, slots=True)
class Typical:
    """One chemistry: open-circuit volts over the share of charge, ohm × ampere-hours of a group."""

    ocv_v: Table
    ohm_ah: float


_SLOPING = ((0.0, 2.55), (0.02, 2.95), (0.05, 3.20), (0.10, 3.38), (0.20, 3.50), (0.30, 3.58), (0.40, 3.64))
_CHEMISTRIES: dict[str, Typical] = {
    "li-ion": Typical((*_SLOPING, (0.5, 3.71), (0.6, 3.81), (0.7, 3.90), (0.8, 3.99), (0.9, 4.08), (1.0, 4.20)), 0.12),
    "lipo": Typical(
        ((0.0, 3.10), (0.05, 3.60), (0.1, 3.68), (0.2, 3.74), (0.4, 3.80), (0.6, 3.90), (0.8, 4.04), (1.0, 4.20)),
        0.05,
    ),
    "li-hv": Typical(
        ((0.0, 3.10), (0.05, 3.60), (0.1, 3.68), (0.2, 3.75), (0.4, 3.84), (0.6, 3.97), (0.8, 4.14), (1.0, 4.35)),
        0.05,
    ),
    "lifepo4": Typical(
        ((0.0, 2.50), (0.03, 2.95), (0.1, 3.20), (0.3, 3.27), (0.5, 3.29), (0.7, 3.32), (0.98, 3.36), (1.0, 3.65)),
        0.05,
    ),
    # Hard carbon slopes nearly evenly; the ends are the pack file's, which has to give them.
    "na-ion": Typical(((0.0, 2.0), (1.0, 3.9)), 0.07),
    "nimh": Typical(((0.0, 1.00), (0.1, 1.20), (0.5, 1.26), (0.9, 1.33), (1.0, 1.42)), 0.05),
}
# A cell at its largest continuous current gives up about a fifth of its voltage.
_SAG_SHARE = 0.2
# How much of a group's resistance acts at once, within seconds, within a minute.
_AT_ONCE, _QUICK, _SLOW = 0.55, 0.25, 0.20
_QUICK_S, _SLOW_S = 2.0, 40.0
EDGE_SHARE = _AT_ONCE + _QUICK
"""The share of the resistance that is seen in the first seconds after an edge."""
_ACTIVATION_K = 1000.0
_CELLS_SHARE = 0.93  # of a pack's mass
_HEAT_J_PER_KG_K = 1000.0
_SURFACE_SHARE = 0.12
# Watts per kelvin from a pack of 0.45 kg to its surroundings, by the bench file's `cooling`; as its surface grows.
_COOLING_W_PER_K = {"fan": 0.8, "still air": 0.35, "box": 0.2}
_OF_KG = 0.45
_CONNECTORS_OHM = 0.0004


@dataclass(frozen=True, slots=True)
class Expected:
    """The pack to forecast with, its whole resistance in ohm, and in words what of it is a guess."""

    model: PackModel
    resistance_ohm: float
    words: tuple[str, ...]


def group_ohm(pack: PackValues) -> float:
    """Return what a group's resistance is likely to be, by its chemistry and by its largest continuous current."""
    by_chemistry = _CHEMISTRIES[pack.chemistry].ohm_ah / pack.rated_capacity_ah
    return min(by_chemistry, _SAG_SHARE * pack.nominal_v / pack.max_discharge_a)


def expected(pack: Pack, values: PackValues, cooling: str, start_soc: float, edge_ohm: float | None = None) -> Expected:
    """Return the pack that its file makes one expect, every group `start_soc` (0 to 1) full.

    `edge_ohm`: the whole pack's resistance as an earlier run has measured it at a load's edge, ohm.
    """
    words: list[str] = []
    joints_ohm, leads_ohm = _metal_ohm(pack.build, values.series)
    metal_ohm = sum(joints_ohm) + leads_ohm
    if edge_ohm is None:
        ohm = group_ohm(values)
        whole_ohm = values.series * ohm + metal_ohm
        words.append(f"resistance {1e3 * whole_ohm:.0f} mohm: typical of {values.chemistry}, not measured")
    else:
        ohm = max(edge_ohm - metal_ohm, 0.2 * edge_ohm) / values.series / EDGE_SHARE
    kg = values.mass_kg
    if kg is None:
        kg = values.typical_kg
        words.append(f"mass {1e3 * kg:.0f} g: typical of {values.chemistry}, the pack file gives none")
    cell = CellModel(
        name=values.chemistry,
        capacity_ah=values.rated_capacity_ah,
        ocv_v=_open_circuit(values),
        r0_ohm=_AT_ONCE * ohm,
        r0_factor=((0.0, 1.5), (0.1, 1.15), (0.3, 1.0), (1.0, 1.0)),
        pairs=((_QUICK * ohm, _QUICK_S), (_SLOW * ohm, _SLOW_S)),
        activation_k=_ACTIVATION_K,
    )
    model = PackModel(
        name=values.name,
        cell=cell,
        groups=(GroupModel(soc=start_soc),) * values.series,
        joints_ohm=joints_ohm,
        joints_alpha_per_k=COPPER.alpha_per_k,
        leads_ohm=leads_ohm,
        leads_alpha_per_k=COPPER.alpha_per_k,
        thermal=_thermal(kg, cooling),
        mass_g=1e3 * kg,
        rated_ah=values.rated_capacity_ah,
        nominal_v=values.nominal_pack_v,
    )
    return Expected(model, values.series * ohm + metal_ohm, tuple(words))


def _open_circuit(values: PackValues) -> Table:
    """The chemistry's shape, drawn so that it ends at this pack's full voltage (and begins at its cut-off: Na-ion)."""
    table = _CHEMISTRIES[values.chemistry].ocv_v
    empty_v, full_v = table[0][1], table[-1][1]
    top_v = full_v if values.full_v is None else values.full_v
    if values.chemistry == "na-ion":
        return ((0.0, values.discharge_cut_off_v), (1.0, top_v))
    scale = (top_v - empty_v) / (full_v - empty_v)
    if scale <= 0.0:
        return ((0.0, min(values.discharge_cut_off_v, 0.9 * top_v)), (1.0, top_v))
    return tuple((soc, empty_v + scale * (volts - empty_v)) for soc, volts in table)


def _metal_ohm(build: Build | None, series: int) -> tuple[tuple[float, ...], float]:
    """Joints (one more than groups) and both leads with their connector, ohm at 20 °C, as far as the file tells."""
    joints_ohm: tuple[float, ...] = ()
    if build is not None and (links := build.links) is not None:
        metal = NICKEL if "nickel" in links.material.lower() else COPPER
        area_m2 = links.width_m * links.thickness_m * links.filled
        joints_ohm = (metal.resistivity_ohm_m * links.length_m / area_m2,) * (series + 1)
    leads_ohm = 0.0
    if build is not None and (leads := build.leads) is not None:
        leads_ohm = 2.0 * COPPER.resistivity_ohm_m * leads.length_m / leads.area_m2 + _CONNECTORS_OHM
    return joints_ohm, leads_ohm


def _thermal(kg: float, cooling: str) -> ThermalModel:
    heat = _CELLS_SHARE * kg * _HEAT_J_PER_KG_K
    core_j, surface_j = heat * (1.0 - _SURFACE_SHARE), heat * _SURFACE_SHARE
    size = (kg / _OF_KG) ** (2.0 / 3.0)
    return replace(
        ThermalModel(),
        core_j_per_k=core_j,
        surface_j_per_k=surface_j,
        core_to_surface_w_per_k=7.0 * size,
        surface_to_ambient_w_per_k=_COOLING_W_PER_K.get(cooling, 0.35) * size,
        joints_j_per_k=5.0 * size,
        joints_w_per_k=5.0 * size,
        connector_j_per_k=10.0 * size,
        connector_w_per_k=0.3 * size,
    )
