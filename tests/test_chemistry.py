from typing import Any

import pytest

from benchwarden.profiles.chemistry import CHEMISTRIES


@pytest.mark.parametrize("name", [name for name in CHEMISTRIES if name != "na-ion"])
def test_voltages_rise_in_the_order_a_pack_lives_through(name: Any) -> None:
    c = CHEMISTRIES[name]
    assert c.hard_low_v is not None
    assert c.ladder_floor_v is not None
    assert c.discharge_cut_off_v is not None
    assert c.nominal_v is not None
    assert c.hard_high_v is not None
    top_v = c.full_v if c.full_v is not None else c.hard_high_v
    assert c.hard_low_v < c.ladder_floor_v <= c.discharge_cut_off_v < c.nominal_v < top_v <= c.hard_high_v
    assert c.ladder_floor_v - c.hard_low_v >= c.margin_v - 1e-9
    assert c.temperature_limit_c - c.temperature_cut_off_c >= 5


def test_only_lithium_and_sodium_are_charged() -> None:
    assert {name for name, c in CHEMISTRIES.items() if not c.chargeable} == {"nimh"}


def test_storage_is_a_voltage_or_a_share_of_charge() -> None:
    for c in CHEMISTRIES.values():
        assert ((c.storage_v is None) != (c.storage_fraction is None)) == c.chargeable


@pytest.mark.parametrize(("name", "full_v"), [("li-ion", 4.2), ("lipo", 4.2), ("li-hv", 4.35), ("lifepo4", 3.65)])
def test_full_charge_of_the_trade(name: Any, full_v: Any) -> None:
    # Common practice, no source: 4.20 V (li-ion, LiPo), 4.35 V (high-voltage LiPo), 3.65 V (LiFePO4).
    assert CHEMISTRIES[name].full_v == full_v


def test_hard_high_limit_of_four_volt_lithium() -> None:
    # IEC 62133-2 (from memory): default upper limit of the charge voltage 4.25 V per cell for lithium cobalt oxide.
    for name in ("li-ion", "lipo"):
        assert CHEMISTRIES[name].hard_high_v == 4.25
