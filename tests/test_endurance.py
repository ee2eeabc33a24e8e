import math
from dataclasses import replace

import pytest

from benchwarden.profiles.craft import Craft, hover_power_w, ideal_hover_w, read_craft
from benchwarden.profiles.mistakes import FileMistakes
from benchwarden.results.endurance import Candidate, candidate, endurance
from benchwarden.results.figure import Figure, Figures
from benchwarden.results.run import info_from
from benchwarden.results.uncertain import Part

GULL = """
name = "Gull"
empty_mass = "1.0 kg"
rotors = 4
rotor_diameter = "254 mm"
efficiency = 0.48
power_accuracy = "5 %"
"""


def gull(text: str = GULL) -> Craft:
    return read_craft(text, "gull.toml")


def of(
    pack: str, wh: float, kg: float, watts: float, gain: float = 0.001, own: float = 0.0, run: str = "one"
) -> Candidate:
    parts = (
        Part("current gain of Boat Shed L1 17", gain * wh / math.sqrt(3), None, "bench"),
        Part("cut-off", own * wh),
    )
    energy = Figure(wh, "Wh", (1, 9), budget=tuple(one for one in parts if one.contribution))
    return Candidate(pack, f"{pack}/{run}", kg, (), energy, Figure(watts, "W", (1, 9)))


def test_published_hover_of_a_helicopter() -> None:
    # spinningwing.com, momentum theory calculator: 36.70 ft/s and 433.8 HP. Inputs inferred, in feet, pounds, slugs:
    # 6500 lb, radius 18 ft, 0.00237 slug/ft³.
    newton, metre, watt, kg_m3 = 4.4482216152605, 0.3048, 745.69987158227, 515.3788184
    thrust, area, air = 6500 * newton, math.pi * (18 * metre) ** 2, 0.00237 * kg_m3
    power = ideal_hover_w(thrust / 9.80665, area, air)
    assert power / watt == pytest.approx(433.8, abs=0.05)
    assert power / thrust / metre == pytest.approx(36.70, abs=0.01)


def test_power_of_a_small_craft_by_hand() -> None:
    # 1.5 kg on four discs of 10 inches: T = 14.709975 N, A = 0.20268299 m², v = √(T/2ρA) = 5.4427 m/s, P = T·v.
    craft = gull()
    assert craft.area_m2 == pytest.approx(0.20268299)
    assert ideal_hover_w(1.5, craft.area_m2 or 0.0) == pytest.approx(14.709975 * 5.44269844)
    assert hover_power_w(craft, 0.5) == pytest.approx(166.79575)


@pytest.mark.parametrize(
    ("pack_kg", "minutes"),
    # t = e·m·η/P(m) for 180 Wh/kg, η 0.8 · 0.6, 1 kg without the pack: the longest hover has a pack of twice the rest.
    # (Gatti et al., Aerosp. Sci. Technol. 45 (2015) 174: optimum; table by the formula.)
    [(0.25, 21.279), (0.5, 32.375), (1.0, 42.056), (1.5, 45.140), (2.0, 45.785), (3.0, 44.607)],
)
def test_hover_time_over_pack_mass(pack_kg: float, minutes: float) -> None:
    craft = gull(GULL + 'reserve = "0.0001 %"\n')
    found = endurance(craft, [of("Heron", 180 * pack_kg, pack_kg, 200.0)])
    assert found.flights[0].minutes == pytest.approx(minutes, abs=6e-4)


def test_measured_hover_is_scaled_by_mass_to_the_one_and_a_half() -> None:
    text = 'name = "Gull"\nempty_mass = "1.0 kg"\nhover = { power = "160 W", mass = "1.5 kg" }\n'
    assert hover_power_w(gull(text), 0.5) == pytest.approx(160.0)
    assert hover_power_w(gull(text), 1.0) == pytest.approx(160.0 * (2.0 / 1.5) ** 1.5)
    assert "taken as exact" in endurance(gull(text), [of("Heron", 100, 0.5, 160)]).flights[0].warnings[0]


def test_reserve_and_uncertainty_by_hand() -> None:
    found = endurance(gull(), [of("Heron", 100.0, 0.5, 166.8)])
    flight = found.flights[0]
    assert flight.minutes == pytest.approx(60 * 100 * 0.8 / 166.79575)
    assert flight.u == pytest.approx(flight.minutes * math.hypot(0.001, 0.05) / math.sqrt(3), rel=1e-6)
    assert flight.U == pytest.approx(1.96 * (flight.u or 0), rel=1e-4)
    assert flight.warnings == ()
    assert found.words.startswith("Heron hovers for 28.8 ± 1.6 min")


