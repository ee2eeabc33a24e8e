"""Repeats: written out in the plan, left out by what a cycle delivered or how long they took, and always bounded."""

import re
from pathlib import Path

import pytest

from benchwarden.daemon.serving.continue_run import done_and_begun
from benchwarden.profiles.decision import OFF, Decision
from benchwarden.profiles.mistakes import FileMistakes
from benchwarden.profiles.plan import Plan, PlanRefused, describe, work_out
from benchwarden.profiles.profile import read_profile
from benchwarden.profiles.repeating import NO_PAST, Past, left_out, remembered
from benchwarden.results.figures import figures
from benchwarden.results.summary import further_rows
from tests.bird_packs import bay, pack_text
from tests.pretend_pack import heron, left_bay
from tests.virtual_bench import on_virtual_time, run_test


def repeat(more: str = "", *, times: str = "4", at_most: str = "10 days") -> str:
    return f"""
title = "Over and over"
[[step]]
do = "rest"
at_least = "1 min"
[[step]]
do = "repeat"
times = {times}
at_most = "{at_most}"
{more}
[[step.step]]
do = "discharge"
current = "1C"
stop_at = {{ group_voltage = "discharge cut-off" }}
[[step.step]]
do = "rest"
at_least = "2 min"
"""


def plan_of(text: str) -> Plan:
    return work_out(read_profile(text), heron(), left_bay())


def played(plan: Plan, delivered: dict[int, float], *, by: str = "cut-off", took_s: float = 100.0) -> list[int]:
    """The numbers of the steps that are done if cycle n's discharge delivers `delivered[n]` Ah."""
    past: Past = NO_PAST
    done: list[int] = []
    for step in plan.steps:
        if left_out(step, plan.repeats, past):
            continue
        done.append(step.number)
        drawn_ah = 0.0
        ended_by = "done"
        if step.kind == "discharge" and step.cycle is not None:
            drawn_ah, ended_by = delivered.get(step.cycle[1], 4.0), by
        decision = Decision(OFF, 1.0, None, "", "over", (), False, ended_by)
        past = remembered(past, step, decision, took_s, drawn_ah)
    return done


def test_every_cycle_stands_in_the_plan() -> None:
    plan = plan_of(repeat())
    assert [step.number for step in plan.steps] == list(range(1, 11))
    assert [step.kind for step in plan.steps] == ["rest", *["discharge", "rest"] * 4, "rest"]
    assert [step.cycle for step in plan.steps] == [
        None,
        *[(2, cycle) for cycle in (1, 1, 2, 2, 3, 3, 4, 4)],
        None,
    ]
    assert played(plan, {}) == list(range(1, 11))
    text = "\n".join(describe(plan))
    assert "steps 2 to 3 are done 4 times (to step 9), no cycle begins after 240 h" in text
    assert "4. discharge" not in text, "each cycle is as the first, and told once"


def test_it_stops_below_a_share_of_the_first() -> None:
    plan = plan_of(repeat('until = { delivered_below = "80 % of the first" }'))
    assert played(plan, {1: 5.0, 2: 4.01, 3: 3.99}) == [1, 2, 3, 4, 5, 6, 7, 10]
    assert played(plan, {1: 5.0, 2: 3.99}) == [1, 2, 3, 4, 5, 10], "the cycle itself is done to its end"
    # What the temperature ended says nothing of the pack's charge.
    assert played(plan, {1: 5.0, 2: 1.0}, by="temperature") == list(range(1, 11))


def test_it_stops_below_a_share_of_rated() -> None:
    plan = plan_of(repeat('until = { delivered_below = "80 % of rated" }'))
    assert played(plan, {1: 3.9}) == [1, 2, 3, 10]


def test_it_stops_at_the_first_that_passes() -> None:
    plan = plan_of(repeat('until = { delivered_at_least = "100 % of rated" }'))
    assert played(plan, {1: 4.9, 2: 5.0}) == [1, 2, 3, 4, 5, 10]
    assert played(plan, {}) == list(range(1, 11))


def test_no_cycle_begins_after_its_time() -> None:
    plan = plan_of(repeat(at_most="5 min"))
    # 200 s a cycle: after two of them 400 s have passed; the second began at 200 s.
    assert played(plan, {}) == [1, 2, 3, 4, 5, 10]


def test_a_run_that_is_gone_on_with_judges_what_it_saw_itself() -> None:
    plan = plan_of(repeat('until = { delivered_below = "80 % of the first" }'))
    rest = Plan(**{name: getattr(plan, name) for name in plan.__dataclass_fields__} | {"steps": plan.steps[5:]})
    assert played(rest, {3: 4.0, 4: 3.0}) == [6, 7, 8, 9, 10]


