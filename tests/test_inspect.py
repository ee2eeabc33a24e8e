"""The look at a balance lead: the rules, the step, and a whole run in which nothing is switched on."""

from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from benchwarden.profiles.plan import PlanRefused, work_out
from benchwarden.profiles.profile import Profile
from benchwarden.profiles.steps import Off, PlannedInspect, Seen, begin, decide
from benchwarden.profiles.taps import Taps, taps_wrong
from benchwarden.results.figures import figures
from benchwarden.simulators.pack import GroupModel
from benchwarden.simulators.start import SimulatedBench
from tests.bird_packs import bay, pack_text
from tests.pretend_pack import heron, left_bay
from tests.virtual_bench import Done, on_virtual_time, run_test

SIX = Taps("Heron", 6, 2.2, 4.25, "each", 6)
CALM = Seen(0.0, 23.0, 0.0, (), 23.0, 23.0, 0.0, 0.0, "off", None, None)


def differences(heights: list[float]) -> list[float]:
    """What a scanner reads between neighbouring wires that stand at these heights."""
    return [above - below for below, above in pairwise(heights)]


def told(groups: list[float], pack_v: float | None = None, taps: Taps = SIX) -> str:
    return "\n".join(taps_wrong(groups, sum(groups) if pack_v is None else pack_v, taps))


def test_a_lead_in_order_is_passed() -> None:
    assert told([3.80, 3.81, 3.79, 3.80, 3.80, 3.82]) == ""


@pytest.mark.parametrize(
    ("order", "words"),
    [
        # Wires by the height that they are soldered to, counted from the pack's negative end.
        ([0, 1, 3, 2, 4, 5, 6], "taps 2 and 3 are swapped"),
        ([1, 0, 2, 3, 4, 5, 6], "taps 0 and 1 are swapped"),
        ([0, 1, 2, 3, 4, 6, 5], "taps 5 and 6 are swapped"),
        ([0, 2, 3, 1, 4, 5, 6], "taps 1, 2 and 3 are swapped"),
        ([6, 5, 4, 3, 2, 1, 0], "all are in reverse order"),
    ],
)
def test_swapped_taps_are_named(order: Any, words: Any) -> None:
    groups = [3.80, 3.85, 3.79, 3.82, 3.80, 3.81]
    ladder = [sum(groups[:n]) for n in range(7)]
    assert words in told(differences([ladder[place] for place in order]))


@pytest.mark.parametrize(
    ("groups", "words"),
    [
        # A wire that hangs free is drawn to one of its neighbours, or anywhere between them.
        ([3.8, 0.0, 7.6, 3.8, 3.8, 3.8], "tap 2 is open: groups 2 and 3 are right only together (7.600 V)"),
        ([3.8, 3.8, 6.1, 1.5, 3.8, 3.8], "tap 3 is open: groups 3 and 4 are right only together (7.600 V)"),
        ([3.8, 3.8, 3.8, 3.8, 3.8, 0.01], "tap 6 is open"),
        ([0.02, 3.8, 3.8, 3.8, 3.8, 3.8], "tap 0 is open"),
    ],
)
def test_open_taps_are_named(groups: Any, words: Any) -> None:
    assert words in told(groups, 22.8)


def test_an_honest_weak_group_is_no_open_tap() -> None:
    found = told([3.8, 3.8, 1.9, 3.8, 3.8, 3.8])
    assert "group 3: 1.900 V" in found
    assert "open" not in found
    assert "swapped" not in found


def planned(**changes: Any) -> PlannedInspect:
    profile = Profile.model_validate({"title": "t", "step": [{"do": "inspect", **changes}]})
    step = work_out(profile, heron(), left_bay()).steps[0]
    assert isinstance(step, PlannedInspect)
    return step


def looked(step: PlannedInspect, *looks: tuple[float | None, ...]) -> Any:
    state: Any = begin(step)
    decision = None
    for number, groups in enumerate(looks):
        known = [value for value in groups if value is not None]
        time_s = step.for_s * number / (len(looks) - 1)
        decision = decide(step, state, replace(CALM, step_time_s=time_s, groups_v=groups, voltage_v=sum(known)))
        assert isinstance(decision.want, Off)
        state = decision.state
    return decision