def test_the_run_nearest_to_the_hovers_power_counts_and_a_far_one_is_warned_of() -> None:
    near, far = of("Heron", 100, 0.5, 180), of("Heron", 90, 0.5, 400, run="fast")
    assert endurance(gull(), [far, near]).flights[0].run == "Heron/one"
    only = endurance(gull(), [far]).flights[0]
    assert "0.42 times the 400 W of the run" in only.warnings[0]
    assert endurance(gull(), [of("Heron", 100, 0.5, 166.8 * 1.49)]).flights[0].warnings == ()
    assert endurance(gull(), [of("Heron", 100, 0.5, 166.8 * 1.51)]).flights[0].warnings != ()


def test_what_both_flights_share_does_not_blur_which_is_longer() -> None:
    found = endurance(gull(), [of("Heron", 100, 0.5, 167), of("Tern", 101, 0.5, 167)])
    assert [flight.pack for flight in found.flights] == ["Tern", "Heron"]
    assert found.words.startswith("Tern hovers longest")
    # 5 % of power is in both; a cut-off of one run each is not.
    blurred = endurance(gull(), [of("Heron", 100, 0.5, 167, own=0.01), of("Tern", 101, 0.5, 167, own=0.01)])
    assert "hover equally long, as far as this bench can see" in blurred.words


def test_heavier_pack_with_more_energy_may_fly_shorter() -> None:
    # Energy ÷ mass^1.5 decides: 110/1.7^1.5 is below 100/1.5^1.5.
    found = endurance(gull(), [of("Tern", 110, 0.7, 170), of("Heron", 100, 0.5, 170)])
    assert [flight.pack for flight in found.flights] == ["Heron", "Tern"]
    ratio = found.flights[0].minutes / found.flights[1].minutes
    assert ratio == pytest.approx((100 / 1.5**1.5) / (110 / 1.7**1.5))


def test_bounds_and_unknown_masses_are_left_out_in_words() -> None:
    info = info_from({"pack": {"name": "Heron", "mass_accuracy": 0.001}, "mass_kg": 0.45}, [])
    found = Figures(info)
    assert candidate(info, "heron/1", found) == "heron/1: no energy was measured"
    found.put("delivered_wh", 100.0, "Wh", (1, 2), "ended by bench", True)
    found.put("discharge_power_w", 300.0, "W", (1, 2))
    assert "lower bound" in str(candidate(info, "heron/1", found))
    found.put("delivered_wh", 100.0, "Wh", (1, 2))
    usable = candidate(info, "heron/1", found)
    assert isinstance(usable, Candidate)
    assert usable.mass_parts[0].contribution == pytest.approx(0.001 / math.sqrt(3))
    bare = replace(info, mass_kg=None)
    assert "no mass" in str(candidate(bare, "heron/1", found))
    none = endurance(gull(), ["heron/1: no mass"])
    assert (none.words, none.left_out) == ("no run can be used", ("heron/1: no mass",))


def test_without_an_accuracy_there_is_no_interval() -> None:
    bare = of("Heron", 100, 0.5, 167)
    bare = replace(bare, energy=replace(bare.energy, budget=(), not_stated=("bench.toml: load",)))
    found = endurance(gull(), [bare, of("Tern", 90, 0.5, 167)])
    assert found.flights[0].U is None
    assert found.words.endswith("no interval")


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ('name = "Gull"\nempty_mass = "1 kg"\n', "right would be hover"),
        (GULL + 'disc_area = "0.2 m²"\n', "right would be hover"),
        (GULL + 'hover = { power = "160 W", mass = "1.5 kg" }\n', "one of both"),
        (GULL.replace("rotors = 4\n", ""), "belong together"),
        (GULL + 'reserve = "95 %"\n', "below 90 %"),
        (GULL + 'reserve = "0.2"\n', "a share in %"),
        (GULL + "wings = 2\n", "there is no such key"),
        (GULL.replace("1.0 kg", "1.0"), "mass"),
    ],
)
def test_mistakes_in_a_craft_file_are_named(text: str, words: str) -> None:
    with pytest.raises(FileMistakes, match=words):
        gull(text)


def test_disc_area_may_be_given() -> None:
    text = 'name = "Gull"\nempty_mass = "1 kg"\ndisc_area = "2026.8299 cm2"\nefficiency = 0.48\nair_density = 1.225\n'
    assert hover_power_w(gull(text), 0.5) == pytest.approx(166.79575)
