import math
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchwarden.profiles import quantity as q


@pytest.mark.parametrize(
    ("parse", "text", "value"),
    [
        (q.capacity_ah, "5.0 Ah", 5.0),
        (q.capacity_ah, "5000 mAh", 5.0),
        (q.capacity_ah, "1300mAh", 1.3),
        (q.mass_kg, "452 g", 0.452),
        (q.mass_kg, "0.45 kg", 0.45),
        (q.duration_s, "30 min", 1800),
        (q.duration_s, "2 h", 7200),
        (q.duration_s, "90 s", 90),
        (q.duration_s, "0.1 s", 0.1),
        (q.difference_k, "2 K", 2),
        (q.temperature_c, "35 °C", 35),
        (q.temperature_c, "-5.5 degC", -5.5),
        (q.current_a, "45 A", 45),
        (q.current_a, "250 mA", 0.25),
        (q.power_w, "1500 W", 1500),
        (q.power_w, "1.5 kW", 1500),
        (q.voltage_v, "4.20 V", 4.2),
        (q.resistance_ohm, "0.5 ohm", 0.5),
        (q.resistance_ohm, "12 m\u03a9", 0.012),
        (q.resistance_ohm, "12 m\u2126", 0.012),
        (q.resistance_ohm, "10 kohm", 10_000),
        (q.resistance_ohm, "10 k\u03a9", 10_000),
        (q.beta_k, "3950 K", 3950),
        (q.length_m, "10 mm", 0.01),
        (q.wire_area_m2, "3.3 mm²", 3.3e-6),
        (q.current_amount, "5C", q.Amount(5, "C")),
        (q.current_amount, "0.5 C", q.Amount(0.5, "C")),
        (q.current_amount, "45 A", q.Amount(45, "A")),
        (q.current_amount, "1e1 A", q.Amount(10, "A")),
        (q.power_amount, "5C", q.Amount(5, "C")),
        (q.power_amount, "300 W", q.Amount(300, "W")),
        (q.temperature_span, "23 ± 5 °C", q.TemperatureSpan(18, 28)),
        (q.temperature_span, "23 +/- 5 °C", q.TemperatureSpan(18, 28)),
        (q.temperature_span, "10 to 40 °C", q.TemperatureSpan(10, 40)),
        (q.burst, "90 A for 5 s", q.Burst(90, 5)),
        (q.accuracy, "0.05 % + 0.02 % of 150 V", q.Accuracy(0.0005, 0.03, "V")),
        (q.accuracy, "0.1 % + 30 mA", q.Accuracy(0.001, 0.03, "A")),
        (q.accuracy, "0.5 K", q.Accuracy(0, 0.5, "K")),
        (q.volume_l, "95 x 47 x 48 mm", 0.21432),
        (q.volume_l, "9.5 × 4.7 × 4.8 cm", 0.21432),
        (q.area_m2, "0.203 m²", 0.203),
        (q.area_m2, "2030 cm2", 0.203),
        (q.percent, "20 %", 0.2),
        (q.last_digit_kg, "452 g", 0.001),
        (q.last_digit_kg, "0.4520 kg", 0.0001),
        (q.last_digit_kg, "4.52e2 g", 0.001),
        (q.last_digit_kg, "heavy", None),
    ],
)
def test_what_people_write_is_read(parse: Any, text: Any, value: Any) -> None:
    found = parse(text)
    if isinstance(value, q.Accuracy):
        assert (found.of_reading, found.absolute) == pytest.approx((value.of_reading, value.absolute))
        assert found.unit == value.unit
    else:
        assert found == pytest.approx(value) if isinstance(value, int | float) else found == value


