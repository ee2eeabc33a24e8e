"""What a bay can do, as far as a plan needs to know."""

import math
from dataclasses import dataclass

# A set-point that is held measures what was set within this share and the meter's offset (common practice, no source).
SET_SHARE = 0.02


@dataclass(frozen=True, slots=True, kw_only=True)
class BayAbilities:
    """One bay: its load, its supply if any, its taps and sensors. Volts, amperes, watts.

    `charge` is "supply" or "operator". `group_channels` is 0 without a meter for groups. `temperature_places`
    names the sensors; "ambient" among them is not on the pack. `sense`, `taps` and `cooling` are as in the
    bench file.

    `load_off_a`: what the load (loads in parallel: together) may show and count as off; to draw no more than that
    trips. `load_offset_a`: by how much its reading may be off at no current, 0 where the bench file does not say.
    `supply_offset_a`: the same of the supply's reading. `supply_least_a`: the least current that it tells from none;
    None without a supply.
    """

    name: str
    has_supply: bool
    charge: str
    load_max_current_a: float
    load_max_power_w: float
    load_max_voltage_v: float
    load_min_voltage_v: float
    supply_max_voltage_v: float | None
    supply_max_current_a: float | None
    group_channels: int
    temperature_places: tuple[str, ...]
    has_ambient: bool
    sense: str
    taps: str
    cooling: str
    load_off_a: float
    load_offset_a: float
    supply_offset_a: float
    supply_least_a: float | None

    @property
    def least_draw_a(self) -> float:
        """The least draw that never looks like none, to the next milliampere: held 2 % low, read low by the offset."""
        return math.ceil((self.load_off_a + self.load_offset_a) / (1.0 - SET_SHARE) * 1000.0 - 1e-6) / 1000.0

    @property
    def pack_places(self) -> tuple[str, ...]:
        """The places of the sensors that are on the pack."""
        return tuple(place for place in self.temperature_places if place != "ambient")
