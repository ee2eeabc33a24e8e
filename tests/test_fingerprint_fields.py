"""For every field of every step, of the profile, of the pack and of the bay: whether it counts in the fingerprint.

A new field fails here until somebody has said so.
"""

from dataclasses import fields
from typing import Any

import pytest
from pydantic import BaseModel

from benchwarden.profiles.bay import BayAbilities
from benchwarden.profiles.fingerprint import differences, fingerprint_parts
from benchwarden.profiles.pack import Pack, resolved
from benchwarden.profiles.profile import (
    AskStep,
    ChargeStep,
    DischargeStep,
    InspectStep,
    LadderStep,
    Profile,
    PulseStep,
    RepeatStep,
    RestStep,
    SoakStep,
    StopAt,
    StoreStep,
)
from benchwarden.profiles.step_models import RepeatUntil, Until
from tests.pretend_pack import heron, left_bay

TABLE = "time / s,power / C\n0,2\n10,3\n20,0\n"
OTHER_TABLE = "time / s,power / C\n0,2\n10,3.1\n20,0\n"
STOP_AT = {"group_voltage": "discharge cut-off"}
CHARGE = {"do": "charge", "current": "0.5C", "taper": "0.05C"}
DISCHARGE = {"do": "discharge", "power": "5C", "stop_at": STOP_AT}
FLOWN = {"do": "discharge", "power_table": "a.csv", "stop_at": STOP_AT}
LADDER = {"do": "ladder", "from": "5C", "step": "1C", "hold": "5 s", "rest": "120 s"}
SERIES = {"do": "pulse", "method": "series", "levels": ["1C", "3C"], "hold": "10 s", "times": ["1 s"]}
REPEAT = {"do": "repeat", "times": 3, "at_most": "5 days", "step": [CHARGE, DISCHARGE]}
REST = {"do": "rest", "at_least": "30 min", "until_within": "2 K", "until_below": "35 °C", "at_most": "3 h"}
SOAK = {"do": "soak", "to": "20 °C", "within": "2 K", "hold": "5 min", "at_most": "3 h"}
UNTIL_CHARGE = {**DISCHARGE, "until": {"charge": "40 %"}}

# For each key as it stands in the file: a step to begin with, another value, and whether the other value counts.
COUNTS, NOT = True, False
STEPS: dict[type[BaseModel], tuple[dict[str, Any], dict[str, tuple[Any, bool]]]] = {
    AskStep: ({"do": "ask", "text": "Well?"}, {"text": ("Ready?", NOT), "answers": (["yes"], NOT)}),
    InspectStep: ({"do": "inspect"}, {"spread": ("50 mV", NOT), "for": ("20 s", NOT), "every": ("2 s", NOT)}),
    RestStep: (
        REST,
        {
            "at_least": ("40 min", COUNTS),
            "until_within": ("3 K", COUNTS),
            "until_below": ("30 °C", COUNTS),
            "at_most": ("4 h", NOT),
            "every": ("5 s", NOT),
        },
    ),
    SoakStep: (
        SOAK,
        {
            "to": ("25 °C", COUNTS),
            "within": ("1 K", COUNTS),
            "hold": ("6 min", COUNTS),
            "at_most": ("4 h", NOT),
            "every": ("5 s", NOT),
        },
    ),
    ChargeStep: (
        CHARGE,
        {
            "current": ("1C", COUNTS),
            "taper": ("0.1C", COUNTS),
            "until": ({"charge": "50 %"}, COUNTS),
            "at_most": ("5 h", NOT),
            "every": ("5 s", NOT),
        },
    ),
    DischargeStep: (
        DISCHARGE,
        {
            "power": ("4C", COUNTS),
            "current": ("5C", COUNTS),
            "resistance": ("1 ohm", COUNTS),
            "power_table": ("a.csv", COUNTS),
            "stop_at": ({"group_voltage": "2.8 V"}, COUNTS),
            "until": ({"charge": "50 %"}, COUNTS),
            # How often is sampled moves a cut-off by a period at most; it is said in the figures.
            "every": ("0.5 s", NOT),
            "at_most": ("2 h", NOT),
        },
    ),
    LadderStep: (
        LADDER,
        {
            "from": ("6C", COUNTS),
            "step": ("2C", COUNTS),
            "to": ("9C", COUNTS),
            "hold": ("4 s", COUNTS),
            "rest": ("100 s", COUNTS),
            "floor": ("2.8 V", COUNTS),
            "every": ("0.05 s", COUNTS),
        },
    ),
    PulseStep: (
        SERIES,
        {
            "method": ("two-step", COUNTS),
            "levels": (["1C", "4C"], COUNTS),
            "hold": ("12 s", COUNTS),
            # When it is read changes no pulse.
            "times": (["2 s"], NOT),
            "rest": ("60 s", COUNTS),
            "settle": ("30 min", COUNTS),
            "each": ("20 %", COUNTS),
            "down_to": ("50 %", COUNTS),
            "move": ("0.5C", COUNTS),
            "floor": ("2.8 V", COUNTS),
        },
    ),
    StoreStep: ({"do": "store"}, {"to": ("storage", NOT), "at_most": ("5 h", NOT), "full_first": ("0.5C", COUNTS)}),
    RepeatStep: (
        REPEAT,
        {
            "times": (4, COUNTS),
            "at_most": ("6 days", NOT),
            "until": ({"delivered_below": "80 % of the first"}, COUNTS),
            "step": ([CHARGE, {**DISCHARGE, "power": "4C"}], COUNTS),
        },
    ),
}
INSIDE: dict[type[BaseModel], tuple[dict[str, Any], str, dict[str, Any]]] = {
    # The step, the key of the table in it, and for each key of that table another value; all of them count.
    StopAt: (DISCHARGE, "stop_at", {"group_voltage": "2.8 V", "temperature": "60 °C"}),
    Until: (
        UNTIL_CHARGE,
        "until",
        {
            "charge": "50 %",
            "energy": "50 %",
            "time": "10 min",
            "voltage": "3.5 V",
            "temperature": "50 °C",
            "group_spread": "100 mV",
        },
    ),
    RepeatUntil: (
        {**REPEAT, "until": {"delivered_below": "80 % of the first"}},
        "until",
        {"delivered_below": "70 % of the first", "delivered_at_least": "100 % of rated"},
    ),
}
PROFILE: dict[str, tuple[Any, bool]] = {
    "title": ("Another", NOT),
    "purpose": ("Another", NOT),
    "cautions": ("Another", NOT),
    "source": ("Another", NOT),
    "ambient": ("20 ± 5 °C", COUNTS),
    "step": ([FLOWN, FLOWN], COUNTS),
    "tables": ({"a.csv": OTHER_TABLE}, COUNTS),
}

