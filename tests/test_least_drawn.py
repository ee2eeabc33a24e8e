"""A plan whose current this bench would take for none is refused before the start, with both numbers."""

import re
from pathlib import Path
from typing import Any

import pytest
from hypothesis import event, given, settings
from hypothesis import strategies as st

from benchwarden.daemon.bench import BayEntry, read_bench
from benchwarden.daemon.main import main
from benchwarden.daemon.safety import vanished
from benchwarden.profiles.plan import Plan, PlanRefused, describe, work_out
from benchwarden.profiles.planned import (
    PlannedCharge,
    PlannedDischarge,
    PlannedLadder,
    PlannedPulse,
    PlannedPulseSeries,
    PlannedStep,
    PlannedStore,
)
from benchwarden.profiles.profile import Profile
from benchwarden.simulators.scenario import BayScenario, demo_bench
from tests.pretend_pack import heron, left_bay
from tests.test_bay_faults import HERON
from tests.test_bench import BENCH
from tests.test_plan import shipped
from tests.virtual_bench import on_virtual_time, run_test

SCENARIOS = demo_bench()
CUT_OFF = {"group_voltage": "discharge cut-off"}
CURRENT = re.compile(r', current = "0\.1 % \+ 0\.05 % of 120 A"')


def bay_of(load: str | None, supply: str | None, loads: int) -> BayEntry:
    """A bay whose load and supply measure current so well; None: their bench file does not say."""
    text = CURRENT.sub(f', current = "{load}"' if load else "", BENCH)
    one = re.search(r"^load\s+= (.*)$", text, re.M)
    assert one is not None
    several = ", ".join(one[1].replace("2.10", f"2.{10 * n}") for n in (1, 2, 3)[:loads])
    text = text.replace(one[1], f"[{several}]").replace("192.0.2.20", "192.0.4.20")
    if supply:
        text = text.replace('current = "20 A" }', f'current = "20 A" }}, accuracy = {{ current = "{supply}" }}')
    return read_bench(text, "bench.toml").bay[0]


def profile(*steps: dict[str, Any], table: str = "") -> Profile:
    tables = {"shore.csv": table} if table else {}
    return Profile.model_validate({"title": "little", "step": list(steps), "tables": tables})


def discharge(**draw: Any) -> dict[str, Any]:
    return {"do": "discharge", "stop_at": CUT_OFF, **draw}


LADDER = {"do": "ladder", "step": "1C", "hold": "5 s", "rest": "60 s"}
FULL = {"do": "charge", "current": "0.5C", "taper": "0.05C"}
SERIES = {"do": "pulse", "method": "series", "levels": ["1C", "3C"], "hold": "10 s"}


@pytest.mark.parametrize(
    ("steps", "rated", "words"),
    [
        # Of the pretend bay's load 0.06 A count as off, and its reading may be off by 0.03 A: 0.09 A ÷ 0.98.
        ([discharge(current="5 mA")], "5 Ah", r"step 1 discharge: it draws as little as 0\.005 A, .* up to 0\.06 A"),
        ([discharge(current="91 mA")], "5 Ah", r"as little as 0\.091 A.*right would be 0\.092 A or more: a larger"),
        ([discharge(current="92 mA")], "5 Ah", ""),
        # A constant power asks for least from the full pack, 25.2 V; a resistance from the empty one, 15 V.
        ([discharge(power="2.3 W")], "5 Ah", r"as little as 0\.0913 A"),
        ([discharge(power="2.32 W")], "5 Ah", ""),
        ([discharge(resistance="164 ohm")], "5 Ah", r"as little as 0\.0915 A"),
        ([discharge(resistance="163 ohm")], "5 Ah", ""),
        ([discharge(resistance="164 ohm", until={"voltage": "3.0 V"})], "5 Ah", ""),  # never gets to 15 V
        (
            [{**LADDER, "from": "0.01C"}],
            "5 Ah",
            r"as little as 0\.05",
        ),
        ([{"do": "pulse"}], "0.3 Ah", r"step 1 pulse: it draws as little as 0\.06 A"),
        ([{"do": "pulse"}], "0.5 Ah", ""),
        ([FULL, {**SERIES, "levels": ["50 mA", "1C"]}], "5 Ah", r"step 2 pulse: it draws as little as 0\.05 A"),
        ([FULL, {**SERIES, "move": "50 mA"}], "5 Ah", r"step 2 pulse: it draws as little as 0\.05 A"),
        ([{"do": "store"}], "0.08 Ah", r"step 1 store: it draws as little as 0\.08 A"),
        # Of the supply 0.04 A are told from nothing.
        ([FULL], "0.7 Ah", r"step 1 charge: taper 0\.035 A: .* below 0\.04 A .*accuracy of its supply's current"),
        ([FULL], "0.8 Ah", ""),
        (
            [{"do": "repeat", "times": 2, "at_most": "1 h", "step": [discharge(current="5 mA")]}],
            "5 Ah",
            "step 1.1",
        ),
    ],
)
def test_a_current_that_the_bench_takes_for_none_is_refused(steps: Any, rated: str, words: str) -> None:
    pack = heron(rated_capacity=rated, max_charge="5 A")
    if not words:
        assert work_out(profile(*steps), pack, left_bay())
        return
    with pytest.raises(PlanRefused) as caught:
        work_out(profile(*steps), pack, left_bay())
    assert len(caught.value.reasons) == 1
    assert re.search(words, str(caught.value)), caught.value


