"""`until`: what ends a discharge or a charge before its own end, and what is refused because it never could."""

from typing import Any

import pytest

from benchwarden.profiles.mistakes import FileMistakes
from benchwarden.profiles.plan import PlanRefused, work_out
from benchwarden.profiles.profile import Profile, read_profile
from benchwarden.profiles.steps import PlannedCharge, PlannedDischarge
from tests.pretend_pack import PretendPack, heron, left_bay, play

CUT_OFF = {"group_voltage": "discharge cut-off"}


def discharge(**until: Any) -> Any:
    step = {"do": "discharge", "current": "1C", "stop_at": CUT_OFF, "until": until}
    profile = Profile.model_validate({"title": "t", "step": [step]})
    return work_out(profile, heron(), left_bay()).steps[0]


def charge(bay: Any = None, **until: Any) -> Any:
    step = {"do": "charge", "current": "1C", "taper": "0.05C", "until": until}
    profile = Profile.model_validate({"title": "t", "step": [step]})
    return work_out(profile, heron(), bay or left_bay()).steps[0]


def full(**changes: Any) -> PretendPack:
    return PretendPack([5.0] * 6, warm_k_per_joule=0.0, **changes)


# 5 A from a full pack, by hand: V = 4.2 - 1.2 q/5 - 5 A × 5 mΩ once the slow pair has settled.


def test_until_a_charge() -> None:
    for asked in ("2 Ah", "40 %"):
        played = play(discharge(charge=asked), full())
        assert played.last.ended_by == "until"
        assert not played.last.final
        assert played.discharging_ah == pytest.approx(2.0, abs=5 / 3600 * 1.01)


def test_until_an_energy() -> None:
    # 6 × (4.2 - 0.12 q - 0.025) V × q = 20 Wh: q² - 34.79 q + 27.78 = 0, q = 0.818 Ah.
    played = play(discharge(energy="20 Wh"), full())
    assert played.discharging_ah == pytest.approx(0.818, abs=0.003)
    # 50 % of 5 Ah × 21.6 V = 54 Wh.
    step = discharge(energy="50 %")
    assert isinstance(step, PlannedDischarge)
    assert step.until is not None
    assert step.until.energy_wh == pytest.approx(54.0)


def test_until_a_time() -> None:
    played = play(discharge(time="125 s"), full())
    assert played.time_s == pytest.approx(125.0, abs=1e-3)


def test_until_a_voltage_of_the_lowest_group() -> None:
    pack = full()
    pack.charge_ah[2] = 4.8
    played = play(discharge(voltage="3.9 V"), pack)
    assert played.last.finished is not None
    assert played.last.finished.startswith("lowest group 3 at 3.")
    # 4.2 - 1.2 (q + 0.2) / 5 - 0.025 = 3.9: q = 0.9458 Ah.
    assert played.discharging_ah == pytest.approx(0.9458, abs=0.004)


def test_until_a_temperature() -> None:
    played = play(discharge(temperature="30 °C"), PretendPack([5.0] * 6, warm_k_per_joule=0.02))
    assert played.last.ended_by == "until"
    assert played.last.finished is not None
    assert "asked for 30 °C" in played.last.finished


def test_until_a_spread_of_the_groups() -> None:
    pack = full()
    pack.charge_ah[0] = 4.9
    assert play(discharge(group_spread="20 mV"), pack).time_s < 5
    alike = play(discharge(group_spread="20 mV", charge="1 Ah"), full())
    assert alike.last.finished is not None
    assert "1 Ah" in alike.last.finished, "the first that is met"


def test_the_cut_off_still_comes_first() -> None:
    played = play(discharge(charge="6 Ah"), full(low_v=2.4))
    assert played.last.ended_by == "cut-off"


def test_a_missing_value_meets_nothing() -> None:
    played = play(discharge(group_spread="20 mV", time="300 s"), full(), with_groups=False)
    assert played.time_s == pytest.approx(300, abs=1e-3)


def test_a_charge_ends_early_and_is_not_called_done() -> None:
    step = charge(charge="30 %")
    assert isinstance(step, PlannedCharge)
    played = play(step, PretendPack([1.0] * 6, warm_k_per_joule=0.0))
    assert played.last.ended_by == "until"
    assert played.charging_ah == pytest.approx(1.5, abs=5 / 3600 * 1.01)
    played = play(charge(voltage="3.8 V"), PretendPack([1.0] * 6, warm_k_per_joule=0.0))
    assert 3.8 <= played.highest_v < 3.805


@pytest.mark.parametrize(
    ("make", "until", "words"),
    [
        (discharge, {"voltage": "2.4 V"}, "does not lie between the cut-off 2.5 V and 4.2 V"),
        (discharge, {"voltage": "4.3 V"}, "does not lie between"),
        (discharge, {"temperature": "76 °C"}, "lies beyond the cut-off 75 °C"),
        (discharge, {"time": "13 h"}, "lies beyond at_most"),
        (charge, {"voltage": "4.2 V"}, "does not lie between"),
        (charge, {"temperature": "80 °C"}, "lies beyond the cut-off"),
    ],
)
def test_what_could_never_be_met_is_refused(make: Any, until: Any, words: Any) -> None:
    with pytest.raises(PlanRefused, match=words):
        make(**until)


def test_the_operators_charger_does_not_know_when_to_stop() -> None:
    with pytest.raises(PlanRefused, match="until needs the bay's own supply"):
        charge(left_bay(charge="operator"), charge="50 %")


def test_one_group_has_no_spread() -> None:
    step = {"do": "discharge", "current": "1C", "stop_at": CUT_OFF, "until": {"group_spread": "20 mV"}}
    profile = Profile.model_validate({"title": "t", "step": [step]})
    with pytest.raises(PlanRefused, match="two groups"):
        work_out(profile, heron(series=1), left_bay(group_channels=1))


@pytest.mark.parametrize(
    ("until", "words"),
    [
        ("{}", "nothing to wait for; right would be one of charge, energy, time"),
        ('{ charge = "130 %" }', "not above 120 %"),
        ('{ charge = "-1 Ah" }', "above 0"),
        ('{ charge = "nan Ah" }', "not a charge"),
        ('{ energy = "5 Ah" }', "an energy in Wh"),
        ("{ time = 5 }", "a time with its unit"),
        ('{ voltag = "3 V" }', 'did you mean "voltage"?'),
    ],
)
def test_mistakes_are_told(until: str, words: str) -> None:
    text = (
        'title = "t"\n[[step]]\ndo = "discharge"\ncurrent = "1C"\nstop_at = { group_voltage = "3 V" }\n'
        f"until = {until}\n"
    )
    with pytest.raises(FileMistakes) as caught:
        read_profile(text, "p.toml")
    assert words in str(caught.value)
