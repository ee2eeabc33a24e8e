"""Every field of every file that people write, wrongly; what is tried follows from the models.

Of another type, without a unit, with a wrong one, below zero, zero, not a number, absurdly large, missing; and a key
that is not known, with what was meant. Each time the mistake names file and key.
"""

import datetime
import json
import re
import tomllib
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, get_args

import pytest
from pydantic import BaseModel, TypeAdapter
from pydantic.fields import FieldInfo

from benchwarden.daemon.bench import Bench, read_bench
from benchwarden.drivers.command_map import CommandMap, MapError, parse_map
from benchwarden.profiles.craft import Craft, read_craft
from benchwarden.profiles.mistakes import FileMistakes
from benchwarden.profiles.pack import Pack, read_pack
from benchwarden.profiles.profile import Profile, read_profile
from benchwarden.results.import_map import ImportMap, import_map
from tests.test_bench import BENCH
from tests.test_pack import FULL_FILE

# --- right files that hold every key ----------------------------------------------------------------

PACK = FULL_FILE.replace(
    "[build]",
    'design = "Heron"\nmade = "2026-03"\ncycles = 12\nmass_accuracy = "0.5 g"\nsize = "95 x 47 x 48 mm"\n[build]',
)
LOW_PACK = """
name = "Dunlin"
chemistry = "li-ion"
series = 1
rated_capacity = "5 Ah"
hard_low = "2.1 V"
lowers_hard_low = true
"""
METER = 'accuracy = { voltage = "1 mV" }'
INSTRUMENT = 'via = "visa", visa_library = "@py", baud = 9600, every = "1 s", stale_after = "2 s", timeout = "0.5 s"'
BENCH_FILE = (
    BENCH.replace("simulated = true", 'simulated = true\nruns = "runs"')
    .replace('taps = "each"', 'taps = "each"\nunattended_charge = true\ncharge = "supply"\npath_resistance = "5 mohm"')
    .replace('taps = "each"', 'taps = "each"\npulse_recovery = "20 s"')
    .replace('map = "load-function",', f'map = "load-function", accepts_no_under_voltage_trip = true, {INSTRUMENT},')
    .replace('map = "supply",', f'map = "supply", sense = "pack connector", {METER}, {INSTRUMENT},')
    .replace('map = "scanner",', f'map = "scanner", burst_every = "0.5 s", {METER}, {INSTRUMENT},')
    .replace('map = "thermometer",', f'map = "thermometer", accuracy = {{ temperature = "0.5 K" }}, {INSTRUMENT},')
    + f"""
voltmeter = {{ at = "TCPIP::192.0.2.13::5025::SOCKET", map = "voltmeter", {METER}, {INSTRUMENT} }}
contactor = {{ at = "TCPIP::192.0.2.14::5025::SOCKET", renew = "HOLD 2", open = "OPEN", baud = 9600 }}
[alarms]
urls_file = "alarms.txt"
alive_url = "https://192.0.2.20/alive"
alive_end_url = "https://192.0.2.20/end"
[mqtt]
url = "mqtts://192.0.2.21:8883"
every = "1 s"
secret_file = "mqtt.txt"
ca_file = "ca.pem"
certificate_file = "own.pem"
key_file = "own.key"
[page]
at = "127.0.0.1:8640"
hosts = ["shed.example"]
tokens_file = "tokens.txt"
"""
)
PROFILE = """
title = "Everything"
purpose = "Every key"
cautions = "None"
source = "None"
ambient = "23 ± 5 °C"
[tables]
"a.csv" = "time / s,power / C\\n0,2\\n20,0\\n"
[[step]]
do = "ask"
text = "Well?"
answers = ["yes", "no"]
[[step]]
do = "inspect"
spread = "30 mV"
for = "10 s"
every = "1 s"
[[step]]
do = "charge"
current = "0.5C"
taper = "0.05C"
until = { charge = "50 %" }
at_most = "6 h"
every = "1 s"
[[step]]
do = "rest"
at_least = "30 min"
until_within = "2 K"
until_below = "35 °C"
at_most = "3 h"
every = "1 s"
[[step]]
do = "soak"
to = "20 °C"
within = "2 K"
hold = "1 min"
at_most = "1 h"
every = "1 s"
[[step]]
do = "discharge"
power = "5C"
stop_at = { group_voltage = "2.8 V", temperature = "50 °C" }
every = "1 s"
at_most = "2 h"
[step.until]
charge = "1 Ah"
energy = "1 Wh"
time = "1 h"
voltage = "3 V"
temperature = "40 °C"
group_spread = "50 mV"
[[step]]
do = "discharge"
current = "5 A"
stop_at = { group_voltage = "2.8 V" }
[[step]]
do = "discharge"
resistance = "2 ohm"
stop_at = { group_voltage = "2.8 V" }
[[step]]
do = "discharge"
power_table = "a.csv"
stop_at = { group_voltage = "2.8 V" }
[[step]]
do = "ladder"
from = "5C"
step = "1C"
to = "9C"
hold = "5 s"
rest = "2 min"
floor = "2.8 V"
every = "0.1 s"
[[step]]
do = "pulse"
method = "series"
levels = ["1C"]
hold = "10 s"
times = ["1 s"]
rest = "40 s"
settle = "10 min"
each = "10 %"
down_to = "50 %"
move = "1C"
floor = "2.8 V"
[[step]]
do = "store"
to = "storage"
full_first = "0.5C"
at_most = "6 h"
[[step]]
do = "repeat"
times = 2
at_most = "1 h"
until = { delivered_below = "80 % of the first", delivered_at_least = "100 % of rated" }
[[step.step]]
do = "discharge"
power = "5C"
stop_at = { group_voltage = "2.8 V" }
"""
CRAFT = """
name = "Gull"
empty_mass = "1.6 kg"
efficiency = 0.5
air_density = 1.2
power_accuracy = "10 %"
reserve = "20 %"
"""
CRAFTS = (
    CRAFT + 'rotors = 4\nrotor_diameter = "38 cm"\n',
    CRAFT + 'disc_area = "0.45 m²"\n',
    'name = "Gull"\nempty_mass = "1.6 kg"\nhover = { power = "250 W", mass = "2.1 kg" }\n',
)
IMPORT = """
title = "old one"
started = 2019-05-27T10:00:00Z
discharge = "positive"
cut_off = "2.8 V"
bench = "kitchen"
cooling = "fan"
sense = "pack connector"
columns = { time = { name = "t", unit = "s" }, voltage = "U", current = "I" }
accuracy = { voltage = "0.1 % + 10 mV", current = "1 % + 10 mA", group_voltage = "0.1 % + 5 mV", temperature = "1 K" }
[pack]
name = "Heron"
chemistry = "li-ion"
design = "Heron"
series = 6
rated_capacity = "5 Ah"
mass = "452 g"
mass_accuracy = "0.5 g"
size = "95 x 47 x 48 mm"
nominal_voltage = "3.6 V"
"""
PLAIN_THERMOMETER = re.search(r"^temperature = .*$", BENCH, re.MULTILINE)
assert PLAIN_THERMOMETER is not None


