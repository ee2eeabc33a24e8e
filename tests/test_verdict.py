import math
from statistics import fmean

import numpy as np
import pytest
from scipy import stats

from benchwarden.results.figure import Figure
from benchwarden.results.uncertain import Part
from benchwarden.results.verdict import Observed, Outlook, judge, rounded, runs_needed

ENERGY = "energy_per_mass_wh_kg"


def seen(
    pack: str, *values: float, parts: tuple[Part, ...] = (), design: str | None = None, **more: object
) -> list[Observed]:
    return [
        Observed(pack, f"{pack}/{n}", Figure(value, "Wh/kg", (0, 1), budget=parts, **more), design)  # type: ignore[arg-type]
        for n, value in enumerate(values)
    ]


@pytest.mark.parametrize(
    ("first", "second"),
    [
        # The example in the documentation of a data base's function welchTTest: t 2.79887, p 0.05181, 95 % interval of
        # the difference -0.0262943467 to 4.0929610133.
        ((20.3, 22.1, 21.9), (18.9, 20.3, 19.0)),
        ((5.012, 5.003, 5.018), (4.951, 4.962, 4.940)),
        ((5.012, 5.003, 5.018, 5.009), (4.951, 4.962)),
    ],
)
def test_two_packs_as_welchs_test_of_scipy(first: tuple[float, ...], second: tuple[float, ...]) -> None:
    found = judge(ENERGY, seen("Heron", *first), seen("Tern", *second))
    test = stats.ttest_ind(first, second, equal_var=False)
    low, high = test.confidence_interval(0.95)
    assert found.difference == pytest.approx(fmean(first) - fmean(second))
    assert found.difference_U == pytest.approx((high - low) / 2, rel=1e-9)
    assert found.first is not None
    assert found.first.u == pytest.approx(np.std(first, ddof=1) / math.sqrt(len(first)))
    assert found.first.dof == pytest.approx(len(first) - 1)


def test_ten_percent_with_three_runs_each_is_no_difference_yet() -> None:
    found = judge(ENERGY, seen("Heron", 20.3, 22.1, 21.9), seen("Tern", 18.9, 20.3, 19.0))
    assert (found.difference or 0) - (found.difference_U or 0) == pytest.approx(-0.0262943467)
    assert found.seen == "none"
    assert found.words == "no difference that this bench can see (10 ± 11 %); three more runs each would show 6.2 %"
    assert found.about == "these packs"


def test_a_difference_in_words() -> None:
    found = judge(ENERGY, seen("Heron", 203, 202, 204), seen("Tern", 188, 189, 189.5))
    assert found.seen == "more"
    assert found.words == "Heron delivers 7.5 ± 1.1 % more energy per gram than Tern"
    other = judge(ENERGY, seen("Tern", 188, 189, 189.5), seen("Heron", 203, 202, 204))
    assert other.seen == "less"
    assert other.words.endswith("% less energy per gram than Heron")


def test_what_both_runs_share_cancels_in_the_ratio() -> None:
    def with_gain(pack: str, serial: str, *values: float) -> list[Observed]:
        gains = [(Part(f"gain {serial}", 0.05 * value, None, "bench"),) for value in values]
        return [one for value, gain in zip(values, gains, strict=True) for one in seen(pack, value, parts=gain)]

    same = judge(ENERGY, with_gain("Heron", "7", 200, 201, 202), with_gain("Tern", "7", 190, 191, 192))
    apart = judge(ENERGY, with_gain("Heron", "7", 200, 201, 202), with_gain("Tern", "8", 190, 191, 192))
    plain = judge(ENERGY, seen("Heron", 200, 201, 202), seen("Tern", 190, 191, 192))
    assert same.percent == pytest.approx(apart.percent)
    assert None not in (apart.percent_U, same.percent_U, same.difference_U, plain.difference_U)
    # Two gains of 5 % each leave √2 · 5 % of the ratio, times 201/191; one gain leaves nothing of it.
    assert apart.percent_U == pytest.approx(1.96 * 5 * math.sqrt(2) * 201 / 191, rel=0.01)
    assert same.percent_U == pytest.approx(plain.percent_U, rel=1e-6)
    kept = [one.contribution for one in same.first.budget if "gain" in one.input] if same.first else []
    assert kept == pytest.approx([0.05 * 201])


