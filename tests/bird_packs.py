"""Packs of any chemistry and size on an ideal bay, and their files: what the shipped profiles are run on.

The truth (cells, heat) is the simulator's; shapes of the open-circuit voltage are typical, from memory.
"""

from dataclasses import replace

from benchwarden.simulators.demo_packs import COBALT_OCV_V, NICKEL_RICH_OCV_V
from benchwarden.simulators.pack import CellModel, GroupModel, PackModel, ThermalModel
from benchwarden.simulators.scenario import BayScenario
from tests.ideal_bay import ideal_bay

RATED_AH = 5.0
IRON_PHOSPHATE_OCV_V = (
    (0.00, 2.50),
    (0.02, 2.90),
    (0.05, 3.08),
    (0.10, 3.20),
    (0.20, 3.26),
    (0.40, 3.29),
    (0.60, 3.31),
    (0.80, 3.33),
    (0.95, 3.34),
    (0.99, 3.40),
    (1.00, 3.60),
)
_OCV_V = {"li-ion": NICKEL_RICH_OCV_V, "lipo": COBALT_OCV_V, "lifepo4": IRON_PHOSPHATE_OCV_V}
CHEMISTRIES = tuple(_OCV_V)
_KG_PER_GROUP, _J_PER_KG_K = 0.07, 1000.0


def pack_model(chemistry: str, series: int, *, soc: float, capacity_ah: float, scale: float = 1.0) -> PackModel:
    """A pack of alike groups; `scale` makes it larger: so much more capacity and heat, so much less resistance."""
    cell = CellModel(
        chemistry,
        capacity_ah * scale,
        _OCV_V[chemistry],
        0.0045 / scale,
        pairs=((0.0015 / scale, 2.0), (0.0010 / scale, 30.0)),
    )
    heat = series * scale * _KG_PER_GROUP * _J_PER_KG_K
    share = series * scale / 6
    return PackModel(
        "Knot",
        cell,
        tuple(GroupModel(soc=soc) for _ in range(series)),
        thermal=ThermalModel(
            core_j_per_k=0.88 * heat,
            surface_j_per_k=0.12 * heat,
            core_to_surface_w_per_k=8.0 * share,
            surface_to_ambient_w_per_k=1.5 * share,
        ),
    )


def pack_text(chemistry: str, series: int, *, scale: float = 1.0) -> str:
    return (
        f'name = "Knot"\nchemistry = "{chemistry}"\nseries = {series}\nrated_capacity = "{RATED_AH * scale:g} Ah"\n'
        f'mass = "{1000 * _KG_PER_GROUP * series * scale:g} g"\nmax_charge = "{RATED_AH * scale:g} A"\n'
        f'max_discharge = "{9 * RATED_AH * scale:g} A"\nmax_burst = "{11 * RATED_AH * scale:g} A for 5 s"\n'
    )


def bay(
    chemistry: str, series: int, *, soc: float = 0.4, capacity_ah: float = 5.1, scale: float = 1.0, loads: int = 1
) -> BayScenario:
    model = pack_model(chemistry, series, soc=soc, capacity_ah=capacity_ah, scale=scale)
    return replace(ideal_bay(model, loads=loads))
