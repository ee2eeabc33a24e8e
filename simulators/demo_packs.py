"""The three invented packs of a coastal bird survey, as truth behind the simulated instruments.

The program under test never reads this. Where no source is named, a value is typical and from memory; the cells
were chosen so that a run looks as runs of such packs do (ranges in tests/test_pack_physics.py).
"""

from dataclasses import replace

from benchwarden.simulators.conductors import (
    COPPER,
    NICKEL,
    braid_ohm,
    heat_capacity_j_per_k,
    strip_ohm,
    wire_ohm,
)
from benchwarden.simulators.pack import CellModel, GroupModel, PackModel, Table, ThermalModel

STORAGE_SOC = 0.40

# Open-circuit voltage of a nickel-rich cell on graphite: typical shape, from memory.
NICKEL_RICH_OCV_V: Table = (
    (0.00, 2.50),
    (0.01, 2.80),
    (0.02, 2.98),
    (0.04, 3.15),
    (0.07, 3.29),
    (0.10, 3.38),
    (0.15, 3.45),
    (0.20, 3.50),
    (0.30, 3.58),
    (0.40, 3.64),
    (0.50, 3.71),
    (0.60, 3.80),
    (0.70, 3.90),
    (0.80, 4.00),
    (0.90, 4.08),
    (0.95, 4.12),
    (1.00, 4.20),
)
# Lithium cobalt oxide on graphite, pouch: typical shape, from memory.
COBALT_OCV_V: Table = (
    (0.00, 3.00),
    (0.02, 3.40),
    (0.05, 3.60),
    (0.10, 3.68),
    (0.20, 3.74),
    (0.30, 3.77),
    (0.40, 3.80),
    (0.50, 3.84),
    (0.60, 3.90),
    (0.70, 3.97),
    (0.80, 4.04),
    (0.90, 4.11),
    (1.00, 4.20),
)

# A cylindrical cell of 21 x 70 mm made for high power: about 11 mΩ within a few seconds in the middle of its
# charge, more in a burst (typical, from memory).
POWER_CELL = CellModel(
    name="21700 high power",
    capacity_ah=5.0,
    ocv_v=NICKEL_RICH_OCV_V,
    r0_ohm=0.009,
    r0_factor=((0.0, 1.5), (0.1, 1.15), (0.3, 1.0), (0.8, 1.0), (1.0, 1.05)),
    pairs=((0.003, 2.0), (0.002, 40.0)),
    activation_k=900.0,
    crowding_a=38.0,
)
POUCH_CELL = CellModel(
    name="pouch",
    capacity_ah=4.9,
    ocv_v=COBALT_OCV_V,
    r0_ohm=0.0045,
    r0_factor=((0.0, 1.6), (0.1, 1.2), (0.3, 1.0), (0.8, 1.0), (1.0, 1.05)),
    pairs=((0.0015, 1.5), (0.0018, 30.0)),
    activation_k=1200.0,
    crowding_a=90.0,
)
CELL_MASS_G = 70.0
# 1000 J/(kg K): batterydesign.net, "Specific heat capacity of lithium ion cells", range 800-1100.
CELL_HEAT_J_PER_KG_K = 1000.0
_SURFACE_SHARE = 0.12  # of the heat capacity: can, label and what touches the air


def heron() -> PackModel:
    """Return the pack with soldered copper braid (10 x 1 mm, 22 mm long, 55 % filled)."""
    link_ohm = braid_ohm(COPPER, width_mm=10.0, thickness_mm=1.0, length_mm=22.0, fill=0.55)
    link_j_per_k = heat_capacity_j_per_k(COPPER, 10.0 * 1.0 * 22.0 * 0.55)
    return _power_pack("Heron", link_ohm, COPPER.alpha_per_k, link_j_per_k, link_w_per_k=2.0, mass_g=452.0)