def test_two_loads_in_parallel_need_twice_as_much() -> None:
    least_a = [bay_of("0.1 % + 30 mA", None, loads).abilities().least_draw_a for loads in (1, 2)]
    assert least_a == [0.092, 0.184]
    # Without a stated accuracy off is 0.05 A, and nothing is known of the reading.
    assert bay_of(None, None, 1).abilities().least_draw_a == 0.052
    assert bay_of(None, None, 1).abilities().supply_least_a == 0.05


def test_a_bench_file_that_states_no_accuracy_is_not_told_to_state_a_tighter_one() -> None:
    for load, said in ((None, False), ("0.1 % + 30 mA", True)):
        with pytest.raises(PlanRefused) as caught:
            work_out(profile(discharge(current="5 mA")), heron(), bay_of(load, None, 1).abilities())
        assert ("tighter accuracy" in str(caught.value)) is said


def test_a_small_pack_is_stored_with_a_taper_that_its_supply_can_tell() -> None:
    for rated, taper_a in (("5 Ah", 0.25), ("0.5 Ah", 0.04), ("0.1 Ah", 0.025)):
        step = work_out(profile({"do": "store"}), heron(rated_capacity=rated), left_bay()).steps[0]
        assert isinstance(step, PlannedStore)
        assert step.taper_a == taper_a


def test_the_command_says_so_with_both_numbers_and_2(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "bench.toml").write_text(BENCH)
    (tmp_path / "wren.toml").write_text(HERON.replace("5.0 Ah", "0.3 Ah"))
    where = ["--bench", str(tmp_path / "bench.toml")]
    with pytest.raises(SystemExit, match="2"):
        main(["plan", *where, "resistance", f"left={tmp_path / 'wren.toml'}"])
    said = capsys.readouterr().err
    assert re.search(r"draws as little as 0\.06 A, and bay left takes up to 0\.12 A .* right would be 0\.184 A", said)


def test_the_plan_says_what_the_offset_makes_of_each_draw_and_where_it_may_end_the_run() -> None:
    plan = work_out(profile(discharge(current="0.1 A"), discharge(current="0.2 A")), heron(), left_bay())
    said = describe(plan)
    assert "   reads current to ± 0.03 A by the offset alone: 30 % of 0.1 A" in said
    assert "   reads current to ± 0.03 A by the offset alone: 15 % of 0.2 A" in said
    # 0.2 A with a ceiling of 0.22 A: 0.231 A switch off, 0.23 A may be read of 0.2 A.
    assert not any("may be ended" in note for note in plan.notes)
    plan = work_out(profile(discharge(current="0.1 A")), heron(), left_bay())
    [note] = [note for note in plan.notes if "may be ended" in note]
    assert note.startswith("the load may read 0.1 A as 0.13 A")
    assert "0.116 A end the run" in note
    plan = work_out(profile({**FULL, "current": "0.2 A", "taper": "0.1 A"}), heron(), left_bay())
    assert any("the supply may read 0.2 A as 0.22 A" in note for note in plan.notes)


def least_a(step: PlannedStep, plan: Plan) -> list[float]:
    """Every current that the step asks for, at both ends of what the pack's voltage can be, in A."""
    pack = plan.pack
    match step:
        case PlannedDischarge():
            ends_v = (pack.series * pack.top_v, pack.series * step.cut_off_v)
            powers_w = [power_w for _, power_w in step.table if power_w > 0] or [step.level]
            if step.quantity == "power":
                return [power_w / volts for power_w in powers_w for volts in ends_v]
            return [step.level if step.quantity == "current" else volts / step.level for volts in ends_v]
        case PlannedLadder():
            return [rung.current_a for rung in step.rungs]
        case PlannedPulse():
            return [step.low_a, step.high_a]
        case PlannedPulseSeries():
            return [step.move_a, *(level.current_a for level in step.levels)]
        case PlannedStore():
            return [step.draw_a]
        case _:
            return []


