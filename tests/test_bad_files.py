"""Profiles that come near to being right, what makes no sense together, and that any plan ends."""

import math
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from benchwarden.profiles.mistakes import FileMistakes
from benchwarden.profiles.pack import Pack, read_pack, resolved
from benchwarden.profiles.plan import Plan, PlanRefused, describe, plan_as_data, work_out
from benchwarden.profiles.planned import PlannedAsk, PlannedRest, PlannedStep, most_drawn_a
from benchwarden.profiles.profile import MOST_STEPS, Profile, read_profile
from benchwarden.profiles.shipped import library_names, library_text
from benchwarden.profiles.steps import Draw, Feed, Question, Seen, begin, decide
from tests.bird_packs import pack_text
from tests.pretend_pack import heron, left_bay

# Values that a key may be given by mistake (any text in any file: test_any_text.py).
_VALUES = (
    '"5C"',
    '"1 h"',
    '"0.5C"',
    '"discharge"',
    '"repeat"',
    '"pulse"',
    '"li-ion"',
    "5",
    "-1",
    "nan",
    "inf",
    "1e400",
    "true",
    "[]",
    "{}",
    '{ charge = "50 %" }',
    '["1C"]',
    "1979-05-27",
    '"0 h"',
    '"nan A"',
    '"1e99 V"',
    '"−5 V"',
)


@settings(max_examples=120)
@given(name=st.sampled_from(library_names()), data=st.data())
def test_a_shipped_profile_with_one_thing_changed_is_a_plan_or_told(name: str, data: Any) -> None:
    lines = library_text(name).splitlines()
    places = [number for number, line in enumerate(lines) if " = " in line and not line.startswith(("#", '"'))]
    place = data.draw(st.sampled_from(places))
    key = lines[place].split(" = ")[0]
    changed = [*lines[:place], f"{key} = {data.draw(st.sampled_from(_VALUES))}", *lines[place + 1 :]]
    found, mistakes = None, ""
    try:
        found = read_profile("\n".join(changed), "a file.toml")
    except FileMistakes as error:
        mistakes = str(error)
    if found is None:
        assert mistakes.startswith("a file.toml: ")
    else:
        plan_or_reasons(found, heron())


# --- what makes no sense together; each field by itself: test_every_field.py ---------------------

_GOOD: dict[str, dict[str, Any]] = {
    "inspect": {"do": "inspect", "spread": "30 mV", "for": "10 s", "every": "1 s"},
    "soak": {"do": "soak", "to": "20 °C", "within": "2 K", "hold": "1 min", "at_most": "1 h", "every": "1 s"},
    "pulse": {
        "do": "pulse",
        "method": "series",
        "levels": ["1C"],
        "hold": "10 s",
        "times": ["1 s"],
        "rest": "40 s",
        "settle": "10 min",
        "each": "10 %",
        "down_to": "50 %",
        "move": "1C",
        "floor": "2.8 V",
    },
    "repeat": {
        "do": "repeat",
        "times": 2,
        "at_most": "1 h",
        "until": {"delivered_below": "80 % of the first"},
        "step": [{"do": "discharge", "power": "5C", "stop_at": {"group_voltage": "2.8 V"}}],
    },
    "discharge": {
        "do": "discharge",
        "power_table": "a.csv",
        "stop_at": {"group_voltage": "2.8 V", "temperature": "50 °C"},
        "until": {
            "charge": "1 Ah",
            "energy": "1 Wh",
            "time": "1 h",
            "voltage": "3 V",
            "temperature": "40 °C",
            "group_spread": "50 mV",
        },
        "every": "1 s",
        "at_most": "2 h",
    },
    "charge": {
        "do": "charge",
        "current": "0.5C",
        "taper": "0.05C",
        "until": {"charge": "50 %"},
        "at_most": "6 h",
        "every": "1 s",
    },
    "store": {"do": "store", "to": "storage", "full_first": "0.5C", "at_most": "6 h"},
}
_TABLES = {"a.csv": "time / s,power / C\n0,2\n20,0\n"}