def test_a_runs_own_errors_are_in_the_scatter_and_not_counted_twice() -> None:
    own = (Part("cut-off", 0.3),)
    plain = judge(ENERGY, seen("Heron", 200, 201, 202), seen("Tern", 190, 191, 192))
    found = judge(ENERGY, seen("Heron", 200, 201, 202, parts=own), seen("Tern", 190, 191, 192, parts=own))
    assert found.difference_U == pytest.approx(plain.difference_U)
    # Runs that agree by luck do not make a bench better than its samples allow.
    lucky = judge(ENERGY, seen("Heron", 200, 200, parts=own), seen("Tern", 190, 190, parts=own))
    assert lucky.difference_U == pytest.approx(1.96 * 0.3, rel=1e-3)


def test_single_runs_give_a_verdict_on_these_runs_and_say_what_it_lacks() -> None:
    gain = (Part("mass of the pack", 0.5, None, "pack"), Part("cut-off", 0.3))
    found = judge(ENERGY, seen("Heron", 203, parts=gain), seen("Tern", 188, parts=gain))
    assert (found.seen, found.about, found.systematic) == ("more", "these runs", True)
    # By hand: u = √(0.5² + 0.3²) of each; the ratio's is √((u/188)² + (203 u/188²)²), k = 1.96.
    u = math.hypot(0.5, 0.3)
    assert found.percent_U == pytest.approx(100 * 1.95996 * math.hypot(u / 188, 203 * u / 188**2), rel=1e-4)
    assert found.runs_needed is None
    size = rounded(found.percent or 0.0, found.percent_U)
    assert found.words == f"in one run each, Heron delivers {size} % more energy per gram than Tern"
    assert "that is not in ±; three runs of each pack would tell" in found.caveat
    one = judge(ENERGY, seen("Heron", 203, parts=gain), seen("Tern", 188, 189, parts=gain))
    assert one.about == "these runs"
    assert one.words.startswith("in 1 and 2 runs, Heron delivers")
    alike = judge(ENERGY, seen("Heron", 203, parts=gain), seen("Tern", 203.4, parts=gain))
    assert alike.seen == "none"
    assert alike.words.startswith("in one run each of Heron and Tern, no difference that this bench can see (")
    both = judge(ENERGY, seen("Heron", 203, 204, parts=gain), seen("Tern", 188, 189, parts=gain))
    assert (both.about, both.caveat) == ("these packs", "")


def test_lower_bounds_never_enter() -> None:
    bound = seen("Heron", 300, at_least=True)
    found = judge(ENERGY, [*seen("Heron", 203, 204), *bound], seen("Tern", 203.2, 204.1))
    assert found.first is not None
    assert found.first.value == pytest.approx(203.5)
    assert found.left_out == ("Heron/0: a lower bound",)
    only = judge(ENERGY, bound, seen("Tern", 200, 201))
    assert only.words == "no verdict on Heron and Tern: of Heron there are lower bounds only"


def test_without_accuracy_there_is_no_verdict() -> None:
    line = "bench.toml: bay 'left', load: accuracy = { voltage = … }"
    found = judge(ENERGY, seen("Heron", 203, 204, not_stated=(line,)), seen("Tern", 200, 201))
    assert found.seen == "unknown"
    assert line in found.words


def test_a_design_takes_three_specimens_of_each() -> None:
    def of(design: str, *means: float) -> list[Observed]:
        return [one for n, mean in enumerate(means) for one in seen(f"{design} {n}", mean - 1, mean + 1, design=design)]

    two = judge(ENERGY, of("Heron", 200, 203), of("Tern", 180, 181, 182))
    assert two.about == "these packs"
    found = judge(ENERGY, of("Heron", 200, 203, 202), of("Tern", 180, 181, 182))
    assert found.about == "these designs"
    assert found.first is not None
    assert (found.first.of, found.first.count, found.first.name) == ("specimens", 3, "Heron")
    low, high = stats.ttest_ind((200, 203, 202), (180, 181, 182), equal_var=False).confidence_interval(0.95)
    assert found.difference_U == pytest.approx((high - low) / 2, rel=1e-9)


@pytest.mark.parametrize(("scatter", "lasting"), [(1.0, 0.0), (0.5, 0.3), (2.0, 0.1)])
def test_runs_needed_are_the_least_that_show_it(scatter: float, lasting: float) -> None:
    outlook = Outlook((scatter, scatter), lasting, (3, 3))
    needed = runs_needed(outlook, 1.0)
    assert needed is not None
    # By hand, without a lasting part: t95 of 2(n − 1) degrees of freedom times s √(2/n).
    if lasting == 0.0:
        by_hand = next(n for n in range(2, 99) if stats.t.ppf(0.975, 2 * n - 2) * scatter * math.sqrt(2 / n) <= 1.0)
        assert needed == by_hand
    assert outlook.expected_U((needed, needed)) <= 1.0 < outlook.expected_U((needed - 1, needed - 1))
    assert runs_needed(Outlook((1.0, 1.0), 0.6, (3, 3)), 1.0) is None