MA = st.integers(1, 900).map(lambda value: f"{value} mA")
OFFSETS = st.none() | st.integers(1, 60).map(lambda value: f"0.2 % + {value} mA")
DRAWS = st.one_of(
    MA.map(lambda amount: discharge(current=amount)),
    st.integers(1, 60).map(lambda tenths: discharge(power=f"{tenths / 4} W")),
    st.integers(1, 3000).map(lambda ohms: discharge(resistance=f"{ohms} ohm")),
    MA.map(lambda amount: {**LADDER, "from": amount}),
    MA.map(lambda amount: {**SERIES, "levels": [amount], "move": "1C"}),
    st.sampled_from([{"do": "pulse"}, {"do": "store"}, discharge(power_table="shore.csv")]),
)


@settings(max_examples=250)
@given(
    step=DRAWS,
    rated_mah=st.integers(300, 9000),
    load=OFFSETS,
    supply=OFFSETS,
    loads=st.sampled_from([1, 1, 2, 3]),
    low_c=st.floats(0.01, 3.0),
)
def test_nothing_that_an_accepted_plan_draws_is_ever_taken_for_none(
    step: dict[str, Any], rated_mah: int, load: str | None, supply: str | None, loads: int, low_c: float
) -> None:
    """Whatever the meter's stated offset makes of it, and held 2 % low: the conductor's own rule never counts it."""
    entry = bay_of(load, supply, loads)
    table = f"time / s,power / C\n0,3\n30,{low_c:.4f}\n60,0\n" if "power_table" in step else ""
    pack = heron(rated_capacity=f"{rated_mah} mAh", max_charge="5 A")
    full = {"do": "charge", "current": "1C", "taper": "0.1C"}
    try:
        plan = work_out(profile(full, step, table=table), pack, entry.abilities())
    except PlanRefused:
        event("refused")
        return
    event(f"accepted {step['do']}")
    threshold_a = entry.role_off_thresholds_a()["load"]
    offset_a = sum(one.accuracy.current.absolute if one.accuracy.current else 0.0 for one in entry.loads)
    for planned in plan.steps:
        for current_a in least_a(planned, plan):
            shown_a = -(0.98 * current_a - offset_a)
            assert vanished(shown_a, threshold_a, None, 0.0) is None, (planned, threshold_a)
        if isinstance(planned, PlannedCharge):
            found = entry.supply.accuracy.current if entry.supply else None
            assert planned.taper_a >= (0.05 if found is None else 2 * found.absolute) - 1e-6


def test_every_shipped_profile_is_planned_for_a_pack_of_a_few_ampere_hours() -> None:
    for name in ("standard", "rated-capacity", "resistance", "pulse-power", "cycle-life", "flight", "storage"):
        assert work_out(shipped(name), heron(rated_capacity="1.3 Ah"), left_bay())


@pytest.mark.parametrize(("scenario", "bird"), [(SCENARIOS[0], "heron"), (SCENARIOS[2], "tern")], ids=["one", "two"])
def test_the_least_draw_that_is_planned_is_drawn_to_its_end(tmp_path: Path, scenario: BayScenario, bird: str) -> None:
    """One load, and two in parallel: a milliampere less is refused, this much never trips."""
    pack = (Path(__file__).parents[1] / "daemon" / "commands" / f"demo_{bird}.toml").read_text("utf-8")

    def text(current_a: float) -> str:
        return (
            'title = "little"\n[[step]]\ndo = "discharge"\nstop_at = { group_voltage = "discharge cut-off" }\n'
            f'current = "{current_a:g} A"\nuntil = {{ time = "5 min" }}\n'
        )

    with pytest.raises(PlanRefused) as caught:
        on_virtual_time(run_test(tmp_path / "less", scenario, pack, text(0.05), soc=0.5))
    right = re.search(r"for nothing; right would be ([\d.]+) A or more", str(caught.value))
    assert right is not None
    least_a = float(right[1])
    with pytest.raises(PlanRefused):
        on_virtual_time(run_test(tmp_path / "less", scenario, pack, text(least_a - 0.001), soc=0.5))
    done = on_virtual_time(run_test(tmp_path / "least", scenario, pack, text(least_a), soc=0.5))
    assert done.ending.how == "finished", done.ending
    drawn = [sample.current_a for sample in done.run.samples if sample.output == "load"]
    assert len(drawn) > 250
