from typing import Any

import pytest

from benchwarden.profiles.mistakes import FileMistakes
from benchwarden.profiles.pack import read_pack, resolved
from tests.pretend_pack import heron

FULL_FILE = """
name = "Heron"
chemistry = "li-ion"
series = 6
parallel = 1
rated_capacity = "5.0 Ah"
mass = "452 g"
max_charge = "5 A"
charge_voltage = "4.15 V"
max_discharge = "45 A"
max_burst = "90 A for 5 s"
nominal_voltage = "3.65 V"
discharge_cut_off = "2.8 V"
ladder_floor = "2.6 V"
hard_low = "2.3 V"
hard_high = "4.22 V"
charge_temperature = "10 to 45 °C"
max_temperature = "60 °C"
notes = "flown two seasons"
[build]
links = { material = "copper braid", width = "10 mm", thickness = "1 mm", length = "22 mm", fill = 0.55 }
leads = { gauge = "12 AWG", length = "160 mm" }
"""


def test_a_full_file_leaves_nothing_to_defaults() -> None:
    pack = read_pack(FULL_FILE, "heron.toml")
    values = resolved(pack)
    assert values.defaults == ()
    assert (values.full_v, values.discharge_cut_off_v, values.hard_low_v) == (4.15, 2.8, 2.3)
    assert (values.temperature_limit_c, values.temperature_cut_off_c) == (60, 55)
    assert values.max_charge_a == 5.0
    assert values.charge_high_c == 45.0
    assert pack.build is not None
    assert pack.build.leads is not None
    assert pack.build.leads.length_m == 0.16


def test_what_is_missing_comes_from_the_chemistry_and_is_named() -> None:
    values = resolved(heron(max_charge=None, max_discharge=None, max_burst=None))
    words = "\n".join(values.defaults)
    assert "max charge 2.5 A: default, not from the data sheet" in words
    assert "max discharge 5 A (1C): default" in words
    assert "max temperature 80 °C: default" in words
    assert values.max_burst_a == values.max_discharge_a == 5.0
    assert (values.full_v, values.storage_v) == (4.20, 3.65)


def test_the_data_sheet_wins_only_if_it_is_stricter() -> None:
    assert resolved(heron(max_temperature="90 °C")).temperature_limit_c == 80
    assert resolved(heron(max_temperature="70 °C")).temperature_cut_off_c == 65


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"charge_voltage": "4.35 V"}, "above the 4.2 V"),
        ({"hard_low": "2.0 V"}, "only be raised"),
        ({"hard_high": "4.5 V"}, "only be lowered"),
        ({"discharge_cut_off": "2.3 V"}, "within 0.2 V of hard_low"),
        ({"ladder_floor": "2.39 V"}, "within 0.2 V of hard_low"),
        ({"discharge_cut_off": "3.9 V"}, "must rise"),
        ({"max_burst": "30 A for 5 s"}, "below max_discharge"),
        ({"max_temperature": "30 °C"}, "below 40"),
        ({"charge_temperature": "-10 to 40 °C"}, "beyond 0 to 45"),
        ({"chemistry": "na-ion"}, "na-ion needs charge_voltage, discharge_cut_off"),
        ({"chemistry": "nimh"}, "is not charged"),
    ],
)
def test_a_pack_that_cannot_be_is_refused(changes: Any, words: Any) -> None:
    with pytest.raises(ValueError, match=words):
        heron(**changes)


def test_sodium_ion_stands_on_its_pack_file() -> None:
    pack = heron(
        chemistry="na-ion",
        charge_voltage="3.95 V",
        nominal_voltage="3.0 V",
        discharge_cut_off="1.8 V",
        ladder_floor="1.8 V",
        hard_low="1.5 V",
        hard_high="4.05 V",
    )
    values = resolved(pack)
    assert (values.full_v, values.storage_fraction) == (3.95, 0.4)


def test_nickel_is_never_full_here() -> None:
    values = resolved(heron(chemistry="nimh", max_charge=None))
    assert values.full_v is None
    assert values.top_v == 1.6


def test_every_mistake_is_told_at_once_with_file_and_key() -> None:
    text = (
        'nme = "x"\nchemistry = "lead"\nseries = 0\nrated_capacity = 5\n[build.leads]\ngauge = "12"\nlength = "1 m"\n'
    )
    with pytest.raises(FileMistakes) as caught:
        read_pack(text, "tern.toml")
    mistakes = caught.value.mistakes
    assert all(mistake.startswith("tern.toml: ") for mistake in mistakes)
    for key in ("name: missing", "nme: there is no such key", "chemistry", "series", "rated_capacity", "gauge"):
        assert any(key in mistake for mistake in mistakes), (key, mistakes)


def test_text_that_is_no_toml_is_refused_with_its_file() -> None:
    with pytest.raises(FileMistakes, match=r"tern.toml: not TOML"):
        read_pack("name = ", "tern.toml")


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ('made = "March 2026"', "pack.toml: made: "),
        ('made = "2026-13"', "pack.toml: made: "),
        ("cycles = -1", "pack.toml: cycles: "),
        ('cycles = "12"', "pack.toml: cycles: "),
    ],
)
def test_age_and_cycles_are_what_can_be_compared(line: str, words: str) -> None:
    bare = 'name = "Heron"\nchemistry = "li-ion"\nseries = 6\nrated_capacity = "5.0 Ah"\n'
    pack = read_pack(f'{bare}made = "2026-03"\ncycles = 12\n')
    assert (pack.made, pack.cycles, read_pack(bare).made) == ("2026-03", 12, None)
    with pytest.raises(FileMistakes, match=words):
        read_pack(f"{bare}{line}\n", "pack.toml")


def test_size_scale_and_design_are_optional() -> None:
    bare = 'name = "Heron"\nchemistry = "li-ion"\nseries = 6\nrated_capacity = "5.0 Ah"\n'
    assert (read_pack(bare).volume_l, read_pack(bare).mass_accuracy_kg, read_pack(bare).design) == (None, None, None)
    more = 'mass = "452 g"\nmass_accuracy = "0.5 g"\nsize = "95 x 47 x 48 mm"\ndesign = "Heron"\n'
    pack = read_pack(bare + more)
    assert pack.volume_l == pytest.approx(0.095 * 0.047 * 0.048 * 1000)
    assert pack.mass_accuracy_kg == pytest.approx(0.0005)
    assert pack.model_dump(mode="json", by_alias=True, exclude_none=True)["size"] == pack.volume_l
