"""What is counted: against SciPy's trapezoid, and at edges against the charge of a current that is known throughout."""

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import trapezoid

from benchwarden.daemon.running.ledger import Counted, Ledger, blur_in_words
from benchwarden.results.figures import figures, result_data
from benchwarden.results.report_run import run_report
from benchwarden.simulators.scpi import Device
from tests.nth_fault import Exchanges, How, run_round

steps_s = st.lists(st.floats(0.01, 2.0), min_size=1, max_size=80)
LONGEST_S = 3.0


@given(steps_s, st.data())
def test_charge_and_energy_are_scipy_s_trapezoid(steps: list[float], data: st.DataObject) -> None:
    """scipy.integrate.trapezoid over time, current and power; positive charges."""
    times = np.concatenate([[0.0], np.cumsum(steps)])
    size = len(times)
    volts = data.draw(st.lists(st.floats(10.0, 26.0), min_size=size, max_size=size))
    amps = data.draw(st.lists(st.floats(-90.0, 20.0), min_size=size, max_size=size))
    ledger = Ledger()
    for time_s, voltage_v, current_a in zip(times, volts, amps, strict=True):
        ledger.add(float(time_s), voltage_v, current_a, LONGEST_S)
    powers = np.array(volts) * np.array(amps)
    assert ledger.charging_ah - ledger.discharging_ah == pytest.approx(trapezoid(amps, times) / 3600.0, abs=1e-9)
    assert ledger.charging_wh - ledger.discharging_wh == pytest.approx(trapezoid(powers, times) / 3600.0, abs=1e-8)
    assert ledger.charging_ah >= 0.0
    assert ledger.discharging_ah >= 0.0
    assert ledger.unmeasured_s == 0.0


@given(st.lists(st.floats(0.05, 90.0), min_size=2, max_size=50))
def test_a_discharge_counts_only_as_one(amps: list[float]) -> None:
    ledger = Ledger()
    for n, current_a in enumerate(amps):
        ledger.add(float(n), 20.0, -current_a, LONGEST_S)
    assert (ledger.charging_ah, ledger.charging_wh) == (0.0, 0.0)
    assert ledger.discharging_ah == pytest.approx(trapezoid(amps) / 3600.0)
    assert ledger.discharging_wh == pytest.approx(20.0 * trapezoid(amps) / 3600.0)


def test_one_hour_at_ten_ampere_is_ten_ampere_hours() -> None:
    ledger = Ledger()
    for n in range(3601):
        ledger.add(float(n), 21.0, -10.0, LONGEST_S)
    assert ledger.discharging_ah == pytest.approx(10.0, rel=1e-12)
    assert ledger.discharging_wh == pytest.approx(210.0, rel=1e-12)


def test_a_gap_is_not_integrated_but_counted_as_unmeasured() -> None:
    ledger = Ledger()
    for time_s in (0.0, 1.0, 2.0, 50.0, 51.0):
        ledger.add(time_s, 20.0, -36.0, LONGEST_S)
    assert ledger.unmeasured_s == 48.0
    assert ledger.discharging_ah == pytest.approx(3 * 36.0 / 3600.0)


@pytest.mark.parametrize(("voltage_v", "current_a"), [(None, -10.0), (20.0, None), (None, None)])
def test_a_missing_value_is_no_sample(voltage_v: float | None, current_a: float | None) -> None:
    ledger = Ledger()
    ledger.add(0.0, 20.0, -10.0, LONGEST_S)
    ledger.add(1.0, voltage_v, current_a, LONGEST_S)
    ledger.add(2.0, 20.0, -20.0, LONGEST_S)  # between two valid samples, over the missing one
    assert ledger.discharging_ah == pytest.approx(15.0 * 2.0 / 3600.0)
    assert ledger.unmeasured_s == 0.0


def test_too_many_missing_values_are_a_gap() -> None:
    ledger = Ledger()
    ledger.add(0.0, 20.0, -10.0, LONGEST_S)
    for n in (1.0, 2.0, 3.0):
        ledger.add(n, None, None, LONGEST_S)
    ledger.add(4.0, 20.0, -10.0, LONGEST_S)
    assert (ledger.discharging_ah, ledger.unmeasured_s) == (0.0, 4.0)


def test_before_an_output_goes_on_nothing_flows() -> None:
    ledger = Ledger()
    ledger.add(0.0, 21.0, 0.0, LONGEST_S)
    ledger.went_on(1.0, 1.0)
    ledger.add(1.0, 20.0, -36.0, LONGEST_S)
    assert ledger.discharging_ah == 0.0  # not half of 36 A over a second that was off
    ledger.add(2.0, 20.0, -36.0, LONGEST_S)
    assert ledger.discharging_ah == pytest.approx(0.01)
    ledger.went_off(2.0, 2.0, LONGEST_S)
    ledger.add(3.0, 21.0, 0.0, LONGEST_S)
    assert ledger.discharging_ah == pytest.approx(0.01)
    assert ledger.blurred_ah == 0.0


TEN_A = 10.0


def count_a_draw(
    on_s: tuple[float, float], off_s: tuple[float, float], valid: list[bool], period_s: float = 1.0
) -> Ledger:
    """Count a draw of 10 A that is read each period after it went on, and as it ends; not all readings are valid."""
    ledger = Ledger(period_s=period_s)
    ledger.add(on_s[0] - 0.5, 21.0, 0.0, LONGEST_S)
    ledger.went_on(*on_s)
    times = [*np.arange(on_s[1], off_s[0] - 1e-9, period_s).tolist(), off_s[0]]
    for time_s, is_valid in zip(times, [*valid, *[True] * len(times)], strict=False):
        ledger.add(time_s, 20.0 if is_valid else None, -TEN_A if is_valid else None, LONGEST_S)
    ledger.went_off(*off_s, LONGEST_S)
    ledger.add(off_s[1], 21.0, 0.0, LONGEST_S)
    return ledger


