"""JSON Schemas are printed, and real traffic of a whole run is what they describe."""

import asyncio
import json
import re
from collections.abc import Iterator
from functools import lru_cache
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator
from pydantic import TypeAdapter, ValidationError

from benchwarden.daemon.commands.file_words import CUT_OFFS, WORDS, words_for
from benchwarden.daemon.commands.schema import FILES, MODELS, schema_of
from benchwarden.daemon.main import main
from benchwarden.daemon.planning.jobs import Job
from benchwarden.daemon.running.progress import Progress, View, left_s
from benchwarden.daemon.serving.feed import Feed, Reader
from benchwarden.daemon.serving.list_file import as_data
from benchwarden.daemon.serving.messages import state_message
from benchwarden.daemon.serving.run_desk import RunDesk
from benchwarden.daemon.serving.telling import Telling
from benchwarden.daemon.serving.waiting_list import Entry, WaitingList
from benchwarden.profiles.pack import read_pack
from benchwarden.profiles.plan import work_out
from benchwarden.profiles.profile import read_profile
from benchwarden.profiles.quantity import (
    AccuracyOf,
    Area,
    Beta,
    BurstOf,
    Capacity,
    CurrentAmount,
    Duration,
    PowerAmount,
    Resistance,
    Span,
    Temperature,
    Voltage,
    WireArea,
)
from benchwarden.results.sample import Sample
from benchwarden.simulators.start import SimulatedBench
from tests.ideal_bay import discharge_toml, ideal_bay, pack_toml
from tests.test_every_field import KEYS, RIGHT, TABLES, WRITTEN, Key, Place, put
from tests.test_whole_chain import even_pack
from tests.virtual_bench import on_virtual_time, run_test


def checked(message: dict[str, Any]) -> str:
    """Return a message's kind once its model has taken it, and, by jsonschema, the schema that is published."""
    kind = str(message["kind"])
    MODELS[kind].model_validate(message)
    _validator(kind).validate(message)
    return kind


@lru_cache
def _validator(kind: str) -> Draft202012Validator:
    schema = schema_of(kind)
    Draft202012Validator.check_schema(schema)
    return Draft202012Validator(schema)


