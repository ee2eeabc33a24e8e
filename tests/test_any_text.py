"""Any text in any file gives a clear error, with the file's name, or what the file says: never a traceback."""

import tomllib
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from benchwarden.daemon.bench import Bench, read_bench
from benchwarden.daemon.commands.schema import MODELS
from benchwarden.drivers.command_map import CommandMap, MapError, load_map
from benchwarden.profiles.craft import Craft, hover_power_w, read_craft
from benchwarden.profiles.mistakes import FileMistakes, keys_of, meant, toml_tables
from benchwarden.profiles.pack import Pack, read_pack, resolved
from benchwarden.profiles.plan import PlanRefused, work_out
from benchwarden.profiles.profile import Profile, read_profile, tables_missing
from benchwarden.profiles.shipped import library_text
from benchwarden.results.import_map import import_map
from tests.pretend_pack import heron, left_bay
from tests.test_bench import BENCH
from tests.test_every_field import CRAFTS, IMPORT
from tests.test_pack import FULL_FILE

# A quantity of every kind, right and wrong, and what TOML has beside.
VALUES = st.one_of(
    st.sampled_from(
        [
            *('"5 A"', '"-5 A"', '"0 A"', '"5C"', '"nan A"', '"1e999 V"', '"4.20 V"', '"5 Ah"', '"30 min"', '"2 K"'),
            *('"23 ± 5 °C"', '"90 A for 5 s"', '"0.05 % + 30 mA"', '""', "nan", "-inf", "0", "-1", "true", "[]"),
            *("{}", "1979-05-27", "07:32:00", '"discharge cut-off"', "[[]]", '[{ do = "rest" }]', '"li-ion"'),
            *("9" * 400, "1e400", '"\\u0000"', "'''\n'''", '"fan"', '"supply"', "{ group_voltage = 3 }"),
        ]
    ),
    st.integers().map(str),
    st.floats().map(repr),
    st.text(st.characters(codec="utf-8", exclude_characters='"\\\n\r'), max_size=12).map(lambda text: f'"{text}"'),
)
KEYS = sorted({key for model in (Bench, Pack, Profile) for key in keys_of(model)} | {"do", "at", "limits", "from", "x"})
HEADS = ["[[step]]", "[[bay]]", "[build]", "[bay.load]", "[build.links]", "[mqtt]", "[page]", "[step]", "[a.b]", ""]
LINES = st.lists(
    st.one_of(
        st.sampled_from(HEADS),
        st.tuples(st.sampled_from(KEYS), VALUES).map(" = ".join),
    ),
    max_size=12,
).map("\n".join)
FILES = {"bench": BENCH, "pack": FULL_FILE, "profile": library_text("standard")}


@st.composite
def spoiled(draw: st.DrawFn, text: str) -> str:
    """A right file with one stretch cut out and something put in its place."""
    begin = draw(st.integers(0, len(text)))
    end = draw(st.integers(begin, min(len(text), begin + 30)))
    return text[:begin] + draw(st.one_of(st.just(""), VALUES, st.text(max_size=6))) + text[end:]


def loaded(read: Callable[[str, str], object], text: str) -> object | None:
    mistakes: tuple[str, ...] = ()
    try:
        return read(text, "some/file.toml")
    except FileMistakes as error:
        mistakes = error.mistakes
    assert mistakes
    assert all(mistake.startswith("some/file.toml: ") for mistake in mistakes)
    assert all(len(mistake) < 2000 for mistake in mistakes)
    return None


@settings(max_examples=250)
@given(text=st.one_of(st.text(max_size=80), LINES, spoiled(FILES["pack"])))
@example(text="x = " + "[" * 3000)
@example(text="series = " + "9" * 5000)
@example(text="[build.links]\nfill = " + "9" * 4000)
@example(text='name = "\\ud800"')
@example(text='name = "…"\nchemistry = "lifepo4"\nseries = 6\nrated_capacity = "1e-300 Ah"')
def test_any_text_for_a_pack_file(text: str) -> None:
    found = loaded(read_pack, text)
    if found is not None:
        assert isinstance(found, Pack)
        assert resolved(found).series == found.series