# No field of a pack counts where the profile is relative to it, which all shipped ones are: that is what makes packs
# comparable. What is absolute in a profile is counted relative to the pack: then these do.
PACK: dict[str, Any] = {
    "name": "Plover",
    "design": "Plover",
    "made": "2025-11",
    "cycles": 40,
    "chemistry": "lipo",
    "series": 4,
    "parallel": 2,
    "rated_capacity": "4 Ah",
    "mass": "400 g",
    "mass_accuracy": "1 g",
    "size": "90 x 47 x 48 mm",
    "max_charge": "4 A",
    "charge_voltage": "4.15 V",
    "max_discharge": "40 A",
    "max_burst": "80 A for 5 s",
    "nominal_voltage": "3.65 V",
    "discharge_cut_off": "2.8 V",
    "ladder_floor": "2.7 V",
    "hard_low": "2.3 V",
    "hard_high": "4.24 V",
    "lowers_hard_low": True,
    "charge_temperature": "15 to 40 °C",
    "max_temperature": "60 °C",
    "notes": "flown two seasons",
    "build": {"leads": {"gauge": "12 AWG", "length": "160 mm"}},
}
RATED = ("rated_capacity", "nominal_voltage", "series", "chemistry")
BAY: dict[str, tuple[Any, bool]] = {
    "name": ("right", NOT),
    "has_supply": (False, NOT),
    "charge": ("operator", COUNTS),
    "load_max_current_a": (60.0, NOT),
    "load_max_power_w": (1500.0, NOT),
    "load_max_voltage_v": (120.0, NOT),
    "load_min_voltage_v": (1.0, NOT),
    "supply_max_voltage_v": (50.0, NOT),
    "supply_max_current_a": (10.0, NOT),
    "group_channels": (8, NOT),
    "temperature_places": (("middle", "ambient"), NOT),
    "has_ambient": (False, NOT),
    # How it is measured, and how it is cooled.
    "sense": ("instrument terminals", COUNTS),
    "taps": ("cumulative", COUNTS),
    "cooling": ("box", COUNTS),
    # What can be told from nothing decides whether a plan is made, not what comes out of it.
    "load_off_a": (0.1, NOT),
    "load_offset_a": (0.05, NOT),
    "supply_offset_a": (0.05, NOT),
    "supply_least_a": (0.1, NOT),
}


def parts(step: dict[str, Any], /, **profile: Any) -> dict[str, Any]:
    """The fingerprint's parts of one step, with a discharge after it so that nothing is last and left out."""
    data = {"title": "t", "step": [step, DISCHARGE], "tables": {"a.csv": TABLE}, **profile}
    return fingerprint_parts(Profile.model_validate(data), resolved(heron()), left_bay())


def keys(model: type[BaseModel]) -> set[str]:
    return {field.alias or name for name, field in model.model_fields.items()} - {"do"}


@pytest.mark.parametrize("model", STEPS, ids=lambda model: model.__name__)
def test_every_field_of_every_step_is_told_of(model: type[BaseModel]) -> None:
    assert set(STEPS[model][1]) == keys(model)


@pytest.mark.parametrize("model", INSIDE, ids=lambda model: model.__name__)
def test_every_field_of_every_table_in_a_step_is_told_of(model: type[BaseModel]) -> None:
    assert set(INSIDE[model][2]) == keys(model)