def with_probe(kind: str, probe: str) -> str:
    """A bench file whose thermometer answers volts or ohms of this probe."""
    entry = PLAIN_THERMOMETER[0].replace('"thermometer"', f'"thermometer-{kind}"')  # type: ignore[index]
    return BENCH.replace(PLAIN_THERMOMETER[0], f"{entry[:-1]}, probe = {{ {probe} }} }}")  # type: ignore[index]


PROBED = (
    with_probe("voltage", 'kind = "type-k"'),
    with_probe("resistance", 'kind = "platinum", r0 = "100 ohm"'),
    with_probe("resistance", 'kind = "ntc", r25 = "10 kohm", beta = "3950 K"'),
    with_probe("resistance", 'kind = "steinhart-hart", a = 1.009249522e-3, b = 2.378405444e-4, c = 2.019202697e-7'),
)
MILLIVOLTS = """
title = "Scanner of thermocouples, in millivolts"
role = "temperature"
[measure]
ask = "READ? {channels}"
each = { quantity = "voltage", unit = "MV", sign = 1, factor = 0.001 }
cold = { ask = "COLD?", unit = "C", sign = 1, factor = 1.0 }
"""
MAPS = (
    "drivers/maps/load-function.toml",
    "drivers/maps/supply.toml",
    "drivers/maps/scanner.toml",
    "tests/maps/load-words.toml",
)


@dataclass(frozen=True)
class Written:
    """One kind of file: its model, its reader, what the reader raises, and right ones that hold every key."""

    model: type[BaseModel]
    read: Callable[[str, str], object]
    error: type[Exception]
    right: tuple[str, ...]


