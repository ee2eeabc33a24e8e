import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchwarden.results.columns import ColumnsError, header, labels, parse_row, read_header, row
from benchwarden.results.sample import Sample

finite = st.floats(allow_nan=False, allow_infinity=False, min_value=-1e12, max_value=1e12)
maybe = st.none() | finite
word = st.text(st.characters(exclude_characters=',"\r\n', exclude_categories=("Cs", "Cc")), max_size=20)
whole = st.integers(0, 10**9)
samples = st.builds(
    Sample,
    sequence=whole,
    test_time_s=finite,
    unix_time_s=finite,
    step_count=whole,
    step_type=word,
    step_time_s=finite,
    phase=word,
    output=st.sampled_from(["off", "load", "supply"]),
    voltage_v=maybe,
    current_a=maybe,
    groups_v=st.lists(maybe, max_size=14).map(tuple),
    temperatures_c=st.lists(maybe, max_size=6).map(tuple),
    charging_ah=finite,
    discharging_ah=finite,
    charging_wh=finite,
    discharging_wh=finite,
    groups_age_s=maybe,
    temperatures_age_s=maybe,
)

PLAIN = Sample(
    sequence=7,
    test_time_s=12.5,
    unix_time_s=1795640651.25,
    step_count=2,
    step_type="discharge",
    step_time_s=1.5,
    phase="discharge",
    output="load",
    voltage_v=22.0,
    current_a=-10.0,
    groups_v=(3.7, None),
    temperatures_c=(25.0, 24.0, 23.0),
    charging_ah=0.0,
    discharging_ah=0.25,
    charging_wh=0.0,
    discharging_wh=5.5,
    groups_age_s=0.25,
    temperatures_age_s=None,
)
PLACES = ("middle", "joint", "ambient")


def test_labels_are_the_open_formats() -> None:
    # Battery Data Format, ontology 1.3.0 (2026-07-19): preferred labels, three required columns first.
    found = labels(2, PLACES)
    assert found[:3] == ["Test Time / s", "Voltage / V", "Current / A"]
    optional = {
        "Unix Time / s",
        "Step Count / 1",
        "Record Index / 1",
        "Step Type",
        "Step Time / s",
        "Power / W",
        "Charging Capacity / Ah",
        "Discharging Capacity / Ah",
        "Charging Energy / Wh",
        "Discharging Energy / Wh",
        "Ambient Temperature / degC",
        "Temperature T1 / degC",
        "Temperature T2 / degC",
    }
    assert optional < set(found)
    extras = set(found) - optional - set(found[:3])
    assert extras == {
        "Phase",
        "Output",
        "Groups Age / s",
        "Temperatures Age / s",
        "Group 1 Voltage / V",
        "Group 2 Voltage / V",
    }
    assert len(found) == len(set(found))


def test_a_row_word_for_word() -> None:
    names = header(2, PLACES).rstrip("\n").split(",")
    fields = row(PLAIN).rstrip("\n").split(",")
    read = dict(zip(names, fields, strict=True))
    assert read["Current / A"] == "-10.0"  # Battery Data Format: negative discharges
    assert read["Power / W"] == "-220.0"
    assert read["Record Index / 1"] == "7"
    assert read["Group 1 Voltage / V"] == "3.7"
    assert read["Group 2 Voltage / V"] == ""
    assert read["Ambient Temperature / degC"] == "23.0"
    assert read["Temperature T2 / degC"] == "24.0"
    assert read["Temperatures Age / s"] == ""


@given(samples)
def test_every_sample_reads_back_as_it_was(sample: Sample) -> None:
    places = [f"place {index}" for index in range(len(sample.temperatures_c))]
    layout = read_header(header(len(sample.groups_v), places))
    assert parse_row(row(sample), layout) == sample


@given(samples, st.sampled_from([math.nan, math.inf, -math.inf]))
def test_no_text_of_nan_or_inf_is_written(sample: Sample, bad: float) -> None:
    broken = replace(
        sample, step_type="", phase="", voltage_v=bad, current_a=bad, groups_v=(bad, 3.7), temperatures_c=(bad,)
    )
    text = row(broken)
    assert "nan" not in text
    assert "inf" not in text
    back = parse_row(text, read_header(header(2, ["middle"])))
    assert (back.voltage_v, back.current_a, back.groups_v, back.temperatures_c) == (None, None, (None, 3.7), (None,))


@pytest.mark.parametrize("name", ["test_time_s", "unix_time_s", "step_time_s", "charging_ah", "discharging_wh"])
def test_a_clock_or_counter_that_is_no_number_is_refused(name: str) -> None:
    bad: Any = {name: math.nan}
    with pytest.raises(ColumnsError, match=r"sample 7, .*finite"):
        row(replace(PLAIN, **bad))


@pytest.mark.parametrize("text", ["a,b", 'a"b', "a\nb", "a\rb"])
def test_a_word_that_would_break_the_row_is_refused(text: str) -> None:
    with pytest.raises(ColumnsError, match="plain words"):
        row(replace(PLAIN, phase=text))


@pytest.mark.parametrize(
    ("place", "text", "words"),
    [
        (1, "nan", "not finite"),
        (0, "inf", "not finite"),
        (1, "1,5", "fields"),  # a decimal comma makes one field too many
        (0, "", "could not convert"),
        (5, "7.5", "invalid literal"),
        (18, "-inf", "not finite"),
    ],
)
def test_what_is_not_a_row_is_refused(place: int, text: str, words: str) -> None:
    fields = row(PLAIN).rstrip("\n").split(",")
    fields[place] = text
    with pytest.raises(ColumnsError, match=words):
        parse_row(",".join(fields), read_header(header(2, PLACES)))


def test_a_header_of_another_program_is_refused() -> None:
    with pytest.raises(ColumnsError, match=r"column 2: found 'Voltage / mV'; 'Voltage / V'"):
        read_header(header(2, PLACES).replace("Voltage / V", "Voltage / mV", 1))
    with pytest.raises(ColumnsError, match="column 1"):
        read_header("")
    with pytest.raises(ColumnsError, match="found nothing"):
        read_header("Test Time / s,Voltage / V")


def test_layout_knows_where_the_surroundings_are() -> None:
    assert read_header(header(6, PLACES)).ambient == 2
    assert read_header(header(6, ["ambient", "middle"])).ambient == 0
    layout = read_header(header(0, ["middle"]))
    assert (layout.groups, layout.temperatures, layout.ambient) == (0, 1, None)


def test_labels_refuse_what_cannot_be() -> None:
    with pytest.raises(ColumnsError, match="named once"):
        labels(1, ["middle", "middle"])
    with pytest.raises(ColumnsError, match="zero or more"):
        labels(-1, [])


@pytest.mark.oracle
def test_the_formats_own_validator_accepts_our_files(tmp_path: Path) -> None:
    # batterydf 0.1.0 (Battery Data Alliance), bdf.validate: required columns and times; extras are tolerated.
    bdf = pytest.importorskip("bdf")
    path = tmp_path / "samples-001.bdf.csv"
    rows = [replace(PLAIN, sequence=n, test_time_s=float(n), unix_time_s=1795640651.0 + n) for n in range(5)]
    path.write_text(header(2, PLACES) + "".join(map(row, rows)))
    assert bdf.validate(path, raise_on_error=False)["ok"] is True
    path.write_text(path.read_text().replace("Voltage / V", "Voltage / mV", 1))
    assert bdf.validate(path, raise_on_error=False)["ok"] is False