@pytest.mark.parametrize(
    ("parse", "found"),
    [
        (q.capacity_ah, "5.0"),
        (q.capacity_ah, 5.0),
        (q.capacity_ah, "5.0 A"),
        (q.capacity_ah, "-5 Ah"),
        (q.capacity_ah, "0 Ah"),
        (q.capacity_ah, "nan Ah"),
        (q.capacity_ah, "inf Ah"),
        (q.capacity_ah, "1e999 Ah"),
        (q.capacity_ah, "1e99 Ah"),
        (q.capacity_ah, "5,0 Ah"),
        (q.capacity_ah, True),
        (q.capacity_ah, None),
        (q.mass_kg, "452 lb"),
        (q.volume_l, "95 x 47 mm"),
        (q.volume_l, "95 x 47 x 48"),
        (q.volume_l, "9 x 9 x 9 m"),
        (q.volume_l, "0 x 47 x 48 mm"),
        (q.volume_l, "-9 x -47 x 48 mm"),
        (q.volume_l, "900 x 900 x 900 cm"),
        (q.volume_l, 0.2),
        (q.area_m2, "0.2"),
        (q.area_m2, 0.2),
        (q.percent, "0.2"),
        (q.percent, "0 %"),
        (q.percent, "120 %"),
        (q.duration_s, "1 h 30 min"),
        (q.duration_s, "5 MIN"),
        (q.duration_s, "31 min s"),
        (q.difference_k, "2 °C"),
        (q.temperature_c, "35 K"),
        (q.temperature_c, "900 °C"),
        (q.temperature_span, "23 ± -5 °C"),
        (q.temperature_span, "40 to 10 °C"),
        (q.burst, "90 A"),
        (q.burst, "90 A for 5"),
        (q.current_amount, "5 W"),
        (q.current_amount, "900C"),
        (q.power_amount, "5 A"),
        (q.wire_area_m2, "55 AWG"),
        (q.accuracy, "0.05 %"),
        (q.accuracy, "0.05 % + 0.02 % of 150"),
        (q.accuracy, "1 V + 1 A"),
        (q.accuracy, "0.1 % + -30 mA"),
        (q.current_a, "٤٥ A"),
    ],
)
def test_anything_else_is_refused_with_what_was_found_and_what_is_right(parse: Any, found: Any) -> None:
    with pytest.raises(ValueError, match="found") as caught:
        parse(found)
    words = str(caught.value)
    assert repr(found) in words
    assert '"' in words.replace(repr(found), ""), "an example of what would be right"


PARSERS = [
    q.capacity_ah,
    q.mass_kg,
    q.voltage_v,
    q.current_a,
    q.power_w,
    q.resistance_ohm,
    q.duration_s,
    q.length_m,
    q.temperature_c,
    q.difference_k,
    q.beta_k,
    q.temperature_span,
    q.burst,
    q.current_amount,
    q.power_amount,
    q.wire_area_m2,
    q.accuracy,
]
NEAR = st.text(alphabet="0123456789.+-eE% ACVWKmhksginof°±to/Ωoh²", max_size=24)


@given(st.sampled_from(PARSERS), st.one_of(st.text(max_size=40), NEAR))
def test_any_text_gives_a_finite_value_or_a_clear_refusal(parse: Any, text: Any) -> None:
    try:
        found = parse(text)
    except ValueError as error:
        words = str(error)
        found = None
    if found is None:
        assert "found" in words
        return
    match found:
        case float() | int():
            numbers = [found]
        case q.Amount():
            numbers = [found.value]
        case q.Burst():
            numbers = [found.current_a, found.hold_s]
        case q.Accuracy():
            numbers = [found.of_reading, found.absolute]
        case _:
            numbers = [found.low_c, found.high_c]
    assert all(math.isfinite(number) for number in numbers)


def test_wire_gauge_against_the_published_table() -> None:
    # ASTM B258, nominal diameters of solid round wire: 12 AWG 2.053 mm, 10 AWG 2.588 mm, 36 AWG 0.127 mm (from memory).
    for text, diameter_mm in (("12 AWG", 2.053), ("10 AWG", 2.588), ("36 AWG", 0.127)):
        assert q.wire_area_m2(text) == pytest.approx(math.pi / 4 * (diameter_mm / 1000) ** 2, rel=1e-3)


def test_accuracy_adds_both_parts() -> None:
    assert q.accuracy("0.05 % + 0.02 % of 150 V").at(-20.0) == pytest.approx(0.01 + 0.03)


def test_amounts_and_spans_read_as_they_were_written() -> None:
    assert str(q.current_amount("5.0C")) == "5C"
    assert str(q.power_amount("0.3 kW")) == "300 W"
    span = q.temperature_span("23 ± 5 °C")
    assert str(span) == "18 to 28 °C"
    assert (span.holds(18.0), span.holds(28.01)) == (True, False)
