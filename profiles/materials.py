"""Handbook resistivities of what packs are joined with, and what a piece of it should have.

R = ρ·L/A; R(T) = R₂₀·(1 + α·(T − 20 °C)).
"""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Material:
    """Resistivity at 20 °C in Ω·m, its temperature coefficient per kelvin, and by what share the first may be off."""

    name: str
    resistivity_ohm_m: float
    alpha_per_k: float
    spread: float
    source: str


MATERIALS = (
    Material("nickel-plated steel", 1.4e-7, 5.0e-3, 0.40, "steel dominates; from memory"),
    # Handbooks spread from 6.1e-8 to 6.99e-8 Ω·m, pure to commercial.
    Material("nickel", 6.99e-8, 6.0e-3, 0.15, 'preproom.org, "Resistivity of metals"'),
    # 0.15328 Ω·g/m² over 8.89 g/cm³. Commercial copper lies within 2 % (from memory).
    Material("copper", 1.7241e-8, 3.93e-3, 0.02, "annealed copper standard, NBS Handbook 100, IEC 60028"),
    Material("aluminium", 2.8264e-8, 4.03e-3, 0.05, "IEC 60889, from memory"),
    Material("brass", 6.6e-8, 1.6e-3, 0.20, "from memory"),
)
_OTHER_WORDS = {"plated steel": "nickel-plated steel", "steel": "nickel-plated steel", "aluminum": "aluminium"}

BRAID_FILL, BRAID_FILL_SPREAD = 0.55, 0.15
"""Share of a braid's outline that is metal, and ± how much (common practice, no source: 0.40 to 0.70)."""


def material(words: str) -> Material | None:
    """Return the material that a pack file's words name ("copper braid", "nickel strip"), None if none is known."""
    plain = words.lower()
    for other, name in _OTHER_WORDS.items():
        if other in plain:
            plain = name
    return next((one for one in MATERIALS if one.name in plain), None)


def is_braid(words: str) -> bool:
    """Whether the words name a braid, of whose outline a part only is metal."""
    return "braid" in words.lower()


def conductor_ohm(one: Material, length_m: float, area_m2: float, temperature_c: float = 20.0) -> float:
    """Return a conductor's resistance in Ω. Raises ValueError unless length and area are above 0."""
    if not (length_m > 0.0 and area_m2 > 0.0):
        raise ValueError(f"found {length_m} m and {area_m2} m²; both above 0 would be right")
    return one.resistivity_ohm_m * length_m / area_m2 * (1.0 + one.alpha_per_k * (temperature_c - 20.0))