FINE = (3.800, 3.805, 3.810, 3.800, 3.802, 3.801)


def test_the_step_passes_and_says_what_it_saw() -> None:
    done = looked(planned(), FINE, FINE, FINE)
    assert (done.ended_by, done.final) == ("done", False)
    assert done.finished == "6 of 6 groups in order, 3.800 to 3.810 V, sum 22.818 V, pack 22.818 V"


@pytest.mark.parametrize(
    ("looks", "words"),
    [
        ((FINE, FINE, (3.84, *FINE[1:])), "group 1: moved by 40 mV at rest: a tap of it is loose"),
        (((3.84, *FINE[1:]),) * 3, "groups rest 40 mV apart, at most 30 mV are asked for; group 4 is lowest, group 1"),
        (((None, *FINE[1:]),) * 3, "group 1: no reading"),
    ],
)
def test_the_step_ends_the_run_with_what_is_wrong(looks: Any, words: Any) -> None:
    failed = looked(planned(), *looks)
    assert failed.final
    assert failed.ended_by == "not possible"
    assert words in failed.finished
    assert any(words in flag for flag in failed.flags)


def test_a_wider_spread_may_be_asked_for() -> None:
    assert looked(planned(spread="50 mV"), *((3.84, *FINE[1:]),) * 3).ended_by == "done"


def test_without_a_meter_for_groups_there_is_nothing_to_inspect() -> None:
    profile = Profile.model_validate({"title": "t", "step": [{"do": "inspect"}]})
    with pytest.raises(PlanRefused, match="no meter for groups"):
        work_out(profile, heron(), left_bay(group_channels=0))
    assert work_out(profile, heron(series=1), left_bay(group_channels=0)).steps


def run(folder: Path, **more: Any) -> Done:
    scenario = bay("li-ion", 6)
    groups = [GroupModel(soc=0.4)] * 6
    groups[2] = GroupModel(soc=more.pop("third", 0.4))
    scenario = replace(scenario, pack=replace(scenario.pack, groups=tuple(groups)))
    return on_virtual_time(run_test(folder, scenario, pack_text("li-ion", 6), "inspection", **more))


def test_a_whole_inspection_switches_nothing_on(tmp_path: Path) -> None:
    done = run(tmp_path)
    assert done.ending.how == "finished"
    assert done.whole_journal == []
    assert done.plan.limits.max_draw_a == 0
    assert done.plan.limits.max_feed_a == 0


def test_what_the_pack_file_lowers_is_said_in_the_result(tmp_path: Path) -> None:
    lowered = 'hard_low = "2.05 V"\nlowers_hard_low = true\n'
    text = pack_text("li-ion", 6) + lowered
    done = on_virtual_time(run_test(tmp_path, bay("li-ion", 6), text, "inspection"))
    words = "hard limit 2.05 V per group, below the 2.2 V of li-ion, by the pack file"
    assert words in figures(done.run).flags
    assert words in done.plan.notes
    assert not any("hard limit" in flag for flag in figures(run(tmp_path).run).flags)


def test_a_whole_inspection_of_an_uneven_pack_stops_and_names_the_group(tmp_path: Path) -> None:
    done = run(tmp_path, third=0.55)
    assert done.ending.how == "stopped"
    assert "group 3 highest" in done.ending.why
    assert done.whole_journal == []


def test_swapped_taps_never_come_as_far_as_the_step(tmp_path: Path) -> None:
    """The checks before the start use the same rules, and name them."""

    def swap(bench: SimulatedBench) -> None:
        world = bench.bays["shore"]
        honest = world.groups_v

        def seen() -> list[float]:
            one, two, three, *others = honest()
            return [one, two + three, -three, others[0] + three, *others[1:]]

        object.__setattr__(world, "groups_v", seen)

    done = run(tmp_path, before=swap)
    assert done.ending.how == "tripped"
    assert "taps 2 and 3 are swapped" in done.ending.why
    assert done.whole_journal == []
