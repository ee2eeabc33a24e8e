import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchwarden.drivers.reply import (
    BadReply,
    Identity,
    Numbers,
    parse_error,
    parse_identity,
    parse_number,
    parse_switch,
    parse_whole,
)


@pytest.mark.parametrize(
    ("text", "value"),
    [
        # IEEE 488.2 section 8.7: the three forms of numeric response data, NR1, NR2, NR3
        ("273", 273.0),
        ("0.273", 0.273),
        ("2.73E+2", 273.0),
        ("-2.73E-2", -0.0273),
        ("+5", 5.0),
        (" 5.000 ", 5.0),
        ("5.", 5.0),
        (".5", 0.5),
    ],
)
def test_numbers_in_the_three_forms_of_the_standard(text: str, value: float) -> None:
    assert parse_number(text) == value


@pytest.mark.parametrize(
    "text",
    # SCPI-1999 volume 1, section 7.2.1.4 and 7.2.1.5: infinity, negative infinity, not a number
    ["9.9E+37", "-9.9E+37", "9.91E+37", "9.9000E37", "1E999", "-1.1e30"],
)
def test_special_numbers_are_no_value(text: str) -> None:
    assert parse_number(text) is None


@pytest.mark.parametrize(
    "text",
    ["", " ", "junk", "NAN", "INF", "nan", "inf", "1_000", "0x10", "1,5", "1 2", "12.5V", "--1", "1e", "²", "１"],
)
def test_what_is_no_number_is_refused(text: str) -> None:
    with pytest.raises(BadReply, match="wanted"):
        parse_number(text)


@pytest.mark.parametrize("text", ["12.34V", "12.34 V", "12.34v"])
def test_a_unit_is_read_where_the_map_says_so(text: str) -> None:
    assert parse_number(text, "V") == 12.34


@pytest.mark.parametrize("text", ["12.34", "12.34A", "12.34mV", "12.34  V", "V"])
def test_a_missing_or_other_unit_is_refused(text: str) -> None:
    with pytest.raises(BadReply, match="unit 'V'"):
        parse_number(text, "V")


@given(st.floats(allow_nan=False, allow_infinity=False, min_value=-1e29, max_value=1e29))
def test_every_way_to_write_a_number_gives_it_back(value: float) -> None:
    assert parse_number(f"{value!r}") == value
    assert parse_number(f"{value:+.17E}") == value


@given(st.text(max_size=20))
def test_any_text_is_a_finite_number_or_none_or_refused(text: str) -> None:
    try:
        value = parse_number(text)
    except BadReply:
        return
    assert value is None or math.isfinite(value)


def test_several_numbers_in_one_reply() -> None:
    pair = Numbers(("voltage_v", "current_a"), ("V", "A"), ",")
    assert pair.parse("22.184V,4.500A") == [22.184, 4.5]
    assert pair.parse("22.184 V, 9.9E37 A") == [22.184, None]


@pytest.mark.parametrize(
    ("text", "complaint"),
    [
        ("22.184V", "1 fields"),
        ("22.184V,4.5A,1", "3 fields"),
        ("22.184V,", "current_a is ''"),
        (",4.5A", "voltage_v is ''"),
        ("22.184V,4.5V", "current_a is '4.5V'"),
        ("", "1 fields"),
    ],
)
def test_the_complaint_names_the_field(text: str, complaint: str) -> None:
    with pytest.raises(BadReply, match=complaint):
        Numbers(("voltage_v", "current_a"), ("V", "A"), ",").parse(text)


@given(st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=12), st.integers(0, 11))
def test_a_reply_with_another_count_is_refused(values: list[float], more: int) -> None:
    wanted = Numbers([f"group_{n}_v" for n in range(more + 1)], [""] * (more + 1), ",")
    text = ",".join(f"{value:.4f}" for value in values)
    if len(values) == more + 1:
        assert wanted.parse(text) == pytest.approx(values, abs=1e-4)
    else:
        with pytest.raises(BadReply):
            wanted.parse(text)


def test_identity_has_exactly_four_fields() -> None:
    # IEEE 488.2 section 10.14: manufacturer, model, serial number or 0, firmware level or 0
    assert parse_identity("SHED,BOX,0,0") == Identity("SHED", "BOX", "0", "0")
    for text in ("SHED,BOX,1", "SHED,BOX,1,2,3", ",BOX,1,2", "SHED,,1,2", "", "12.3"):
        with pytest.raises(BadReply, match="four fields"):
            parse_identity(text)


def test_identity_is_the_same_after_new_firmware_only() -> None:
    first = Identity("SHED", "BOX", "7", "1.0")
    assert first.same_instrument(Identity("SHED", "BOX", "7", "2.0"))
    assert not first.same_instrument(Identity("SHED", "BOX", "8", "1.0"))


@pytest.mark.parametrize(
    ("text", "code", "words"),
    [
        # SCPI-1999 volume 2, section 21.8: numbers and texts of the error queue
        ('0,"No error"', 0, "No error"),
        ('-113,"Undefined header"', -113, "Undefined header"),
        ('-222,"Data out of range;CURR 999"', -222, "Data out of range;CURR 999"),
        ('+0, "NO ERROR"', 0, "NO ERROR"),
        ('300,"a ""quoted"" word"', 300, 'a "quoted" word'),
    ],
)
def test_error_queue(text: str, code: int, words: str) -> None:
    assert parse_error(text) == (code, words)


@pytest.mark.parametrize("text", ["0", "No error", "0,No error", '"0","No error"', ""])
def test_error_queue_refuses_other_texts(text: str) -> None:
    with pytest.raises(BadReply, match="wanted"):
        parse_error(text)


def test_switches_and_whole_numbers() -> None:
    off, on = ("0", "OFF"), ("1", "ON")
    assert [parse_switch(text, off, on) for text in ("0", "off", "1", ' "ON" ')] == [False, False, True, True]
    for text in ("", "2", "OFFON", "0.0"):
        with pytest.raises(BadReply, match="wanted one of"):
            parse_switch(text, off, on)
    assert parse_whole("5") == parse_whole("5.0") == parse_whole("+5E0") == 5
    for text in ("5.5", "9.91E+37", "five"):
        with pytest.raises(BadReply):
            parse_whole(text)