def ampere_hours(seconds: float) -> float:
    return TEN_A * seconds / 3600.0


@given(
    st.floats(0.0, 0.6),
    st.floats(0.0, 0.6),
    st.integers(4, 30),
    st.floats(0.0, 1.0),
    st.floats(0.0, 1.0),
    st.lists(st.booleans(), max_size=2),
)
def test_a_charge_is_no_further_off_than_the_ledger_says(
    on_takes_s: float, off_takes_s: float, seconds: int, on_at: float, off_at: float, first: list[bool]
) -> None:
    """The load may have gone on and off anywhere between order and answer, and readings after it may be lost."""
    on_s, off_s = (5.0, 5.0 + on_takes_s), (10.0 + seconds, 10.0 + seconds + off_takes_s)
    ledger = count_a_draw(on_s, off_s, first)
    true_s = (off_s[0] + off_at * off_takes_s) - (on_s[0] + on_at * on_takes_s)
    assert abs(ledger.discharging_ah - ampere_hours(true_s)) <= ledger.blurred_ah + 1e-9
    lost = first[:1] == [False]
    if not lost:  # no more than what nobody can know
        assert ledger.blurred_ah == pytest.approx(ampere_hours((on_takes_s + off_takes_s) / 2.0))
    assert ledger.unmeasured_s == 0.0


def test_a_reading_lost_where_a_load_goes_on_costs_no_charge_and_is_said() -> None:
    ledger = count_a_draw((5.0, 5.0), (25.0, 25.0), [False])
    assert ledger.discharging_ah == pytest.approx(ampere_hours(20.0))  # the trapezoid alone would lose half a second
    assert ledger.blurred_ah == pytest.approx(ampere_hours(1.0))


def test_a_reading_lost_in_the_middle_is_not_an_edge() -> None:
    ledger = count_a_draw((5.0, 5.0), (25.0, 25.0), [True, True, False, True])
    assert ledger.discharging_ah == pytest.approx(ampere_hours(20.0))
    assert ledger.blurred_ah == 0.0


def test_a_current_that_was_never_read_is_not_made_up() -> None:
    ledger = Ledger()
    ledger.add(0.0, 21.0, 0.0, LONGEST_S)
    ledger.went_on(1.0, 1.2)
    ledger.add(1.2, None, None, LONGEST_S)
    ledger.went_off(2.0, 2.1, LONGEST_S)
    ledger.add(2.1, 21.0, 0.0, LONGEST_S)
    assert (ledger.charging_ah, ledger.discharging_ah) == (0.0, 0.0)
    assert ledger.unmeasured_s == pytest.approx(1.1)


def test_an_edge_long_after_its_last_reading_is_a_gap() -> None:
    ledger = Ledger()
    ledger.went_on(0.0, 0.0)
    ledger.add(0.0, 20.0, -TEN_A, LONGEST_S)
    ledger.went_off(9.0, 9.0, LONGEST_S)
    assert (ledger.discharging_ah, ledger.unmeasured_s) == (0.0, 9.0)


@pytest.mark.parametrize(
    ("blurred_ah", "unmeasured_s", "said"),
    [
        (0.0, 0.0, None),
        (0.0039, 0.0, None),
        (
            0.0041,
            0.0,
            "charge: 0.0041 Ah of 1 Ah are uncertain where an output went on or off: a late answer or a lost reading",
        ),
        (0.0, 2.0, "charge: 2 s were not measured"),
    ],
)
def test_a_step_is_flagged_above_four_parts_in_a_thousand(
    blurred_ah: float, unmeasured_s: float, said: str | None
) -> None:
    before, after = Counted(2.0, 0.5, 1.0), Counted(3.0, 0.5 + blurred_ah, 1.0 + unmeasured_s)
    assert blur_in_words(before, after) == said


def test_a_step_without_charge_is_flagged_if_anything_is_uncertain() -> None:
    assert blur_in_words(Counted(2.0, 0.0, 0.0), Counted(2.0, 0.1, 0.0)) is not None
    assert blur_in_words(Counted(2.0, 0.1, 0.0), Counted(2.0, 0.1, 0.0)) is None


class Listed(Exchanges):
    """Keeps every message and its time, too."""

    def __init__(self) -> None:
        super().__init__(None)
        self.messages: list[tuple[float, str]] = []

    def wrapped(self, name: str, device: Device, handle: Callable[[str], str | None]) -> Callable[[str], str | None]:
        inner = super().wrapped(name, device, handle)

        def exchange(message: str) -> str | None:
            self.messages.append((device.now(), message))
            return inner(message)

        return exchange


def test_an_off_that_was_not_answered_is_flagged_in_result_and_report(tmp_path: Path) -> None:
    """The load goes off at once, or half a second later: nobody can know, and the result must not hide it."""
    listed = Listed()
    sound = run_round(tmp_path / "sound", "bottom", listed)
    _, off_s = next((on_s, off_s) for on_s, off_s in sound.stretches if off_s - on_s > 5.0)
    off = next(
        nth
        for nth, (time_s, message) in enumerate(listed.messages)
        if time_s == off_s and message.startswith("INPut OFF")
    )
    done = run_round(tmp_path / "late", "bottom", Exchanges(off, How.SILENCE)).done
    [flag] = [event for event in done.run.events_named("flag") if event["text"].startswith("charge: ")]
    [counted] = done.run.events_named("counted")
    assert 0.0 < counted["blurred_ah"] < 0.01
    found = figures(done.run)
    words = f"step {flag['step']}: {flag['text']}"
    assert words in result_data(done.run, found)["flags"]
    assert words in run_report(done.run, found, [])