def test_every_kind_of_step_and_every_field_of_a_profile_is_told_of() -> None:
    known = {branch["properties"]["do"]["const"] for branch in _branches()}
    assert known == {str(begin["do"]) for begin, _ in STEPS.values()}
    assert set(PROFILE) == keys(Profile)


def _branches() -> list[dict[str, Any]]:
    definitions = Profile.model_json_schema()["$defs"]
    return [one for one in definitions.values() if "do" in one.get("properties", {})]


@pytest.mark.parametrize(
    ("model", "key"),
    [(model, key) for model, (_, told) in STEPS.items() for key in told],
    ids=lambda value: value if isinstance(value, str) else value.__name__,
)
def test_a_field_counts_or_not(model: type[BaseModel], key: str) -> None:
    begin, told = STEPS[model]
    other, counts = told[key]
    changed = {**begin, key: other}
    if model is DischargeStep and key in ("current", "resistance", "power_table"):
        del changed["power"]
    if changed.get("method") == "two-step":
        changed = {"do": "pulse", "method": "two-step"}
    a, b = parts(begin), parts(changed)
    assert (a != b) is counts
    assert (differences(a, b) != []) is counts, "and it is told in words"


@pytest.mark.parametrize(
    ("model", "key"),
    [(model, key) for model, (_, _, told) in INSIDE.items() for key in told],
    ids=lambda value: value if isinstance(value, str) else value.__name__,
)
def test_a_field_of_a_table_in_a_step_counts(model: type[BaseModel], key: str) -> None:
    begin, table, told = INSIDE[model]
    changed = {**begin, table: {**begin[table], key: told[key]}}
    a, b = parts(begin), parts(changed)
    assert differences(a, b) != []


@pytest.mark.parametrize("key", PROFILE)
def test_a_field_of_the_profile_counts_or_not(key: str) -> None:
    other, counts = PROFILE[key]
    assert (parts(FLOWN) != parts(FLOWN, **{key: other})) is counts


def of_pack(power: str, **changes: Any) -> dict[str, Any]:
    profile = Profile.model_validate({"title": "t", "step": [CHARGE, {**DISCHARGE, "power": power}, SERIES]})
    return fingerprint_parts(profile, resolved(heron(**changes)), left_bay())


def test_every_field_of_a_pack_and_of_a_bay_is_told_of() -> None:
    assert set(PACK) == keys(Pack)
    assert set(BAY) == {field.name for field in fields(BayAbilities)}


@pytest.mark.parametrize("key", PACK)
def test_a_field_of_the_pack_counts_only_where_the_profile_is_absolute(key: str) -> None:
    more = {"hard_low": "2.1 V"} if key == "lowers_hard_low" else {}
    changes = {key: PACK[key], **more}
    assert heron(**changes) != heron()
    assert of_pack("5C", **changes) == of_pack("5C")
    assert (of_pack("540 W", **changes) != of_pack("540 W")) is (key in RATED)


@pytest.mark.parametrize("key", BAY)
def test_a_field_of_the_bay_counts_or_not(key: str) -> None:
    other, counts = BAY[key]
    profile = Profile.model_validate({"title": "t", "step": [CHARGE, REST, DISCHARGE]})
    there, here = (fingerprint_parts(profile, resolved(heron()), left_bay(**one)) for one in ({key: other}, {}))
    assert (there != here) is counts
    assert (differences(there, here) != []) is counts


def test_a_step_in_a_repeat_is_told_with_its_place() -> None:
    a, b = parts(REPEAT), parts({**REPEAT, "step": [CHARGE, {**DISCHARGE, "power": "4C"}]})
    assert differences(a, b) == ["step 1.2 discharge: power 5C / 4C"]


def test_a_record_counts_by_what_is_in_it_and_not_by_its_name() -> None:
    renamed = parts({**FLOWN, "power_table": "b.csv"}, tables={"b.csv": "# the same\n" + TABLE})
    assert renamed == parts(FLOWN)
    # 5 Ah × 21.6 V = 108 W at 1C: 2C is 216 W, by hand.
    in_watts = TABLE.replace("/ C", "/ W").replace("0,2\n", "0,216\n").replace("10,3\n", "10,324\n")
    assert parts(FLOWN, tables={"a.csv": in_watts}) == parts(FLOWN)


def test_a_charge_until_is_the_same_written_in_percent_or_in_ampere_hours() -> None:
    assert parts({**DISCHARGE, "until": {"charge": "2 Ah"}}) == parts(UNTIL_CHARGE)


def test_profiles_without_anything_new_keep_the_fingerprint_that_they_had() -> None:
    # As made by the program before there were inspect, soak, pulse, repeat and until.
    assert parts(CHARGE)["steps"][0] == {"do": "charge", "current_rate": 0.5, "taper_rate": 0.05}
    assert parts(DISCHARGE)["steps"][0] == {
        "do": "discharge",
        "power_rate": 5.0,
        "group_voltage": "discharge cut-off",
        "temperature": "temperature cut-off",
    }
