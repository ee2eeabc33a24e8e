import re
from pathlib import Path

import pytest

from benchwarden.drivers.command_map import MAPS_FOLDER, MapError, load_map, parse_map, shipped_maps

MILLIVOLTS = """
title = "Scanner of thermocouples, in millivolts"
role = "temperature"
[measure]
ask = "READ? {channels}"
each = { quantity = "voltage", unit = "MV", factor = 0.001 }
cold = { ask = "COLD?", unit = "C" }
"""
HERE = Path(__file__).parent

SMALLEST = """
title = "Voltmeter"
role = "voltmeter"
[measure]
ask = "MEAS:VOLT?"
columns = [{ name = "voltage_v" }]
"""


def test_every_shipped_map_loads_for_its_role() -> None:
    assert {name: load_map(name).role for name in shipped_maps()} == {
        "load-function": "load",
        "load-mode": "load",
        "supply": "supply",
        "scanner": "cells",
        "thermometer": "temperature",
        "thermometer-resistance": "temperature",
        "thermometer-voltage": "temperature",
        "voltmeter": "voltmeter",
    }
    assert load_map("supply") is load_map("supply")


@pytest.mark.parametrize("name", shipped_maps())
def test_headers_are_written_in_long_and_short_form(name: str) -> None:
    # SCPI-1999 volume 1, section 6.2.1: the short form is the first four letters, three if the fourth is a vowel
    # and the keyword is longer than four.
    text = (MAPS_FOLDER / f"{name}.toml").read_text(encoding="utf-8")
    body = "\n".join(line for line in text.splitlines() if not line.startswith(("#", "title")))
    words = re.findall(r"\b[A-Z]{3,}[a-z]+\b", body)
    assert words
    for word in words:
        short = word[:4] if len(word) <= 4 or word[3].upper() not in "AEIOU" else word[:3]
        assert re.match(r"[A-Z]+", word)[0] == short.upper(), word  # type: ignore[index]


def test_a_map_of_ones_own_is_given_by_its_path() -> None:
    assert load_map(HERE / "maps" / "load-words.toml").title == "DC load, words and units"
    with pytest.raises(MapError, match="cannot be read"):
        load_map("nowhere.toml")
    with pytest.raises(MapError, match="shipped are load-function"):
        load_map("load-fonction")


def test_all_mistakes_are_told_at_once_with_file_and_key() -> None:
    wrong = SMALLEST.replace("role =", "rule =").replace("ask =", "asks =") + "\nspeed = 3\n"
    with pytest.raises(MapError) as caught:
        parse_map(wrong, "mine.toml")
    lines = str(caught.value).splitlines()
    assert all(line.startswith("mine.toml: ") for line in lines)
    for key in ("role", "rule", "measure.ask", "measure.asks", "measure.speed"):
        assert any(f"mine.toml: {key}:" in line for line in lines), key


LOAD = (MAPS_FOLDER / "load-mode.toml").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("text", "complaint"),
    [
        ("title = ", "not TOML"),
        (SMALLEST.replace("voltage_v", "volts"), r"measure\.columns lacks voltage_v"),
        (SMALLEST.replace('"voltmeter"', '"load"'), "output is missing.*draw is missing"),
        (SMALLEST.replace('"voltmeter"', '"supply"'), "feed is missing"),
        (SMALLEST.replace('"voltmeter"', '"cells"'), r"measure\.each is missing"),
        (SMALLEST.replace("MEAS:VOLT?", "MEAS:VOLT? {channels}"), "unknown placeholder {channels}"),
        (SMALLEST.replace("MEAS:VOLT?", "MEAS:VOLT?\\n"), "not one line of ASCII"),
        (SMALLEST.replace("MEAS:VOLT?", "MEAS {0}"), "plain name in braces"),
        (SMALLEST + "each = {}\n", "either columns"),
        (LOAD.replace("{ceiling}", "{limit}"), r"draw\.current\.set = 'CURRent:LIMit {limit}'.*{ceiling}, {level}"),
        (LOAD.replace('of = "level"', 'of = "power"'), r"draw\.power\.check\.of"),
        (LOAD.replace('on_replies = ["1", "ON"]', 'on_replies = ["1", "off"]'), "OFF cannot mean off and on"),
        (LOAD.replace('off = "LOAD OFF"', 'off = "LOAD {level}"'), r"output\.off"),
        (LOAD.replace("words = { NONE", "bits = { 3"), "not a|valid integer|powers of two"),
        (LOAD.replace('{ ask = "TRIP?", words', '{ ask = "TRIP?", wards'), r"protect\.tripped\.0\.wards"),
        (LOAD.replace("sign = -1", "sign = 0"), r"measure\.columns\.1\.sign"),
        (LOAD.replace("sign = -1", "factor = 0.0"), r"measure\.columns\.1\.factor"),
        (LOAD.replace('{ ask = "MODE?", words = ["POW", "POWER"] }', '{ ask = "MODE?" }'), r"either of"),
        (LOAD.replace('name = "energy_wh"', 'name = "energy"'), r"counters: .*charge_ah and energy_wh"),
        (LOAD.replace('"COUNter?"', '"COUNter? {level}"'), r"counters\.ask = .*unknown placeholder {level}"),
        (MILLIVOLTS.replace("cold =", "cool ="), r"measure\.cool.*did you mean \"cold\""),
        (re.sub("cold = .*", "", MILLIVOLTS), r"measure\.cold is missing: a thermocouple's voltage says nothing"),
        (MILLIVOLTS.replace('"voltage"', '"resistance"'), r'measure\.cold is for measure\.each\.quantity = "voltage"'),
        (MILLIVOLTS.replace('quantity = "voltage", ', ""), r"measure\.cold is for"),
        (MILLIVOLTS.replace('"temperature"', '"cells"'), r"quantity = 'voltage' is for the role temperature only"),
        (MILLIVOLTS.replace("COLD?", "COLD? {channels}"), r"measure\.cold\.ask = .*unknown placeholder {channels}"),
        (MILLIVOLTS.replace("unit =", 'name = "volts", unit =', 1), r"measure\.each\.name: there is no such key"),
        (SMALLEST + '[counters]\nask = "COUN?"\ncolumns = [{ name = "charge_ah" }]\n', "counters are read of a load"),
    ],
)
def test_a_map_that_cannot_work_is_refused_when_it_is_read(text: str, complaint: str) -> None:
    with pytest.raises(MapError, match=f"(?s)mine.toml: .*{complaint}"):
        parse_map(text, "mine.toml")
