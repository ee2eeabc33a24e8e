"""What each shipped profile is there to measure: the figure that its comparison is about."""

OWN = {
    "burst": "peak_c",
    "capacity": "energy_per_mass_wh_kg",
    "cycle-life": "cycle_retention",
    "flight": "flight_min",
    "inspection": "inspected_spread_v",
    "pulse-power": "pulse_drawn_50_power_w",
    "rated-capacity": "best_cycle_over_rated",
    "resistance": "iec_resistance_ohm",
    "standard": "energy_per_mass_wh_kg",
    "storage": "stored_spread_v",
}