def test_two_repeats_are_judged_apart() -> None:
    text = repeat('until = { delivered_below = "80 % of the first" }', times="2")
    plan = plan_of(text + text.partition('[[step]]\ndo = "repeat"')[2].join(['[[step]]\ndo = "repeat"', ""]))
    assert [one.place for one in plan.repeats] == [2, 3]
    # The second one begins although the first was stopped.
    assert played(plan, {1: 5.0, 2: 1.0}) == list(range(1, 11))


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (repeat().replace("times = 4\n", ""), "times: missing"),
        (repeat().replace('at_most = "10 days"\n', ""), "at_most: missing"),
        (repeat(times="0"), "right would be 1 or more"),
        (repeat(times="1001"), "right would be 1000 or less"),
        (repeat(times='"often"'), "a whole number, without quotes"),
        (repeat(times="2.5"), "a whole number, without quotes"),
        (repeat(times="true"), "a whole number, without quotes"),
        (repeat(at_most="31 days"), "not above"),
        (repeat("until = {}"), "nothing to stop for"),
        (repeat('until = { delivered_below = "80 %" }'), "80 % of the first"),
        (repeat('until = { delivered_below = "0 % of rated" }'), "above 0"),
        (repeat('until = { delivered_blow = "80 % of rated" }'), 'did you mean "delivered_below"?'),
        (repeat().replace('do = "rest"\nat_least = "2 min"', 'do = "repeat"\ntimes = 2'), "'repeat' is no step"),
        (
            repeat('until = { delivered_below = "80 % of rated" }').replace(
                'do = "discharge"\ncurrent = "1C"', 'do = "rest"\nat_leat = "1 min"'
            ),
            'did you mean "at_least"?',
        ),
        (repeat().split("[[step.step]]")[0], "step: missing"),
        (repeat(times="1000") + '[[step.step]]\ndo = "rest"\n' * 4, "6001 steps once every repeat is written out"),
    ],
)
def test_what_has_no_end_or_no_sense_is_refused(text: str, words: str) -> None:
    with pytest.raises(FileMistakes) as caught:
        read_profile(text, "p.toml")
    assert words in str(caught.value)


def test_a_reason_is_told_once_and_not_for_each_cycle() -> None:
    with pytest.raises(PlanRefused) as caught:
        plan_of(repeat().replace('current = "1C"', 'current = "20C"'))
    [reason] = caught.value.reasons
    assert reason.startswith("step 2.1 discharge: ")


def test_a_reason_names_the_step_as_the_profile_counts_it() -> None:
    after = '[[step]]\ndo = "discharge"\ncurrent = "20C"\nstop_at = { group_voltage = "discharge cut-off" }\n'
    with pytest.raises(PlanRefused) as caught:
        plan_of(repeat() + after)
    [reason] = caught.value.reasons
    assert reason.startswith("step 3 discharge: ")


SHORT = """
title = "Until it delivers little"
[[step]]
do = "repeat"
times = 5
at_most = "2 days"
until = { delivered_below = "50 % of the first" }
[[step.step]]
do = "discharge"
current = "5C"
stop_at = { group_voltage = "discharge cut-off" }
[[step.step]]
do = "charge"
current = "1C"
taper = "0.1C"
until = { charge = "20 %" }
"""


def test_a_whole_run_stops_by_what_it_delivered(tmp_path: Path) -> None:
    done = on_virtual_time(run_test(tmp_path, bay("li-ion", 2, soc=0.9), pack_text("li-ion", 2), SHORT))
    assert done.ending.how == "finished"
    found = figures(done.run)
    # From 90 % of 5.1 Ah, then from the 20 % of 5 Ah that the charge put in; at 25 A some of both stays in the pack.
    assert found["cycle_1_ah"].value == pytest.approx(0.9 * 5.1, abs=0.35)
    assert found["cycle_2_ah"].value == pytest.approx(0.2 * 5.0, abs=0.1)
    assert found["cycle_retention"].value == pytest.approx(found["cycle_2_ah"].value / found["cycle_1_ah"].value)
    assert found["cycles_done"].value == 2
    assert [words for words, _ in further_rows(found)] == ["cycle 1, Ah", "cycle 2, Ah"]
    left = [event["step"] for event in done.run.events if event["event"] == "step_left_out"]
    assert left == [5, 6, 7, 8, 9, 10]
    assert "left out: cycle 2 delivered" in " ".join(found.notes)
    assert done.run.samples[-1].step_count == 11
    # What was left out counts as done: nothing of it is made up for when the run is gone on with.
    finished, _begun = done_and_begun(done.run, done.plan)
    assert finished == set(range(1, 12))


def test_a_plan_of_many_cycles_says_first_how_long_one_takes() -> None:
    said = describe(plan_of(repeat()))[1]
    assert re.search(r"about [\d.]+ \w+ with one cycle, [\d.]+ \w+ with all$", said), said


CHARGE = '[[step.step]]\ndo = "charge"\ncurrent = "0.5C"\ntaper = "0.05C"\n'
UNTIL = 'cut-off" }\nuntil = { charge = "10 %" }'


@pytest.mark.parametrize(
    ("text", "told"),
    [
        (repeat(), True),
        (repeat(times="1"), False),
        (repeat() + CHARGE, False),
        (repeat().replace('cut-off" }', UNTIL), False),  # a tenth at a time
    ],
)
def test_a_repeat_that_never_charges_says_so_in_its_plan(text: str, told: bool) -> None:
    notes = [note for note in plan_of(text).notes if "nothing in it charges the pack" in note]
    assert [note.partition(":")[0] for note in notes] == (["step 2 repeat"] if told else [])
