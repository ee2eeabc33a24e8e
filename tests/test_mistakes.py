"""What is wrong with a file, in the words of the person who wrote it: none of the library's own reach anybody."""

from typing import Annotated, Any, Literal

import pytest
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from benchwarden.profiles.mistakes import FileMistakes, in_words
from benchwarden.profiles.pack import read_pack
from benchwarden.profiles.profile import read_profile

PACK = 'name = "Heron"\nchemistry = "li-ion"\nseries = 6\nrated_capacity = "5 Ah"\n'
PROFILE = 'title = "Shore"\n'


def told(read: Any, text: str) -> list[str]:
    with pytest.raises(FileMistakes) as found:
        read(text, "h.toml")
    return list(found.value.mistakes)


@pytest.mark.parametrize(
    ("read", "text", "words"),
    [
        (
            read_pack,
            PACK + '[build]\nhard_low = "2.6 V"\n',
            "toml: build: hard_low: there is no such key (found '2.6 V'); it belongs further up, above [build]",
        ),
        (
            read_pack,
            PACK + '[build.leads]\nlength = "20 cm"\ngauge = "12 AWG"\nmass = "452 g"\n',
            "leads: mass: there is no such key (found '452 g'); it belongs further up, above [build]; known",
        ),
        (
            read_pack,
            PACK + '[build]\nmaterial = "copper"\n',
            "h.toml: build: material: there is no such key (found 'copper'); it belongs in build: links; known here",
        ),
        (
            read_profile,
            PROFILE + '[[step]]\ndo = "rest"\nambient = "23 ± 5 °C"\n',
            "rest: ambient: there is no such key (found '23 ± 5 °C'); it belongs further up, above [[step]]; ",
        ),
        # Many tables know it: nothing is guessed.
        (read_profile, PROFILE + 'every = "1 s"\n[[step]]\ndo = "rest"\n', "(found '1 s'); known here: title"),
        (read_pack, PACK + "nots = 3\n", 'did you mean "notes"? known here'),
    ],
)
def test_a_key_in_the_wrong_table_is_told_where_it_belongs(read: Any, text: str, words: str) -> None:
    assert any(words in one for one in told(read, text)), told(read, text)


@pytest.mark.parametrize(
    ("read", "text", "words"),
    [
        (read_pack, PACK.replace('"Heron"', '""'), "name: found ''; right would be a text of at least 1 character"),
        (read_pack, PACK.replace('"Heron"', '" "'), "name: found ' '; right would be a text that is not blank"),
        (read_pack, PACK.replace("= 6", "= 0"), "series: found 0; right would be 1 or more"),
        (read_pack, PACK.replace("= 6", "= 201"), "series: found 201; right would be 200 or less"),
        (read_pack, PACK.replace("= 6", '= "6"'), "series: found '6'; right would be a whole number, without quotes"),
        (read_pack, PACK.replace('"li-ion"', '"li-on"'), "found 'li-on'; right would be 'li-ion', 'lipo', 'li-hv', "),
        (read_pack, PACK + "build = 3\n", "build: found 3; right would be a table"),
        (read_pack, PACK + "lowers_hard_low = 1\n", "found 1; right would be true or false, without quotes"),
        (read_profile, PROFILE + "step = []\n", "step: found []; right would be at least 1 entry"),
        (
            read_profile,
            PROFILE + '[[step]]\ndo = "rest"\nat_least = "40 days"\n',
            "found '40 days'; a time lies above 0 and not above 30 days, such as",
        ),
    ],
)
def test_what_would_be_right_is_said_in_plain_words(read: Any, text: str, words: str) -> None:
    assert any(words in one for one in told(read, text)), told(read, text)


class Anything(BaseModel):
    """One field for each constraint that the models of files use or might."""

    model_config = ConfigDict(extra="forbid", strict=True)
    text: Annotated[str, Field(min_length=2, max_length=3, pattern="^a")] = "ab"
    blank: Annotated[str, Field(pattern=r"\S")] = "a"
    whole: Annotated[int, Field(ge=1, le=9)] = 1
    number: Annotated[float, Field(gt=0, lt=2, allow_inf_nan=False)] = 1.0
    yes: bool = True
    several: Annotated[list[int], Field(min_length=1, max_length=2)] = [1]
    two: tuple[int, ...] = (1,)
    table: dict[str, int] = {}
    one: Literal["a", "b"] = "a"


WRONG = [3, 2.5, -1, True, "", "b", "abcd", [], [1, 2, 3], ["x"], {"x": "y"}, {}, None, float("nan"), float("inf"), 99]


@pytest.mark.parametrize("field", Anything.model_fields)
@pytest.mark.parametrize("value", WRONG, ids=repr)
def test_no_word_of_the_library_reaches_a_person(field: str, value: object) -> None:
    try:
        Anything.model_validate({field: value})
    except ValidationError as error:
        for words in in_words(error, "h.toml"):
            assert "should" not in words, words
            assert "; right would be " in words, words
            assert words.startswith(f"h.toml: {field}"), words
