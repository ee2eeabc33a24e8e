"""The craft that is to hover with a pack: its file, and the power that hovering takes.

Momentum theory: an ideal disc needs T^1.5 / √(2ρA) to bear a thrust T, so that power goes with mass^1.5.
"""

import math

from pydantic import BaseModel, ConfigDict, Field, model_validator

from benchwarden.profiles.mistakes import keys_of, read_toml
from benchwarden.profiles.quantity import Area, Length, Mass, Power, Share

GRAVITY_M_S2 = 9.80665
"""Standard gravity (CGPM 1901)."""
AIR_KG_M3 = 1.225
"""Air at 15 °C and 1013.25 hPa (ISO 2533)."""

_STRICT = ConfigDict(extra="forbid", frozen=True)


class Hover(BaseModel):
    """One measured hover: electrical power in W at a total mass in kg."""

    model_config = _STRICT
    power_w: Power = Field(alias="power")
    mass_kg: Mass = Field(alias="mass")


class Craft(BaseModel):
    """A craft file: mass without the pack, and either discs with their efficiency or one measured hover.

    `efficiency` is ideal power ÷ electrical power: figure of merit × motor × controller. `power_accuracy` bounds how
    far the power may be off, by a share; None: taken as exact. `reserve` is the share of the energy that stays unused.
    """

    model_config = _STRICT
    name: str = Field(min_length=1, max_length=60, pattern=r"\S")
    empty_mass_kg: Mass = Field(alias="empty_mass")
    rotors: int | None = Field(default=None, ge=1, le=100, strict=True)
    rotor_diameter_m: Length | None = Field(default=None, alias="rotor_diameter")
    disc_area_m2: Area | None = Field(default=None, alias="disc_area")
    efficiency: float | None = Field(default=None, gt=0, lt=1, strict=True)
    hover: Hover | None = None
    power_accuracy: Share | None = None
    air_kg_m3: float = Field(default=AIR_KG_M3, ge=0.3, le=1.6, strict=True, alias="air_density")
    reserve: Share = 0.20

    @model_validator(mode="after")
    def _one_way(self) -> "Craft":
        rotors = self.rotors is not None or self.rotor_diameter_m is not None
        theory = rotors or self.disc_area_m2 is not None or self.efficiency is not None
        if self.hover is not None and theory:
            raise ValueError("found hover and discs or efficiency; one of both would be right")
        if self.hover is None and (self.efficiency is None or rotors == (self.disc_area_m2 is not None)):
            raise ValueError(
                "right would be hover = { power, mass }, or efficiency with disc_area or with rotors and rotor_diameter"
            )
        if rotors and (self.rotors is None or self.rotor_diameter_m is None):
            raise ValueError("rotors and rotor_diameter belong together; one of them is missing")
        if not self.reserve < 0.9:
            raise ValueError(f"reserve is {self.reserve:.0%}; below 90 % would be right")
        return self

    @property
    def area_m2(self) -> float | None:
        """Area of all discs in m², None for a craft given by a measured hover; overlaps are not taken off."""
        if self.rotors is not None and self.rotor_diameter_m is not None:
            return self.rotors * math.pi / 4.0 * self.rotor_diameter_m**2
        return self.disc_area_m2


def ideal_hover_w(mass_kg: float, disc_area_m2: float, air_kg_m3: float = AIR_KG_M3) -> float:
    """Return the power in W that an ideal disc needs to hover: T^1.5 / √(2ρA), T = m·g (momentum theory)."""
    return float((mass_kg * GRAVITY_M_S2) ** 1.5 / math.sqrt(2.0 * air_kg_m3 * disc_area_m2))


def hover_power_w(craft: Craft, pack_kg: float) -> float:
    """Return the electrical power in W with which a craft hovers with a pack of so many kg."""
    mass = craft.empty_mass_kg + pack_kg
    if craft.hover is not None:
        return float(craft.hover.power_w * (mass / craft.hover.mass_kg) ** 1.5)
    area = craft.area_m2
    assert area is not None
    assert craft.efficiency is not None
    return ideal_hover_w(mass, area, craft.air_kg_m3) / craft.efficiency


def read_craft(text: str, where: str = "craft file") -> Craft:
    """Return a craft from its file's text; FileMistakes names every mistake with file and key."""
    return read_toml(Craft, text, where, {"": keys_of(Craft), "hover": keys_of(Hover)})
