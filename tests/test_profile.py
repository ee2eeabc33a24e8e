from typing import Any

import pytest

from benchwarden.profiles.mistakes import FileMistakes
from benchwarden.profiles.profile import ChargeStep, DischargeStep, LadderStep, RestStep, read_profile
from benchwarden.profiles.shipped import library_names, library_text


def step(text: str) -> str:
    return f'title = "t"\n[[step]]\n{text}\n'


def refusal(text: str) -> str:
    with pytest.raises(FileMistakes) as caught:
        read_profile(text, "p.toml")
    return str(caught.value)


def test_shipped_profiles_do_what_their_names_say() -> None:
    assert library_names() == [
        "burst",
        "capacity",
        "cycle-life",
        "flight",
        "inspection",
        "pulse-power",
        "rated-capacity",
        "resistance",
        "standard",
        "storage",
    ]
    kinds = {name: [s.do for s in read_profile(library_text(name), name).steps] for name in library_names()}
    assert kinds["capacity"] == ["charge", "rest", "discharge", "rest"]
    assert kinds["burst"] == ["charge", "rest", "ladder", "rest"]
    assert kinds["standard"] == [*kinds["capacity"], *kinds["burst"], "store"]


def test_an_unknown_shipped_profile_names_those_there_are() -> None:
    with pytest.raises(KeyError, match="burst, capacity, cycle-life"):
        library_text("marathon")


def test_defaults() -> None:
    charge = read_profile(step('do = "charge"\ncurrent = "0.5C"\ntaper = "0.05C"')).steps[0]
    assert isinstance(charge, ChargeStep)
    assert charge.at_most_s == 6 * 3600
    discharge = read_profile(
        step('do = "discharge"\npower = "5C"\nstop_at = { group_voltage = "2.8 V", temperature = "60 °C" }')
    ).steps[0]
    assert isinstance(discharge, DischargeStep)
    assert (discharge.at_most_s, discharge.every_s, discharge.stop_at.group_voltage) == (12 * 3600, 1.0, 2.8)
    ladder = read_profile(step('do = "ladder"\nfrom = "5C"\nstep = "1C"\nhold = "5 s"\nrest = "120 s"')).steps[0]
    assert isinstance(ladder, LadderStep)
    assert (ladder.floor, ladder.every_s, ladder.last) == ("ladder floor", 0.1, None)
    rest = read_profile(step('do = "rest"\nat_least = "30 min"')).steps[0]
    assert isinstance(rest, RestStep)
    assert rest.at_most_s is None


@pytest.mark.parametrize("name", ["inspekt", "soaking", "march", ""])
def test_steps_of_no_kind_are_refused_with_those_there_are(name: Any) -> None:
    words = refusal(step(f'do = "{name}"'))
    assert "step 1" in words
    for known in ("ask", "rest", "charge", "discharge", "ladder", "store", "inspect", "soak", "pulse", "repeat"):
        assert repr(known) in words


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ('do = "rest"\nat_least = "30 min"\nuntil_within = "2 K"', "need at_most"),
        ('do = "rest"\nat_least = "30 min"\nuntil_below = "35 °C"\nat_most = "10 min"', "shorter than at_least"),
        ('do = "rest"\nat_least = "30 min"\nat_most = "60 min"', "no meaning"),
        ('do = "discharge"\nstop_at = { group_voltage = "2.8 V" }', "found none of power"),
        (
            'do = "discharge"\npower = "5C"\ncurrent = "5C"\nstop_at = { group_voltage = "2.8 V" }',
            "found power and current",
        ),
        ('do = "discharge"\npower = "5C"\nstop_at = { group_voltage = "knee" }', '"ladder floor"'),
        (
            'do = "discharge"\npower = "5C"\nstop_at = { group_volts = "2.8 V" }',
            'did you mean "group_voltage"? known here: group_voltage',
        ),
        ('do = "discharge"\npower = 5\nstop_at = { group_voltage = "2.8 V" }', 'right would be "5C"'),
        ('do = "ladder"\nfrom = "5C"\nstep = "1C"\nhold = "90 s"\nrest = "120 s"', "1 to 60 s"),
        ('do = "ladder"\nfrom = "5C"\nstep = "1C"\nhold = "5 s"\nrest = "1 s"', "at least 10 s"),
        ('do = "ladder"\nfrom = "5C"\nstep = "1C"\nhold = "5 s"\nrest = "120 s"\nevery = "1 s"', "ten samples"),
        ('do = "store"\nto = "full"', "storage"),
        ('do = "charge"\ncurrent = "0.5C"', "taper: missing"),
        ('current = "0.5C"', "no `do`"),
    ],
)
def test_a_step_that_cannot_be_is_refused_in_words(text: Any, words: Any) -> None:
    assert words in refusal(step(text))


def test_all_mistakes_are_told_at_once() -> None:
    words = refusal('titel = "t"\n[[step]]\ndo = "sauk"\n[[step]]\ndo = "rest"\nat_leat = "3 min"\n').splitlines()
    assert len(words) == 4
    assert "p.toml: step 2: rest: at_leat" in "\n".join(words)
    assert 'did you mean "at_least"?' in "\n".join(words)
    assert 'did you mean "title"?' in "\n".join(words)
    assert 'did you mean "soak"?' in "\n".join(words)