@settings(max_examples=250)
@given(text=st.one_of(st.text(max_size=80), LINES, spoiled(FILES["bench"])))
@example(text="bay = 3")
@example(text=BENCH.replace('"101:106"', '"101:²"'))
@example(text=BENCH.replace('"101:106"', '"' + "1" * 5000 + '"'))
def test_any_text_for_a_bench_file(text: str) -> None:
    found = loaded(read_bench, text)
    if found is not None:
        assert isinstance(found, Bench)
        assert all(bay.abilities().group_channels >= 0 for bay in found.bay)


@settings(max_examples=250)
@given(text=st.one_of(st.text(max_size=80), LINES, spoiled(FILES["profile"])))
def test_any_text_for_a_profile_file(text: str) -> None:
    """What a profile says is then a plan, or refused with reasons."""
    tables_missing(text)
    found = loaded(read_profile, text)
    if found is None:
        return
    assert isinstance(found, Profile)
    reasons: list[str] = []
    try:
        plan = work_out(found, heron(), left_bay())
    except PlanRefused as error:
        reasons = error.reasons
    assert reasons or 0 <= plan.estimate_s < 1e9


@settings(max_examples=150)
@given(text=st.one_of(st.text(max_size=80), LINES, st.sampled_from(CRAFTS).flatmap(spoiled)))
@example(text=CRAFTS[0].replace("1.6 kg", "1e-320 kg"))
def test_any_text_for_a_craft_file(text: str) -> None:
    found = loaded(read_craft, text)
    if found is not None:
        assert isinstance(found, Craft)
        assert hover_power_w(found, 0.5) > 0.0


@settings(max_examples=150)
@given(text=st.one_of(st.text(max_size=80), LINES, spoiled(IMPORT)))
@example(text="columns = 3")
@example(text="x = " + "[" * 3000)
@example(text="columns = { time = 3 }")
def test_any_text_for_an_import_file(text: str) -> None:
    loaded(lambda text, where: import_map(toml_tables(text, where), where), text)


@settings(max_examples=100)
@given(
    text=st.one_of(
        st.text(max_size=80), spoiled((Path(__file__).parents[1] / "drivers/maps/supply.toml").read_text("utf-8"))
    )
)
@example(text="x = " + "[" * 3000)
@example(text="decimals = " + "9" * 5000)
def test_any_text_for_a_command_map(tmp_path_factory: pytest.TempPathFactory, text: str) -> None:
    path = tmp_path_factory.getbasetemp() / "any.toml"
    path.write_bytes(text.encode("utf-8", "surrogatepass"))
    said = ""
    try:
        found = load_map(path)
    except MapError as error:
        said = str(error)
    assert "any.toml" in said if said else isinstance(found, CommandMap)


@pytest.mark.parametrize(
    ("found", "known", "words"),
    [
        ("serie", ["name", "series"], 'did you mean "series"? '),
        ("Capacity", ["rated_capacity", "mass"], 'did you mean "rated_capacity"? '),
        ("SERIES", ["series"], 'did you mean "series"? '),
        ("colour", ["name", "series", "mass"], ""),
        ("", ["name"], ""),
        ("x", [], ""),
    ],
)
def test_what_was_meant_is_guessed_if_it_is_near(found: str, known: list[str], words: str) -> None:
    assert meant(found, known) == words


def test_the_right_files_of_these_tests_are_right() -> None:
    assert isinstance(read_pack(FILES["pack"]), Pack)
    assert isinstance(read_bench(FILES["bench"], "b"), Bench)
    assert tomllib.loads(FILES["profile"])["step"]
    assert {"bench", "pack", "profile"} <= set(MODELS)