def test_welch_interval_holds_the_truth_as_often_as_it_says() -> None:
    # Three runs each, scatter 1 and 2: over 500 draws some 95 % (Welch's approximation; 0.93 to 0.98 asked for).
    chance = np.random.default_rng(3)
    hits = 0
    for _ in range(500):
        one, other = chance.normal(100.0, 1.0, 3), chance.normal(98.0, 2.0, 3)
        found = judge(ENERGY, seen("Heron", *one.tolist()), seen("Tern", *other.tolist()))
        assert found.difference is not None
        assert found.difference_U is not None
        hits += abs(found.difference - 2.0) <= found.difference_U
    assert 0.93 <= hits / 500 <= 0.98


@pytest.mark.parametrize(
    ("value", "spread", "text"),
    # JCGM 100, 7.2.6: two digits of U at most, the value to the same place.
    [
        (8.0812, 1.2345, "8.1 ± 1.2"),
        (104.667, 0.5738, "104.67 ± 0.57"),
        (3090.7, 10.38, "3091 ± 10"),
        (0.0998, 0.0996, "0.10 ± 0.10"),
        (5123.0, 412.0, "5123 ± 410"),
        (4.74, None, "4.74"),
        (-0.04, 1.1, "0.0 ± 1.1"),
    ],
)
def test_values_end_where_their_uncertainty_ends(value: float, spread: float | None, text: str) -> None:
    assert rounded(value, spread) == text


def test_sides_of_other_units_or_without_runs_are_refused() -> None:
    with pytest.raises(ValueError, match="one or more"):
        judge(ENERGY, [], seen("Tern", 1.0))
    odd = [Observed("Tern", "t", Figure(1.0, "Wh", (0, 1)))]
    with pytest.raises(ValueError, match="units"):
        judge(ENERGY, seen("Heron", 1.0), odd)


def of_unit(pack: str, unit: str, own: float, *values: float) -> list[Observed]:
    parts = (Part("sensor", own),)
    return [Observed(pack, f"{pack}/{n}", Figure(v, unit, (0, 1), budget=parts)) for n, v in enumerate(values)]


def test_a_rise_of_temperature_is_judged_in_kelvins() -> None:
    found = judge("temperature_rise_k", of_unit("Heron", "K", 0.4, 38.0), of_unit("Tern", "K", 0.4, 30.0))
    assert found.percent is None
    assert found.words == "in one run each, Heron warms up by 8.0 ± 1.1 K more than Tern"
    assert found.size == "8.0 ± 1.1 K"
    # What warms by next to nothing had "−22 ± 560 %" of it.
    cold = judge("temperature_rise_k", of_unit("Heron", "K", 0.4, 0.14), of_unit("Tern", "K", 0.4, 0.18))
    assert cold.words.endswith("no difference that this bench can see (0.0 ± 1.1 K)")


def test_what_may_be_off_by_half_of_itself_is_judged_by_difference_in_the_unit_that_is_shown() -> None:
    near = judge("dc_resistance_ohm", of_unit("Heron", "Ω", 4e-4, 1e-3), of_unit("Tern", "Ω", 4e-4, 2e-3))
    assert (near.percent, near.unit) == (None, "Ω")
    assert near.difference == pytest.approx(-1e-3)
    assert near.size == "-1.0 ± 1.1 mΩ"
    clear = judge("dc_resistance_ohm", of_unit("Heron", "Ω", 2e-4, 10e-3), of_unit("Tern", "Ω", 2e-4, 20e-3))
    assert clear.percent == pytest.approx(-50.0)
    runs = judge("inspected_spread_v", of_unit("Heron", "V", 1e-5, 3e-3, 5e-3), of_unit("Tern", "V", 1e-5, 3e-3, 4e-3))
    # By hand: Welch of (3, 5) and (3, 4) mV; five runs each would show what three degrees of freedom do not.
    assert runs.words.startswith("no difference that this bench can see (0.5 ± ")
    assert runs.words.split(" mV); three more runs each would show ")[1].endswith(" mV")
