"""What a bay can do, as far as a plan needs to know."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class BayAbilities:
    """One bay: its load, its supply if any, its taps and sensors. Volts, amperes, watts.

    `charge` is "supply" or "operator". `group_channels` is 0 without a meter for groups. `temperature_places`
    names the sensors; "ambient" among them is not on the pack. `sense`, `taps` and `cooling` are as in the
    bench file.
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

    @property
    def pack_places(self) -> tuple[str, ...]:
        """The places of the sensors that are on the pack."""
        return tuple(place for place in self.temperature_places if place != "ambient")