def refused(step: dict[str, Any]) -> str:
    try:
        Profile.model_validate({"title": "t", "step": [step], "tables": _TABLES})
    except ValueError as error:
        return str(error)
    return ""


@pytest.mark.parametrize("kind", _GOOD)
def test_the_steps_to_begin_with_are_right(kind: str) -> None:
    assert refused(_GOOD[kind]) == ""


@pytest.mark.parametrize("kind", ["soak", "pulse", "repeat"])
def test_what_must_be_there_is_missed(kind: str) -> None:
    needed = {"soak": ("within", "at_most"), "pulse": ("levels", "hold"), "repeat": ("times", "at_most", "step")}
    for key in needed[kind]:
        assert key in refused({name: value for name, value in _GOOD[kind].items() if name != key})


@pytest.mark.parametrize(
    ("step", "words"),
    [
        ({**_GOOD["soak"], "hold": "2 h"}, "it could not end"),
        ({**_GOOD["inspect"], "for": "2 s"}, "3 s to 1 h"),
        ({**_GOOD["inspect"], "every": "5 s"}, "at least three looks"),
        ({**_GOOD["pulse"], "hold": "0.5 s"}, "1 to 60 s"),
        ({**_GOOD["pulse"], "times": ["20 s"]}, "does not lie within"),
        ({**_GOOD["pulse"], "times": ["0.15 s"]}, "no multiple of 0.1 s"),
        ({**_GOOD["pulse"], "rest": "1 s"}, "at least 10 s"),
        ({**_GOOD["pulse"], "settle": "1 s"}, "at least 60 s"),
        ({**_GOOD["pulse"], "each": "60 %"}, "1 to 50 %"),
        ({**_GOOD["pulse"], "method": "two-step"}, "only method"),
    ],
)
def test_what_makes_no_sense_together_is_refused(step: dict[str, Any], words: str) -> None:
    assert words in refused(step)


# --- the hard floor -----------------------------------------------------------------------------

LOW = {"hard_low": "2.05 V", "discharge_cut_off": "2.3 V", "ladder_floor": "2.3 V"}
DEEP = {"do": "discharge", "current": "1C", "stop_at": {"group_voltage": "2.3 V"}}


def test_a_cut_off_below_the_hard_floor_is_refused_whatever_the_profile_says() -> None:
    with pytest.raises(PlanRefused, match=r"cut-off 2.3 V is within 0.2 V of the hard limit 2.2 V"):
        work_out(Profile.model_validate({"title": "t", "step": [DEEP]}), heron(), left_bay())


def test_the_pack_file_alone_may_lower_it_and_has_to_say_so_twice() -> None:
    with pytest.raises(ValueError, match="without lowers_hard_low = true it can only be raised"):
        heron(**LOW)
    with pytest.raises(ValueError, match="the lowest for li-ion"):
        heron(**{**LOW, "hard_low": "1.9 V"}, lowers_hard_low=True)
    with pytest.raises(ValueError, match="lowers nothing"):
        heron(lowers_hard_low=True)
    with pytest.raises(ValueError, match="the lowest for lifepo4"):
        heron(chemistry="lifepo4", hard_low="1.5 V", lowers_hard_low=True)
    pack = heron(**LOW, lowers_hard_low=True)
    plan = work_out(Profile.model_validate({"title": "t", "step": [DEEP]}), pack, left_bay())
    assert plan.limits.group_low_v == 2.05
    words = "hard limit 2.05 V per group, below the 2.2 V of li-ion, by the pack file"
    assert resolved(pack).lowered == (words,)
    assert words in plan.notes
    assert any(words in line for line in describe(plan))
    assert resolved(heron()).lowered == ()


# --- any valid profile on any valid pack ---------------------------------------------------------

