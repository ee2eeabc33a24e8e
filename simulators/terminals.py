"""What loads and supplies are set to: the state behind the simulated instruments.

Devices write the set-points, the bay reads them. `on` and `tripped` are the bay's to write.
"""

from dataclasses import dataclass, field

UNDER_VOLTAGE = 1
OVER_CURRENT = 2
OVER_POWER = 4
TIMER = 8
SUPPLY_OVER_VOLTAGE = 1
SUPPLY_OVER_CURRENT = 2

MODES = ("current", "power", "resistance")
SENSES = ("pack connector", "instrument terminals")


@dataclass(slots=True)
class Drawn:
    """What truly went through a load while it was on, and for how long, since it was last set to zero.

    Ampere-seconds, watt-seconds, volt-seconds and seconds, at its own sense point.
    """

    charge_as: float = 0.0
    energy_ws: float = 0.0
    volt_s: float = 0.0
    on_s: float = 0.0


@dataclass(slots=True)
class LoadState:
    """What a programmable load is set to; volts, amperes, watts, ohms, seconds.

    `mode` is "current", "power" or "resistance"; `limit_a` is the ceiling in every mode; `min_voltage_v` is
    the lowest voltage at which `max_current_a` can be drawn (below, it is a resistance). Own protections
    latch: while `tripped` is not 0 (bits 1 under-voltage, 2 over-current, 4 over-power, 8 timer) it cannot go
    on. `sense` is "pack connector" or "instrument terminals"; `lead_ohm` is both conductors between the two.
    """

    on: bool = False
    mode: str = "current"
    current_a: float = 0.0
    power_w: float = 0.0
    resistance_ohm: float = 1e4
    limit_a: float = 120.0
    max_current_a: float = 120.0
    max_power_w: float = 1500.0
    max_voltage_v: float = 150.0
    min_voltage_v: float = 1.5
    max_resistance_ohm: float = 1e4
    under_voltage_v: float = 0.0
    under_voltage_on: bool = False
    over_current_a: float = 0.0
    over_current_on: bool = False
    over_power_w: float = 0.0
    over_power_on: bool = False
    timer_s: float = 0.0
    timer_on: bool = False
    on_since_s: float = 0.0
    tripped: int = 0
    sense: str = "pack connector"
    lead_ohm: float = 0.0
    drawn: Drawn = field(default_factory=Drawn)


@dataclass(slots=True)
class SupplyState:
    """What a DC supply is set to; volts, amperes.

    `diode_drop_v` > 0 is a series diode (outside the sense loop at the pack connector); `bleed_a` is what the
    pack feeds back into the supply while its output is off or below the pack's voltage. `tripped` latches:
    bits 1 over-voltage, 2 over-current. `sense` and `lead_ohm` as in `LoadState`.
    """

    on: bool = False
    voltage_v: float = 0.0
    current_a: float = 0.0
    max_voltage_v: float = 60.0
    max_current_a: float = 30.0
    over_voltage_v: float = 66.0
    over_current_a: float = 33.0
    over_current_on: bool = False
    tripped: int = 0
    diode_drop_v: float = 0.0
    bleed_a: float = 0.0
    sense: str = "pack connector"
    lead_ohm: float = 0.0
