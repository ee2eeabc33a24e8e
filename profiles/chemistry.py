"""What each chemistry allows, per group: the values that stand in where a pack file gives none.

Common practice, no source: full charge, cut-offs under load, hard limits, storage and temperatures are those
that the trade uses for multirotor packs; a data sheet that is stricter wins. `wh_per_kg` is from memory.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType


@dataclass(frozen=True, slots=True)
class Chemistry:
    """One chemistry: volts per group, degrees Celsius; None where only a pack file can tell.

    `storage_fraction` is the share of the rated capacity to store at where voltage tells nothing about
    charge. `recover_below_v`: a group below it is charged at a tenth of C until it recovers, and only if somebody
    is there; below `recover_least_v` (None: the hard limit) it never is. `margin_v` is the least distance between a
    cut-off and the hard limit below it. `wh_per_kg`: what a pack of it typically holds for each kilogram.
    """

    name: str
    chargeable: bool
    full_v: float | None
    discharge_cut_off_v: float | None
    ladder_floor_v: float | None
    hard_low_v: float | None
    hard_high_v: float | None
    nominal_v: float | None
    storage_v: float | None
    storage_fraction: float | None
    recover_below_v: float | None
    temperature_cut_off_c: float
    temperature_limit_c: float
    wh_per_kg: float
    recover_least_v: float | None = None
    margin_v: float = 0.2

    @property
    def lowest_hard_low_v(self) -> float:
        """How far a pack file may lower the hard limit if it says so: never below what may still be charged."""
        low_v = self.hard_low_v or 0.0
        return self.recover_least_v if self.recover_least_v is not None else low_v


_ALL = (
    Chemistry("li-ion", True, 4.20, 2.5, 2.5, 2.2, 4.25, 3.6, 3.65, None, 2.5, 75, 80, 220, 2.0),
    Chemistry("lipo", True, 4.20, 3.0, 3.0, 2.7, 4.25, 3.7, 3.82, None, 2.5, 60, 65, 160, 2.0),
    Chemistry("li-hv", True, 4.35, 3.0, 3.0, 2.7, 4.40, 3.8, 3.85, None, 2.5, 60, 65, 170, 2.0),
    Chemistry("lifepo4", True, 3.65, 2.5, 2.0, 1.8, 3.75, 3.2, None, 0.4, 2.0, 60, 65, 110),
    Chemistry("na-ion", True, None, None, None, None, None, None, None, 0.4, None, 60, 65, 110),
    # NiMH groups move by tenths of a volt in all, so a cut-off 0.1 V above the hard limit is as far as it
    # goes.
    Chemistry("nimh", False, None, 0.9, 0.9, 0.8, 1.6, 1.2, None, None, None, 55, 60, 70, margin_v=0.1),
)

CHEMISTRIES: Mapping[str, Chemistry] = MappingProxyType({one.name: one for one in _ALL})
"""Every known chemistry by its name in pack files."""