_TIMES = st.sampled_from(["5 s", "90 s", "10 min", "2 h"])
_RATES = st.sampled_from(["0.1C", "0.5C", "1C", "5C", "2 A"])
_CUT = st.sampled_from(["discharge cut-off", "ladder floor", "2.8 V", "3.1 V"])
_UNTIL = st.fixed_dictionaries(
    {},
    optional={
        "charge": st.sampled_from(["50 %", "1 Ah"]),
        "energy": st.sampled_from(["50 %", "10 Wh"]),
        "time": _TIMES,
        "voltage": st.sampled_from(["3.3 V", "3.5 V"]),
        "temperature": st.just("40 °C"),
        "group_spread": st.just("50 mV"),
    },
).filter(bool)
_DISCHARGE = st.builds(
    lambda how, cut, until, at_most: {
        "do": "discharge",
        **how,
        "stop_at": {"group_voltage": cut},
        **({"until": until} if until else {}),
        "at_most": at_most,
    },
    st.one_of(
        _RATES.map(lambda rate: {"current": rate}),
        _RATES.filter(lambda rate: rate != "2 A").map(lambda rate: {"power": rate}),
        st.just({"resistance": "2 ohm"}),
        st.just({"power_table": "a.csv"}),
    ),
    _CUT,
    st.none() | _UNTIL,
    _TIMES,
)
_SIMPLE = st.one_of(
    _DISCHARGE,
    st.builds(
        lambda current, until: {
            "do": "charge",
            "current": current,
            "taper": "0.05C",
            **({"until": until} if until else {}),
        },
        _RATES,
        st.none() | _UNTIL,
    ),
    st.builds(lambda time: {"do": "rest", "at_least": time}, _TIMES),
    st.builds(
        lambda time: {"do": "rest", "at_least": "1 s", "until_within": "2 K", "until_below": "35 °C", "at_most": time},
        _TIMES,
    ),
    st.builds(lambda time: {"do": "soak", "within": "1 K", "hold": "1 s", "at_most": time}, _TIMES),
    st.builds(lambda first: {"do": "ladder", "from": first, "step": "1C", "hold": "5 s", "rest": "10 s"}, _RATES),
    st.builds(
        lambda levels, each: {
            "do": "pulse",
            "method": "series",
            "levels": levels,
            "hold": "5 s",
            "each": each,
            "settle": "60 s",
        },
        st.sampled_from([["1C"], ["0.5C", "5C"]]),
        st.sampled_from(["10 %", "30 %"]),
    ),
    st.just({"do": "pulse"}),
    st.just({"do": "inspect"}),
    st.just({"do": "store", "full_first": "0.5C"}),
    st.just({"do": "ask", "text": "Well?"}),
)
_CHARGE = {"do": "charge", "current": "0.5C", "taper": "0.05C"}
# Half of them begin with a full pack, without which no series of pulses is planned.
_PROFILES = st.builds(
    lambda full, steps: {"title": "t", "step": [_CHARGE] * full + steps, "tables": _TABLES},
    st.booleans(),
    st.lists(
        st.one_of(
            _SIMPLE,
            st.builds(
                lambda times, steps: {"do": "repeat", "times": times, "at_most": "5 days", "step": steps},
                st.integers(1, 3),
                st.lists(_SIMPLE, min_size=1, max_size=3),
            ),
        ),
        min_size=1,
        max_size=4,
    ),
)
_PACKS = st.builds(
    lambda chemistry, series, ah: read_pack(pack_text(chemistry, series).replace('"5 Ah"', f'"{ah} Ah"')),
    st.sampled_from(["li-ion", "lipo", "lifepo4"]),
    st.sampled_from([1, 4, 6, 12]),
    st.sampled_from([4, 5, 6]),
)


def plan_or_reasons(profile: Profile, pack: Pack) -> Plan | None:
    reasons: list[str] = []
    plan: Plan | None = None
    try:
        plan = work_out(profile, pack, left_bay(group_channels=pack.series))
    except PlanRefused as error:
        reasons = error.reasons
    if plan is None:
        assert reasons
        return None
    assert 0 < len(plan.steps) <= MOST_STEPS + 1
    assert math.isfinite(plan.estimate_s)
    assert plan.estimate_s > 0
    assert describe(plan)
    assert plan_as_data(plan)
    # Nothing that a step draws lies beyond what pack and load may.
    for step in plan.steps:
        assert most_drawn_a(step) <= 1.1 * plan.pack.max_burst_a + 1e-6
        assert most_drawn_a(step) <= plan.bay.load_max_current_a + 1e-6
        assert most_drawn_a(step) <= plan.limits.max_draw_a
    return plan


