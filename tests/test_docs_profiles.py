"""docs/profiles.md: every example on the page is read from it and checked, and every key of every step is told of."""

import re
from pathlib import Path
from typing import NamedTuple

import pytest

from benchwarden.profiles.mistakes import FileMistakes, keys_of
from benchwarden.profiles.plan import PlanRefused, describe, work_out
from benchwarden.profiles.power_table import read_power_table
from benchwarden.profiles.profile import Profile, RepeatStep, StopAt, read_profile, tables_missing, with_tables
from benchwarden.profiles.shipped import library_names
from benchwarden.profiles.step_models import RepeatUntil, Until
from tests.pretend_pack import heron, left_bay
from tests.test_fingerprint_fields import STEPS

PAGE = (Path(__file__).parents[1] / "docs" / "profiles.md").read_text(encoding="utf-8")


class Example(NamedTuple):
    """What the page says of an example ("step", "refused: words"), and the example."""

    says: str
    text: str


def examples() -> list[Example]:
    found = []
    for match in re.finditer(r"^<!-- (.+?) -->\n\n((?:    .*\n|\n)+)", PAGE, re.MULTILINE):
        found.append(Example(match[1], re.sub(r"^    ", "", match[2], flags=re.MULTILINE)))
    return found


CHARGED = 'title = "t"\n[[step]]\ndo = "charge"\ncurrent = "0.5C"\ntaper = "0.05C"\n'


def whole(example: Example) -> str:
    """The file that an example stands for: a step of it stands after a charge."""
    if example.says == "flight":
        record = next(one.text for one in examples() if one.says == "record")
        assert tables_missing(example.text) == ["shore.csv"]
        return with_tables(example.text, {"shore.csv": record})
    return example.text if example.says == "profile" else CHARGED + example.text


@pytest.mark.parametrize("example", examples(), ids=lambda example: f"{example.says}: {example.text[:40]!r}")
def test_an_example_does_what_the_page_says(example: Example) -> None:
    kind, _, words = example.says.partition(": ")
    match kind:
        case "record":
            assert read_power_table(example.text).unit == "W"
        case "refused":
            with pytest.raises(FileMistakes, match=re.escape(words)):
                read_profile(whole(example), "p.toml")
        case "refused by the plan":
            with pytest.raises(PlanRefused, match=re.escape(words)):
                work_out(read_profile(whole(example), "p.toml"), heron(), left_bay())
        case "profile" | "step" | "series" | "flight":
            plan = work_out(read_profile(whole(example), "p.toml"), heron(), left_bay())
            assert describe(plan)
        case _:
            raise AssertionError(f"the page has an example that nobody checks: {example.says}")


def test_no_example_stands_on_the_page_unchecked() -> None:
    # Every block with a step or a title is marked; the others are commands.
    blocks = re.findall(r"(?:^    .*\n)+", PAGE, re.MULTILINE)
    marked = "".join(f"{example.text}\n" for example in examples())
    for block in blocks:
        text = re.sub(r"^    ", "", block, flags=re.MULTILINE)
        assert text in marked or text.startswith("benchwarden "), text
    assert len(examples()) >= 20


def test_every_step_and_every_key_is_told_of() -> None:
    for model, (begin, _) in STEPS.items():
        section = _section(str(begin["do"]))
        for key in keys_of(model):
            if key in ("do", "every", "step"):
                continue
            assert f"`{key}`" in section or f"`[{key}]`" in section or f"\n    {key} = " in section, (begin["do"], key)
    for table, keys in (("until", keys_of(Until)), ("discharge", keys_of(StopAt)), ("repeat", keys_of(RepeatUntil))):
        for key in keys:
            assert key in _section(table), (table, key)
    for key in keys_of(Profile):
        assert f"`{key}`" in PAGE or f"{key} = " in PAGE or f"[{key}]" in PAGE, key
    assert RepeatStep in STEPS


def _section(name: str) -> str:
    return PAGE.partition(f"\n### {name}\n")[2].partition("\n### ")[0]


def test_every_shipped_profile_stands_in_the_table() -> None:
    told = re.findall(r"^\| `([a-z-]+)` \| ", PAGE.partition("## The shipped ones")[2], re.MULTILINE)
    assert sorted(told) == library_names()