def test_every_schema_is_printed_by_name_and_all_at_once(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["schema"]) == 0
    every = json.loads(capsys.readouterr().out)
    assert set(every) == {*("sample", "state", "event", "result", "alarm", "status", "answer", "stop"), *FILES}
    assert set(FILES) == set(WRITTEN), "and there is one of every file that people write"
    for name, found in every.items():
        assert main(["schema", name]) == 0
        assert json.loads(capsys.readouterr().out) == found
        assert found["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    assert main(["schema", "gull"]) == 2
    assert "found 'gull'; right would be one of sample, state" in capsys.readouterr().err


def test_quantities_in_files_are_text_with_a_unit() -> None:
    pack = schema_of("pack")["properties"]
    assert pack["rated_capacity"]["type"] == "string"
    assert pack["series"]["type"] == "integer"
    steps = schema_of("profile")["$defs"]
    assert "default" not in steps["ChargeStep"]["properties"]["at_most"]  # it would be seconds
    assert steps["DischargeStep"]["properties"]["power"]["examples"] == ["5C", "300 W"]
    assert steps["StopAt"]["properties"]["group_voltage"]["type"] == "string"
    loads = schema_of("bench")["$defs"]["BayEntry"]["properties"]["load"]
    assert {tuple(one) for one in loads["anyOf"]} == {("$ref",), ("items", "type")}


def tables_of(name: str) -> dict[str, dict[str, Any]]:
    """Every table of a file with its keys, by the model's name."""
    schema = schema_of(name)
    return {str(table["title"]): table.get("properties", {}) for table in (schema, *schema["$defs"].values())}


def keys_in_files() -> set[tuple[str, str]]:
    return {(model, key) for name in FILES for model, keys in tables_of(name).items() for key in keys}


def test_every_key_of_a_file_says_what_it_is_and_no_words_are_left_over() -> None:
    keys = keys_in_files()
    assert [one for one in sorted(keys) if not words_for(*one)] == []
    own = {(model, key) for model, words in WORDS.items() if model != "*" for key in words}
    assert sorted(own - keys) == []
    assert sorted(set(WORDS["*"]) - {key for _, key in keys}) == []
    assert keys >= CUT_OFFS
    for name in FILES:
        for keys_of_table in tables_of(name).values():
            for found in keys_of_table.values():
                assert found["description"].endswith(".")
                assert {"type": "null"} not in found.get("anyOf", [])


@pytest.mark.parametrize(
    ("kind", "right", "wrong"),
    [
        (Capacity, ["5.0 Ah", " 5000mAh ", "1e3 mAh", ".5 Ah"], ["5", "5 A", "-5 Ah", "Ah", ""]),
        (Voltage, ["4.20 V", "30 mV"], ["4.2", "4.2 A", "-1 V"]),
        (Resistance, ["0.5 ohm", "12 mΩ", "10 kΩ"], ["0.5 V"]),
        (Beta, ["3950 K"], ["3950", "3950 °C"]),
        (Duration, ["30 min", "2 h"], ["30", "30 m"]),
        (Area, ["0.203 m²", "2030 cm2"], ["0.2 m", "0.2"]),
        (Temperature, ["35 °C", "-10 degC"], ["35 K", "35"]),
        (Span, ["23 ± 5 °C", "10 to 40 °C", "23 +/- 5 °C", "-5 to 5 °C"], ["23 °C", "10-40 °C"]),
        (WireArea, ["12 AWG", "3.3 mm²"], ["12"]),
        (BurstOf, ["90 A for 5 s"], ["90 A"]),
        (CurrentAmount, ["5C", "0.5 C", "45 A"], ["5", "5 W"]),
        (PowerAmount, ["5C", "300 W", "1.5 kW"], ["300 A"]),
        (AccuracyOf, ["0.05 % + 0.02 % of 150 V", "0.5 K"], ["0.5 %"]),
    ],
)
def test_editors_take_what_the_program_takes(kind: Any, right: list[str], wrong: list[str]) -> None:
    """Editors judge by a pattern: never stricter than the parser, and awake to a missing or a wrong unit."""
    adapter: TypeAdapter[Any] = TypeAdapter(kind)
    schema = adapter.json_schema()
    for text in (*right, *schema["examples"]):
        adapter.validate_python(text)
        assert re.search(schema["pattern"], text), text
    for text in wrong:
        with pytest.raises(ValidationError):
            adapter.validate_python(text)
        assert not re.search(schema["pattern"], text), text


def plain(data: Any) -> Any:
    """TOML's values as an editor's checker sees them; a date is text to it."""
    return json.loads(json.dumps(data, default=str))


@pytest.mark.parametrize(("file", "number"), RIGHT)
def test_an_editor_finds_nothing_wrong_with_a_right_file(file: str, number: int) -> None:
    """By another reader of JSON Schema 2020-12, the package jsonschema."""
    schema = schema_of(file)
    Draft202012Validator.check_schema(schema)
    assert [error.message for error in Draft202012Validator(schema).iter_errors(plain(RIGHT[file, number]))] == []


@pytest.mark.parametrize(("file", "number", "place", "key"), TABLES, ids=str)
def test_an_editor_marks_a_key_that_is_not_known(file: str, number: int, place: Place, key: str) -> None:
    wrong = plain(put(RIGHT[file, number], (*place, f"{key}x"), 5))
    assert any(f"{key}x" in str(error.message) for error in every_error(Draft202012Validator(schema_of(file)), wrong))


@pytest.mark.parametrize("key", [key for key in KEYS if key.field.is_required()], ids=str)
def test_an_editor_marks_a_key_that_is_missing(key: Key) -> None:
    wrong = plain(put(RIGHT[key.file, key.number], key.place, ...))
    assert not Draft202012Validator(schema_of(key.file)).is_valid(wrong)


def every_error(checker: Any, data: Any) -> Iterator[Any]:
    """The errors of every branch: of a step's kinds, only the one that `do` names says what is wrong in it."""
    found = list(checker.iter_errors(data))
    while found:
        error = found.pop()
        yield error
        found += error.context or ()


@pytest.mark.parametrize(
    ("profile", "told"), [("capacity", "capacity"), ("/home/wren/profiles/draw.toml", "draw.toml"), ("draw", "draw")]
)
def test_a_state_tells_nobody_where_files_lie_on_this_machine(profile: str, told: str) -> None:
    test = Entry(1, profile, "Short draw", "", run="/home/wren/runs/heron/2026-11-25T21-04-11Z_draw")
    found = {"list": as_data(WaitingList("left", "/home/wren/heron.toml", "Heron", (test,)))}
    message = state_message("bird-shed", "left", 0.0, found | {"question": None, "off": None}, None)
    assert checked(message) == "state"
    assert "wren" not in json.dumps(message)
    assert message["tests"][0]["profile"] == told


def test_a_whole_run_on_virtual_time_tells_what_the_schemas_say(tmp_path: Path) -> None:
    told: list[dict[str, Any]] = []
    plan: list[Any] = []

    async def work() -> Any:
        pack, profile = pack_toml(6), discharge_toml('power = "300 W"')
        scenario = ideal_bay(even_pack())
        progress = Progress()
        feed = Feed(tmp_path / "feed.sock", list)
        reader = Reader(longest=1_000_000)
        feed._readers[reader] = asyncio.Event()
        entry: list[Any] = []

        def before(bench: SimulatedBench) -> None:
            from benchwarden.daemon.bench import read_bench

            bay = read_bench(bench.bench_toml(), "bench.toml").bay[0]
            wanted, found = read_profile(profile, "profile"), read_pack(pack)
            planned = work_out(wanted, found, bay.abilities())
            desk = RunDesk("Bird Shed", [Job(bay, found, wanted, "profile", planned)])
            telling = Telling("Bird Shed", {bay.name: bay.places}, progress, desk.states)
            telling.feed = feed
            entry.append(telling)
            plan.append(planned)
            for message in telling.greeting():
                feed.tell(message)

        def each(bench: SimulatedBench, sample: Sample) -> None:
            view = View("Sanderling", 1, sample, left_s(plan[0], sample), run="sanderling/one")
            entry[0].show(scenario.name, view)

        try:
            return await run_test(
                tmp_path / "runs",
                scenario,
                pack,
                profile,
                before=before,
                each=each,
                heard=lambda event: entry[0].event(scenario.name, "sanderling/one", event),
            )
        finally:
            await asyncio.sleep(0)
            told.extend(json.loads(line) for line in reader.take().splitlines())
            feed._readers.clear()
            progress.close()

    done = on_virtual_time(work())
    kinds = [checked(message) for message in told]
    assert kinds[0] == "state"
    assert kinds.count("sample") == len(done.run.samples) > 100
    events = [message for message in told if message["kind"] == "event"]
    assert [event["seq"] for event in events] == list(range(1, len(done.run.events) + 1))
    assert events[-1]["event"] == "ended"
