"""Resistance of the metal between the cells: strips, braids and wires from their geometry.

Lengths in millimetres, as drawings give them; resistances in ohm at 20 °C unless a temperature is given.
"""

import math
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Metal:
    """What a conductor is made of: resistivity at 20 °C, its temperature coefficient, the heat it holds."""

    name: str
    resistivity_ohm_m: float
    alpha_per_k: float
    density_kg_m3: float
    heat_j_per_kg_k: float


# International Annealed Copper Standard: 0.15328 ohm·g/m² over 8.89 g/cm³, coefficient 3.93e-3 /K at 20 °C
# (NBS Handbook 100; IEC 60028). Specific heats from memory.
COPPER = Metal("copper", 1.7241e-8, 3.93e-3, 8890.0, 385.0)
# Commercial nickel, preproom.org, "Resistivity of metals"; handbooks spread from 6.1e-8 to 6.99e-8 ohm·m.
NICKEL = Metal("nickel", 6.99e-8, 6.0e-3, 8900.0, 444.0)


def strip_ohm(metal: Metal, *, width_mm: float, thickness_mm: float, length_mm: float) -> float:
    """Return the resistance of a solid strip along its length, in ohm at 20 °C: R = ρ·L/A."""
    return metal.resistivity_ohm_m * 1e3 * _positive(length_mm, "length") / _area_mm2(width_mm, thickness_mm)


def braid_ohm(metal: Metal, *, width_mm: float, thickness_mm: float, length_mm: float, fill: float) -> float:
    """Return the resistance of a flat braid, in ohm at 20 °C.

    `fill` is the share of the outline that is metal, above 0 and at most 1 (common practice, no source:
    0.4-0.7). The longer way of the slanting strands is part of it. ValueError outside.
    """
    if not 0.0 < fill <= 1.0:
        raise ValueError(f"braid fill: found {fill}, right would be a share above 0 and at most 1")
    return strip_ohm(metal, width_mm=width_mm, thickness_mm=thickness_mm, length_mm=length_mm) / fill


def wire_diameter_mm(gauge: float) -> float:
    """Return the diameter of an American wire gauge number, in millimetres (ASTM B258: 0.127·92^((36-n)/39)).

    Gauge 0 is 0; 00 is -1, 000 is -2, 0000 is -3.
    """
    return 0.127 * math.pow(92.0, (36.0 - gauge) / 39.0)


def wire_ohm(metal: Metal, *, gauge: float, length_mm: float) -> float:
    """Return the resistance of one solid round wire of an American wire gauge number, in ohm at 20 °C."""
    area_mm2 = math.pi / 4.0 * wire_diameter_mm(gauge) ** 2
    return metal.resistivity_ohm_m * 1e3 * _positive(length_mm, "length") / area_mm2


def at_temperature_ohm(metal: Metal, ohm_at_20_c: float, temperature_c: float) -> float:
    """Return a resistance at another temperature, in ohm: R = R20·(1 + α·(T - 20 °C))."""
    return ohm_at_20_c * (1.0 + metal.alpha_per_k * (temperature_c - 20.0))


def heat_capacity_j_per_k(metal: Metal, volume_mm3: float) -> float:
    """Return the heat that warms a volume of metal by one kelvin, in J/K."""
    return metal.density_kg_m3 * metal.heat_j_per_kg_k * _positive(volume_mm3, "volume") * 1e-9


def _area_mm2(width_mm: float, thickness_mm: float) -> float:
    return _positive(width_mm, "width") * _positive(thickness_mm, "thickness")


def _positive(value: float, what: str) -> float:
    if not value > 0.0 or math.isinf(value):
        raise ValueError(f"conductor {what}: found {value}, right would be a finite number above 0")
    return value