ROOT = Path(__file__).parents[1]
WRITTEN: dict[str, Written] = {
    "pack": Written(Pack, read_pack, FileMistakes, (PACK, LOW_PACK)),
    "bench": Written(Bench, read_bench, FileMistakes, (BENCH_FILE, *PROBED)),
    "profile": Written(Profile, read_profile, FileMistakes, (PROFILE,)),
    "craft": Written(Craft, read_craft, FileMistakes, CRAFTS),
    "import": Written(ImportMap, lambda text, where: import_map(tomllib.loads(text), where), FileMistakes, (IMPORT,)),
    "map": Written(
        CommandMap,
        parse_map,
        MapError,
        (
            *((ROOT / path).read_text("utf-8") for path in MAPS[:-1]),
            (ROOT / MAPS[-1]).read_text("utf-8")
            + '[ratings]\ncurrent_a = { ask = "IMAX?", unit = "A" }\n'
            + '[counters]\nask = "COUN?"\nzero_at_on = true\n'
            + 'columns = [{ name = "charge_ah", unit = "MAH", factor = 0.001 }]\n',
            MILLIVOLTS,
        ),
    ),
}

# --- the models, and what stands where --------------------------------------------------------------


def models_in(annotation: Any) -> Iterator[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    for part in get_args(annotation):
        yield from models_in(part)


def keys_below(model: type[BaseModel], seen: set[type[BaseModel]] | None = None) -> set[tuple[str, str]]:
    """Every key of a model and of all that lie in it, with the model's name."""
    seen = set() if seen is None else seen
    if model in seen:
        return set()
    seen.add(model)
    found = set()
    for name, field in model.model_fields.items():
        found.add((model.__name__, field.alias or name))
        for inner in models_in(field.annotation):
            found |= keys_below(inner, seen)
    return found


Place = tuple[str | int, ...]


@dataclass(frozen=True)
class Key:
    """A key where it stands in a right file."""

    file: str
    number: int
    model: type[BaseModel]
    place: Place
    field: FieldInfo

    @property
    def word(self) -> str:
        return str(self.place[-1])

    def __str__(self) -> str:
        return f"{self.file} {self.number} {'.'.join(str(part) for part in self.place)}"


def model_for(candidates: list[type[BaseModel]], data: Mapping[str, Any]) -> type[BaseModel] | None:
    """Which of several models a table is: the steps by their word, else the one that knows its keys."""
    for model in candidates:
        known = {field.alias or name: field for name, field in model.model_fields.items()}
        if "do" in data and data["do"] not in get_args(known["do"].annotation if "do" in known else None):
            continue
        if set(data) <= set(known):
            return model
    return None


def keys_in(file: str, number: int, model: type[BaseModel], data: Mapping[str, Any], at: Place = ()) -> Iterator[Key]:
    for name, field in model.model_fields.items():
        key = field.alias or name
        if key not in data:
            continue
        place = (*at, key)
        if key != "do":
            yield Key(file, number, model, place, field)
        inner = list(models_in(field.annotation))
        value = data[key]
        for part, where in _parts(value, place):
            if inner and isinstance(part, dict) and (found := model_for(inner, part)):
                yield from keys_in(file, number, found, part, where)


def _parts(value: Any, place: Place) -> list[tuple[Any, Place]]:
    """A table, or those in a list of tables, or in a table of tables under names of one's own."""
    if isinstance(value, dict):
        return [(value, place), *((one, (*place, key)) for key, one in value.items())]
    return [(one, (*place, n)) for n, one in enumerate(value)] if isinstance(value, list) else []


def tables_in(file: str, number: int, model: type[BaseModel], data: Mapping[str, Any]) -> list[tuple[Place, str]]:
    """Every table with one of its keys."""
    found: dict[Place, str] = {}
    for key in keys_in(file, number, model, data):
        found.setdefault(key.place[:-1], key.word)
    return list(found.items())


RIGHT = {
    (file, number): tomllib.loads(text) for file, kind in WRITTEN.items() for number, text in enumerate(kind.right)
}
# Of keys of one model, the first that stands in a file of that kind.
KEYS = list(
    {
        (key.file, key.model, key.word): key
        for (file, number), data in reversed(RIGHT.items())
        for key in reversed(list(keys_in(file, number, WRITTEN[file].model, data)))
    }.values()
)[::-1]
TABLES = [
    (file, number, place, key)
    for (file, number), data in RIGHT.items()
    for place, key in tables_in(file, number, WRITTEN[file].model, data)
]


def toml(data: Mapping[str, Any]) -> str:
    return "".join(f"{json.dumps(key)} = {_value(value)}\n" for key, value in data.items())


def _value(value: Any) -> str:
    match value:
        case bool():
            return str(value).lower()
        case str():
            return json.dumps(value, ensure_ascii=False)
        case Mapping():
            return "{" + ", ".join(f"{json.dumps(key)} = {_value(one)}" for key, one in value.items()) + "}"
        case list():
            return f"[{', '.join(_value(one) for one in value)}]"
        case datetime.datetime() | datetime.date():
            return value.isoformat()
        case _:
            return repr(value)


def put(data: Any, place: Place, value: Any) -> Any:
    """The data with another value at a place; `...` takes the key away."""
    first, rest = place[0], place[1:]
    if isinstance(data, list):
        assert isinstance(first, int)
        return [put(one, rest, value) if n == first else one for n, one in enumerate(data)]
    if rest:
        return {**data, first: put(data[first], rest, value)}
    return {key: one for key, one in {**data, first: value}.items() if one is not ...}


def at(data: Any, place: Place) -> Any:
    for part in place:
        data = data[part]
    return data


def mistakes(file: str, data: Mapping[str, Any]) -> str:
    """What the file's reader says, or nothing; whatever it raises beside its own error fails the test."""
    kind = WRITTEN[file]
    try:
        kind.read(toml(data), "some/file.toml")
    except kind.error as error:
        return str(error) or "an error without a word"
    return ""


# --- what is wrong in a field, by what belongs there -------------------------------------------------

QUANTITIES = (
    "5 V",
    "5 A",
    "5 Ah",
    "5 W",
    "5 Wh",
    "5 ohm",
    "5 s",
    "5 K",
    "5 °C",
    "5 g",
    "5 mm",
    "5 m²",
    "5 %",
    "5C",
    "12 AWG",
)
NUMBER = re.compile(r"[+-]?\d+(\.\d+)?")
OF_NO_TYPE: tuple[Any, ...] = (5, -3.5, True, float("nan"), 10**30, datetime.date(1979, 5, 27), [], {}, [[]], [5])
# Units that belong where a cut-off or a target may also be a word, and their schema says "text" only.
WORDS_OR = {"group_voltage": "V", "floor": "V", "to": "°C"}


def schema(field: FieldInfo) -> dict[str, Any]:
    kind: Any = field.annotation
    if field.metadata:
        kind = Annotated[(kind, *field.metadata)]
    found = TypeAdapter(kind).json_schema()
    choices = [one for one in found.get("anyOf", [found]) if one != {"type": "null"}]
    return dict(choices[0] if len(choices) == 1 else {"anyOf": choices}) | (
        {"$defs": found["$defs"]} if "$defs" in found else {}
    )


def is_quantity(told: Mapping[str, Any]) -> bool:
    return told.get("type") == "string" and "examples" in told and "pattern" in told


def wrong_quantities(good: str, taken: Callable[[str], object], signed: bool) -> list[Any]:
    """A quantity's wrong forms; `taken` tells which units belong there, `signed`, whether it may be zero or below."""
    others = [one for one in QUANTITIES if not taken(one)]
    assert others

    def with_number(text: str) -> str:
        return NUMBER.sub(text, good, count=1)

    bare = NUMBER.match(good)
    numbers = ["nan", "inf", "1e30", "1e999", "five", *([] if signed else ["-5", "-0.1", "0"])]
    return [
        *OF_NO_TYPE,
        "",
        " ",
        "5",
        *([bare[0]] if bare else []),
        "5 parsec",
        *others,
        *(with_number(number) for number in numbers if not (number == "0" and "AWG" in good)),
        *(["-300 °C"] if signed else []),
    ]


def wrong_values(key: Key, good: Any) -> list[Any]:
    told = schema(key.field)
    if is_quantity(told) or (key.word in WORDS_OR and isinstance(good, str) and NUMBER.match(good)):
        pattern = told.get("pattern") if is_quantity(told) else None
        unit = WORDS_OR.get(key.word, "")
        signed = "°C" in good
        with_share = "% of" in good or "% +" in good  # an accuracy: no share of the reading, but of the range

        def taken(text: str) -> bool:
            return bool(re.search(pattern, text)) if pattern is not None else text.endswith(unit)

        found = wrong_quantities(good, taken, signed)
        return [one for one in found if not (with_share and one == NUMBER.sub("0", good, count=1))]
    if "enum" in told or "const" in told:
        right = told.get("enum", [told.get("const")])
        words: tuple[Any, ...] = (2, 0, "1", "no such word", "", "x", float("nan"), [], {})
        return [word for word in words if word not in right]
    match told.get("type"):
        case "string":
            shortest = told.get("minLength", 0)
            found = [5, -3.5, True, float("nan"), [], {}]
            found += [""] * (shortest > 0) + [" "] * ("pattern" in told)
            too_long = "x" * (told.get("maxLength", 0) + 1)
            return [*found, too_long] if "maxLength" in told else found
        case "integer":
            least, most = told.get("minimum", 0), told.get("maximum", 10**20)
            return [least - 1, -1, most + 1, 10**30, 1.5, True, False, str(good), "five", float("nan"), [], {}]
        case "number":
            return [True, str(good), "half", -1.0, float("nan"), float("inf"), 1e30, [], {}]
        case "boolean":
            return [1, 0, "true", "yes", "", 1.0, float("nan"), [], {}]
        case "array":
            items = told.get("items", {})
            inside: list[Any] = [[5], [{"no": "such"}], [[]]]
            if is_quantity(items):
                inside += [[one] for one in wrong_quantities(good[0], re.compile(items["pattern"]).search, False)]
            # A single load may stand as a table instead of a list of one.
            one_table = {} if key.word == "load" else {"a": 1}
            return [5, True, "x", float("nan"), one_table, *inside]
        case "object":
            found = [5, -3.5, True, "x", float("nan"), [], [5], {"no such": []}]
            inner = told.get("additionalProperties")
            of_whole_numbers = isinstance(inner, dict) and inner.get("type") == "integer"
            # A sensor at a channel: a whole number, not below zero.
            channels: tuple[Any, ...] = (-1, 1.5, True, "1", 10**30)
            return found + [{"middle": channel} for channel in channels] * of_whole_numbers
        case _:
            return [5, -3.5, True, float("nan"), [5], {"no such key": 5}]


# --- the tests ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(("file", "number"), RIGHT)
def test_the_right_files_are_right(file: str, number: int) -> None:
    assert mistakes(file, RIGHT[file, number]) == ""
    assert tomllib.loads(toml(RIGHT[file, number])) == RIGHT[file, number]


@pytest.mark.parametrize("file", WRITTEN)
def test_every_key_of_every_model_stands_in_one_of_them(file: str) -> None:
    stands = {(key.model.__name__, key.word) for key in KEYS if key.file == file}
    assert {one for one in keys_below(WRITTEN[file].model) if one[1] != "do"} == stands


@pytest.mark.parametrize("key", KEYS, ids=str)
def test_a_field_refuses_what_it_cannot_be(key: Key) -> None:
    data = RIGHT[key.file, key.number]
    good = at(data, key.place)
    tried = wrong_values(key, good)
    assert len(tried) >= 5
    taken = []
    for wrong in tried:
        said = mistakes(key.file, put(data, key.place, wrong))
        if not said:
            taken.append(wrong)
            continue
        assert "some/file.toml: " in said
        assert key.word in said, (wrong, said)
    assert taken == []


@pytest.mark.parametrize("key", KEYS, ids=str)
def test_what_must_be_given_is_missed_by_name(key: Key) -> None:
    said = mistakes(key.file, put(RIGHT[key.file, key.number], key.place, ...))
    if key.field.is_required():
        assert key.word in said
        assert "must be given" in said or "required" in said.lower(), said
    elif said:
        assert "some/file.toml: " in said


@pytest.mark.parametrize(("file", "number", "place", "key"), TABLES, ids=str)
def test_a_key_that_is_not_known_is_told_with_what_was_meant(file: str, number: int, place: Place, key: str) -> None:
    said = mistakes(file, put(RIGHT[file, number], (*place, f"{key}x"), 5))
    assert f"{key}x" in said
    assert f'did you mean "{key}"?' in said