def longest_s(step: PlannedStep) -> float:
    """After so long every step has to have ended, whatever the bench shows."""
    if isinstance(step, PlannedRest):
        return step.at_most_s if step.at_most_s is not None else step.at_least_s
    return getattr(step, "at_most_s", None) or step.estimate_s


# A bench on which nothing ever changes is the one on which a step could wait for ever.
_STUCK = st.builds(
    lambda group_v, hottest_c, current_a, blind: (group_v, hottest_c, current_a, blind),
    st.sampled_from([2.0, 3.0, 3.6, 4.2]),
    st.sampled_from([None, 10.0, 23.0, 59.0]),
    st.sampled_from([None, 0.0, 1.0]),
    st.booleans(),
)


def ends(step: PlannedStep, plan: Plan, stuck: tuple[float, float | None, float | None, bool]) -> None:
    group_v, hottest_c, current_a, blind = stuck
    series = plan.pack.series
    seen = Seen(
        0.0,
        None if blind else group_v * series,
        current_a,
        ((None if blind else group_v),) * series,
        hottest_c,
        23.0,
        0.0,
        0.0,
        "off",
        None,
        "done",
    )
    state: object = begin(step, 0.0)
    time_s, on_since_s, output = 0.0, 0.0, "off"
    grain_s = longest_s(step) / 400
    for _ in range(2000):
        on_s = None if output == "off" else time_s - on_since_s
        decision = decide(step, state, replace(seen, step_time_s=time_s, output=output, since_on_s=on_s))
        if decision.finished is not None:
            assert decision.finished
            assert decision.ended_by
            return
        assert decision.next_s > 0
        state = decision.state
        new = "load" if isinstance(decision.want, Draw) else "supply" if isinstance(decision.want, Feed) else "off"
        if new != output:
            output, on_since_s = new, time_s
        if isinstance(decision.want, Draw):
            assert decision.want.ceiling_a <= plan.limits.max_draw_a
            assert decision.want.timer_s
        if isinstance(decision.want, Question):
            seen = replace(seen, answer=decision.want.answers[0])
            if step.kind == "charge":
                return  # only a person can tell
        time_s += max(decision.next_s, grain_s)
    raise AssertionError(f"{step.title}: still going on after {time_s:g} s of {longest_s(step):g} s")


@settings(max_examples=300, suppress_health_check=[HealthCheck.too_slow])
@given(_PROFILES, _PACKS, _STUCK)
def test_any_plan_ends_even_where_nothing_ever_changes(
    profile: dict[str, Any], pack: Pack, stuck: tuple[float, float | None, float | None, bool]
) -> None:
    plan = plan_or_reasons(Profile.model_validate(profile), pack)
    if plan is None:
        return
    for step in plan.steps:
        if step.cycle is None or step.cycle[1] == 1:
            ends(step, plan, stuck)


def test_such_profiles_are_planned_often_enough() -> None:
    """The property above is no good if every profile is refused: these, by hand, are not."""
    for step in (
        {"do": "pulse"},
        {"do": "inspect"},
        {"do": "discharge", "power_table": "a.csv", "stop_at": {"group_voltage": "discharge cut-off"}},
        {"do": "discharge", "resistance": "2 ohm", "stop_at": {"group_voltage": "2.8 V"}, "until": {"charge": "50 %"}},
    ):
        profile = Profile.model_validate({"title": "t", "step": [step], "tables": _TABLES})
        plan = plan_or_reasons(profile, heron())
        assert plan is not None
        assert not isinstance(plan.steps[0], PlannedAsk)
        for stuck in ((3.6, 23.0, 1.0, False), (3.6, None, None, True)):
            ends(plan.steps[0], plan, stuck)
