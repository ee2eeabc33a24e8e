import hashlib
import json
from typing import Any

import pytest

from benchwarden.daemon.commands.difference import DIFFER, difference
from benchwarden.profiles.fingerprint import differences, fingerprint, fingerprint_parts
from benchwarden.profiles.pack import Pack, resolved
from benchwarden.profiles.plan import work_out
from benchwarden.profiles.profile import read_profile
from benchwarden.profiles.shipped import library_names, library_text
from tests.pretend_pack import heron, left_bay

STANDARD = library_text("standard")


def parts(text: str = STANDARD, pack: Pack | None = None, **bay: Any) -> dict[str, Any]:
    return fingerprint_parts(read_profile(text), resolved(pack or heron()), left_bay(**bay))


def test_the_hash_is_that_of_canonical_json() -> None:
    found = parts()
    text = json.dumps(found, sort_keys=True, separators=(",", ":"))
    assert fingerprint(found) == "1-" + hashlib.sha256(text.encode("ascii")).hexdigest()[:16]
    assert fingerprint(json.loads(json.dumps(found))) == fingerprint(found), "also after a way through a file"


@pytest.mark.parametrize(
    "text",
    [
        STANDARD.replace("Standard test", "Another title"),
        STANDARD.replace("left at storage", "left"),
        STANDARD.replace('[[step]]\ndo = "store"\nto = "storage"\n', ""),
        STANDARD.replace('"30 min"', '"1800 s"'),
        STANDARD.replace('"3 h"', '"4 h"'),
        STANDARD + '\n[[step]]\ndo = "ask"\ntext = "Packed away?"\n',
    ],
)
def test_what_decides_nothing_leaves_it_alone(text: Any) -> None:
    assert text != STANDARD
    assert fingerprint(parts(text)) == fingerprint(parts())


def test_packs_of_any_size_and_bays_of_any_name_agree() -> None:
    plover = heron(name="Plover", series=4, rated_capacity="1300 mAh", max_charge="1.3 A", max_burst="60 A for 5 s")
    assert fingerprint(parts(pack=plover)) == fingerprint(parts())
    assert fingerprint(parts(name="right", group_channels=6)) == fingerprint(parts())


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('power = "5C"', 'power = "4C"', ["step 3 discharge: power 5C / 4C"]),
        ('hold = "5 s"', 'hold = "10 s"', ["step 7 ladder: hold 5 s / 10 s"]),
        ('rest = "120 s"', 'rest = "3 min"', ["step 7 ladder: rest 2 min / 3 min"]),
        ('floor = "ladder floor"', 'floor = "2.8 V"', ["step 7 ladder: floor ladder floor / 2.8 V per group"]),
        ('taper = "0.05C"', 'taper = "0.1C"', [f"step {n} charge: taper 0.05C / 0.1C" for n in (1, 5)]),
        ('"23 ± 5 °C"', '"20 ± 5 °C"', ["ambient low 18 °C / 15 °C", "ambient high 28 °C / 25 °C"]),
        (
            'at_least = "30 min"\nuntil_within',
            'at_least = "60 min"\nuntil_within',
            [f"step {n} rest: at least 30 min / 60 min" for n in (2, 6)],
        ),
        (
            'do = "discharge"\npower = "5C"',
            'do = "discharge"\ncurrent = "5C"',
            ["step 3 discharge: power 5C / not given", "step 3 discharge: current not given / 5C"],
        ),
    ],
)
def test_what_decides_changes_it_and_is_told_in_words(old: Any, new: Any, words: Any) -> None:
    a, b = parts(), parts(STANDARD.replace(old, new))
    assert fingerprint(a) != fingerprint(b)
    assert differences(a, b) == words
    assert differences(a, a) == []


@pytest.mark.parametrize(
    ("bay", "words"),
    [
        ({"sense": "instrument terminals"}, "sense pack connector / instrument terminals"),
        ({"cooling": "still air"}, "cooling fan / still air"),
        ({"taps": "cumulative"}, "taps each / cumulative"),
    ],
)
def test_how_the_bay_measures_decides_too(bay: Any, words: Any) -> None:
    assert differences(parts(), parts(**bay)) == [words]


def test_another_way_to_charge_decides() -> None:
    told = differences(parts(), parts(charge="operator"))
    assert told[0] == "charge supply / operator"
    assert fingerprint(parts()) != fingerprint(parts(charge="operator"))


def test_other_steps_are_told() -> None:
    capacity = parts(library_text("capacity"))
    assert "step 3: discharge / ladder" in differences(capacity, parts(library_text("burst")))
    assert "step 5: nothing / charge" in differences(capacity, parts())


def test_absolute_amounts_are_taken_relative_to_the_pack() -> None:
    # 540 W on 5 Ah × 21.6 V is 5C: the same test as one written as 5C.
    assert parts(STANDARD.replace('power = "5C"', 'power = "540 W"')) == parts()


def test_a_resistance_is_relative_to_the_pack_too() -> None:
    # 21.6 V / 0.864 ohm = 25 A = 5C, by hand.
    found = parts(STANDARD.replace('power = "5C"', 'resistance = "0.864 ohm"'))
    assert found["steps"][2]["resistance_rate"] == 5.0


def test_a_plan_carries_it() -> None:
    plan = work_out(read_profile(STANDARD), heron(), left_bay())
    assert plan.fingerprint == fingerprint(plan.fingerprint_parts) == fingerprint(parts())


SHIPPED = {
    "burst": "1-bc27728bce81a1a7",
    "capacity": "1-b9c253b14fdbbeee",
    "cycle-life": "1-7bdb6cba6c6f71d5",
    "flight": "1-f63f87592baf5819",
    "inspection": "1-df662ab7cd3521c8",
    "pulse-power": "1-fe0ffd5e5bd8faa9",
    "rated-capacity": "1-5c4729d3c461f1b8",
    "resistance": "1-0935a42df06ad31a",
    "standard": "1-8eee9d4e5a8c0725",
    "storage": "1-a94852fd16ae5eca",
}


def test_each_shipped_profile_has_a_fingerprint_of_its_own_and_keeps_it() -> None:
    """Runs that were made stay comparable: whoever changes one of these changes a procedure, and means to."""
    assert {name: fingerprint(parts(library_text(name))) for name in library_names()} == SHIPPED
    assert len(set(SHIPPED.values())) == len(SHIPPED)


def test_what_a_profile_is_for_counts_where_there_is_nothing_else() -> None:
    def of(*kinds: str) -> str:
        return fingerprint(parts('title = "x"\n' + "\n".join(f"[[step]]\n{steps[kind]}" for kind in kinds)))

    steps = {
        "ask": 'do = "ask"\ntext = "Well?"',
        "inspect": 'do = "inspect"',
        "store": 'do = "store"',
        "rest": 'do = "rest"\nat_least = "1 h"',
    }
    assert len({of("store"), of("inspect"), of("ask"), of("rest")}) == 4
    assert of("ask", "inspect", "store") == of("store")
    assert of("ask", "inspect") == of("inspect")
    assert of("ask", "rest", "inspect", "store") == of("rest")


def test_difference_tells_storage_from_inspection(capsys: pytest.CaptureFixture[str]) -> None:
    assert difference("inspection", "storage") == DIFFER
    assert "step 1: inspect / store" in capsys.readouterr().out