def plover() -> PackModel:
    """Return the pack of the same cells with welded nickel strip (8 x 0.15 mm, 20 mm long)."""
    link_ohm = strip_ohm(NICKEL, width_mm=8.0, thickness_mm=0.15, length_mm=20.0)
    link_j_per_k = heat_capacity_j_per_k(NICKEL, 8.0 * 0.15 * 20.0)
    return _power_pack("Plover", link_ohm, NICKEL.alpha_per_k, link_j_per_k, link_w_per_k=0.6, mass_g=441.0)


def tern() -> PackModel:
    """Return the bought pouch pack whose label promises much; its group 4 is weaker than the others."""
    groups = [_stored(1.0, 1.0)] * 6
    groups[3] = _stored(0.95, 1.5)
    heat = 0.72 * 1000.0
    return PackModel(
        name="Tern",
        cell=POUCH_CELL,
        groups=tuple(groups),
        joints_ohm=(0.0001,) * 7,
        joints_alpha_per_k=COPPER.alpha_per_k,
        leads_ohm=2.0 * wire_ohm(COPPER, gauge=10, length_mm=120.0) + 0.0004,
        leads_alpha_per_k=COPPER.alpha_per_k,
        thermal=ThermalModel(
            core_j_per_k=heat * (1.0 - _SURFACE_SHARE),
            surface_j_per_k=heat * _SURFACE_SHARE,
            core_to_surface_w_per_k=6.0,
            surface_to_ambient_w_per_k=0.5,
            joints_j_per_k=4.0,
            joints_w_per_k=4.0,
            connector_j_per_k=12.0,
            connector_w_per_k=0.4,
        ),
        mass_g=768.0,
        rated_ah=5.0,
        nominal_v=22.2,
    )


def _stored(capacity_factor: float, resistance_factor: float) -> GroupModel:
    # Balanced when it was last full: a smaller group has gone further down since.
    soc = 1.0 - (1.0 - STORAGE_SOC) / capacity_factor
    return GroupModel(soc=soc, capacity_factor=capacity_factor, resistance_factor=resistance_factor)


def _power_pack(
    name: str, link_ohm: float, alpha_per_k: float, link_j_per_k: float, *, link_w_per_k: float, mass_g: float
) -> PackModel:
    heat = 6 * CELL_MASS_G * 1e-3 * CELL_HEAT_J_PER_KG_K
    # Cells of one batch differ a little; factors drawn once by hand.
    spread = ((1.000, 1.00), (0.998, 1.02), (1.002, 0.99), (0.997, 1.03), (1.001, 0.98), (0.999, 1.01))
    return PackModel(
        name=name,
        cell=POWER_CELL,
        groups=tuple(_stored(capacity, resistance) for capacity, resistance in spread),
        joints_ohm=(link_ohm,) * 7,
        joints_alpha_per_k=alpha_per_k,
        # Two leads of 12 AWG, 160 mm, and a connector pair of 0.2 mΩ each (typical, from memory).
        leads_ohm=2.0 * wire_ohm(COPPER, gauge=12, length_mm=160.0) + 0.0004,
        leads_alpha_per_k=COPPER.alpha_per_k,
        thermal=ThermalModel(
            core_j_per_k=heat * (1.0 - _SURFACE_SHARE),
            surface_j_per_k=heat * _SURFACE_SHARE,
            core_to_surface_w_per_k=8.0,
            surface_to_ambient_w_per_k=1.05,
            joints_j_per_k=7 * link_j_per_k,
            joints_w_per_k=7 * link_w_per_k,
            connector_j_per_k=9.0,
            connector_w_per_k=0.3,
        ),
        mass_g=mass_g,
        rated_ah=5.0,
        nominal_v=21.6,
    )


def at_soc(pack: PackModel, soc: float) -> PackModel:
    """Return a pack with every group at one state of charge, 0…1."""
    return replace(pack, groups=tuple(replace(group, soc=soc) for group in pack.groups))
