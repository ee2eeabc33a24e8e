"""How often the truth lies inside the stated U, on simulated benches whose errors are drawn from the stated limits.

U shall hold the truth in 95 of 100 cases (JCGM 100, G.1.2): over a thousand benches in at least 93 %; and in at most
97 % where no rectangular part is above half of u, since the sum is near to normal then (G.2.2).
"""

import random
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import replace
from statistics import fmean

import pytest

from benchwarden.results.discharge import begun_s, discharge_figures, drawn
from benchwarden.results.equal_energy import at_equal_energy
from benchwarden.results.figure import Figure, Figures
from benchwarden.results.groups import group_figures
from benchwarden.results.integrate import integrate
from benchwarden.results.ladder import ladder_figures
from benchwarden.results.run import Run
from benchwarden.results.series import Series
from benchwarden.results.uncertain import Part, expand
from benchwarden.results.verdict import Observed, Verdict, judge
from tests.extent import extents
from tests.simulated_bench import (
    AMPERES,
    FALL_V_S,
    FULL_V,
    HERON,
    SAGGED_V,
    Limits,
    Pack,
    bench_errors,
    bench_run,
    ladder_run,
)

BENCHES, SOME = 1000, 250
LEAST, MOST = 0.93, 0.97
BY_CHANCE = 0.02
"""Of fewer benches, some 1.4 standard deviations more are allowed on both sides."""
TERN = Pack(full_v=23.4, name="Tern")


def quick(run: Run) -> Figures:
    out = Figures(run.info)
    assert isinstance(run.samples, Series)
    discharge_figures(run, run.samples.steps()[1], run.samples[:0], out)
    return out


def near_normal(budget: Iterable[Part]) -> bool:
    """Whether no rectangular part is above half of u.

    What comes too late or too early is one-sided and carried with the whole of it on both sides: half as much.
    """
    parts = list(budget)
    u = expand(parts).u
    one_sided = ("cut-off", "first sample")
    return all(
        abs(one.contribution) <= (0.25 if any(words in one.input for words in one_sided) else 0.5) * u
        for one in parts
        if one.rectangular
    )


class Tally:
    """Counts how often the truth was inside, and remembers whose budget was always near to normal."""

    def __init__(self, benches: int = BENCHES) -> None:
        self.benches = benches
        self.least, self.most = (LEAST, MOST) if benches == BENCHES else (LEAST - BY_CHANCE, MOST + BY_CHANCE)
        self.inside: Counter[str] = Counter()
        self.seen: Counter[str] = Counter()
        self.normal: Counter[str] = Counter()

    def add(self, name: str, value: float, U: float | None, truth: float, budget: Iterable[Part]) -> None:
        assert U is not None, name
        self.seen[name] += 1
        # Where everything cancels U is nothing, and so is what rounding leaves.
        self.inside[name] += abs(value - truth) <= U + 1e-9 * max(1.0, abs(truth))
        self.normal[name] += near_normal(budget)

    def figure(self, name: str, figure: Figure | None, truth: float) -> None:
        assert figure is not None, name
        self.add(name, figure.value, figure.U, truth, figure.budget)

    def judged(self, *always_normal: str) -> dict[str, float]:
        shares = {name: self.inside[name] / count for name, count in self.seen.items()}
        assert set(self.seen.values()) == {self.benches}
        assert min(shares.values()) >= self.least, shares
        normal = {name for name, count in self.normal.items() if count == self.benches}
        assert set(always_normal) <= normal, normal
        assert all(shares[name] <= self.most for name in normal), (shares, normal)
        return shares


@pytest.mark.parametrize(
    ("seed", "period_s", "count", "normal"),
    # 400 samples, where the cut-off dominates the charge, and 4000, where nothing does.
    [(1, 0.5, 400, ()), (2, 0.05, 4000, ("delivered_wh", "energy_per_mass_wh_kg"))],
)
def test_figures_of_a_discharge(seed: int, period_s: float, count: int, normal: tuple[str, ...]) -> None:
    chance, tally = random.Random(seed), Tally()
    for _ in range(tally.benches):
        run, truth = bench_run(chance, Limits(), period_s, count)
        found = quick(run)
        for name, true in truth.items():
            tally.figure(name, found.get(name), true)
    tally.judged(*normal)
    asked = {"delivered_ah", "delivered_wh", "energy_per_mass_wh_kg", "dc_resistance_ohm", "mean_voltage_v"}
    assert asked <= tally.seen.keys()


@extents
def test_voltage_at_equal_energy(whole: bool) -> None:
    chance, tally = random.Random(3), Tally(BENCHES if whole else SOME)
    seconds = 180.0
    wanted_wh = AMPERES * ((FULL_V - SAGGED_V) * seconds - FALL_V_S * seconds**2 / 2.0) / 3600.0
    for _ in range(tally.benches):
        run, _ = bench_run(chance, Limits(), 0.5, 400)
        found = quick(run)
        told = at_equal_energy(run, found, wanted_wh)
        # The time before the first sample, some milliseconds, moves the truth by less than 1e-3 of U.
        tally.figure("sag", told.sag[-1], FULL_V - SAGGED_V - FALL_V_S * seconds)
        tally.figure("mean", told.mean_v, FULL_V - SAGGED_V - FALL_V_S * seconds / 2.0)
    tally.judged()


ALIKE = Pack(apart_v=(0.0,) * 6)
CLOSE = Pack(apart_v=(0.0005, 0.0, 0.0, 0.0, 0.0, -0.0005))


@extents
@pytest.mark.parametrize("channels", ["own", "alike"])
@pytest.mark.parametrize("pack", [HERON, CLOSE, ALIKE], ids=["apart", "close", "alike"])
def test_groups_of_a_scanner_whose_channels_err_by_themselves_or_alike(channels: str, pack: Pack, whole: bool) -> None:
    # Nobody states how two channels of a scanner err together: U must hold at both extremes, also where errors choose
    # which of several like groups is the highest.
    chance, tally = random.Random(4), Tally(BENCHES if whole else SOME)
    for _ in range(tally.benches):
        errors = bench_errors(chance, Limits(), channels)
        run, truth = bench_run(chance, Limits(), 0.5, 20, errors, pack)
        out = Figures(run.info)
        assert isinstance(run.samples, Series)
        group_figures(run.info, None, run.samples.only("load"), out)
        for name in ("group_spread_end_v", "groups_against_pack_v", "ending_group_v"):
            tally.figure(name, out.get(name), truth[name])
    shares = {name: tally.inside[name] / tally.benches for name in tally.seen}
    assert min(shares.values()) >= tally.least, shares
    # What errs alike cancels in the spread, which U does not count on: it then holds the truth more often.
    if channels == "own" and pack is HERON:
        assert shares["group_spread_end_v"] <= tally.most + 0.01, shares


def ratio(name: str, one: Sequence[Figures], other: Sequence[Figures]) -> Verdict:
    return judge(
        name,
        [Observed("Heron", f"heron {number}", found[name]) for number, found in enumerate(one)],
        [Observed("Tern", f"tern {number}", found[name]) for number, found in enumerate(other)],
    )


NAMES = ("delivered_ah", "delivered_wh", "energy_per_mass_wh_kg", "mean_voltage_v", "dc_resistance_ohm")
COARSE = Limits(gain_v=0.005, offset_v=0.113, gain_a=0.005, offset_a=0.10, mass_kg=0.002)


@extents
@pytest.mark.parametrize("same", [True, False], ids=["one bench", "two benches"])
def test_ratio_of_two_packs_from_one_run_each(same: bool, whole: bool) -> None:
    chance, tally = random.Random(5), Tally(BENCHES if whole else SOME)
    for _ in range(tally.benches):
        errors = bench_errors(chance, COARSE)
        others = errors if same else bench_errors(chance, COARSE)
        one, truth = bench_run(chance, COARSE, 0.5, 400, errors)
        other, base = bench_run(chance, COARSE, 0.5, 360, others, TERN)
        found, against = quick(one), quick(other if same else by_another_load(other))
        for name in NAMES:
            verdict = ratio(name, [found], [against])
            assert verdict.percent is not None
            true = 100.0 * (truth[name] / base[name] - 1.0)
            tally.add(name, verdict.percent, verdict.percent_U, true, verdict.budget)
    tally.judged(*(() if same else ("delivered_wh", "energy_per_mass_wh_kg")))


def by_another_load(run: Run) -> Run:
    """The same run by a load with another serial number."""
    load = {**run.info.instruments["load"], "identity": {"maker": "-", "model": "-", "serial": "9"}}
    info = replace(run.info, instruments={**run.info.instruments, "load": load})
    return Run(run.path, info, run.samples, run.events, [])


def energy_alone(run: Run) -> Figures:
    """As `quick`, but for the delivered energy only."""
    out = Figures(run.info)
    assert isinstance(run.samples, Series)
    loaded = run.samples.only("load")
    integral = integrate(loaded, "load")
    assert integral is not None
    total = drawn(out.meters, "load", integral, loaded, begun_s(run.samples, loaded), True, 2)
    out.put("delivered_wh", total.energy_wh, "Wh", (integral.first, integral.last))
    return out


@extents
def test_ratio_of_two_packs_from_three_runs_each(whole: bool) -> None:
    # Runs of one pack scatter: its voltage by 0.5 %, and its energy with it. Asked for is the pack's mean.
    chance, tally = random.Random(6), Tally(BENCHES if whole else SOME)
    for _ in range(tally.benches):
        errors = bench_errors(chance, Limits())
        sides: list[list[Figures]] = []
        truths: list[float] = []
        for pack, count in ((HERON, 400), (TERN, 360)):
            sides.append([])
            true: list[float] = []
            for _ in range(3):
                shift = chance.gauss(0.0, 0.005 * pack.full_v)
                run, truth = bench_run(chance, Limits(), 0.5, count, errors, replace(pack, full_v=pack.full_v + shift))
                sides[-1].append(energy_alone(run))
                true.append(truth["delivered_wh"] - shift * truth["delivered_ah"])
            truths.append(fmean(true))
        found = ratio("delivered_wh", *sides)
        assert found.percent is not None
        tally.add("delivered_wh", found.percent, found.percent_U, 100.0 * (truths[0] / truths[1] - 1.0), found.budget)
    tally.judged()


def of_ladder(run: Run) -> Figures:
    out = Figures(run.info)
    assert isinstance(run.samples, Series)
    ladder_figures(run, run.samples.steps()[0], (), out)
    return out


@extents
def test_two_packs_limits_from_the_last_burst_that_each_held(whole: bool) -> None:
    # Asked for is the current and the power at which a pack's lowest group ends at the floor: anywhere in the step.
    chance, tally = random.Random(7), Tally(BENCHES if whole else SOME)
    for _ in range(tally.benches):
        errors = bench_errors(chance, Limits(), "own")
        one_c, other_c = chance.uniform(9.0, 13.0), chance.uniform(9.0, 13.0)
        found = of_ladder(ladder_run(Limits(), errors, one_c))
        against = of_ladder(ladder_run(Limits(), errors, other_c, pack=TERN))
        for name in ("peak_c", "peak_w_per_kg"):
            # At the floor every pack here has the same voltage, so that power goes with current.
            verdict = ratio(name, [found], [against])
            assert verdict.percent is not None
            true = 100.0 * (one_c / other_c - 1.0)
            tally.add(name, verdict.percent, verdict.percent_U, true, verdict.budget)
    # What is one-sided is carried on both sides, so that U holds the truth more often than it must.
    assert min(tally.judged().values()) >= 0.97


@extents
@pytest.mark.parametrize("beyond", [0, 1, 2], ids=["to the floor", "one step short", "two steps short"])
def test_where_a_ladder_would_meet_its_floor(beyond: int, whole: bool) -> None:
    chance, tally = random.Random(8 + beyond), Tally(BENCHES if whole else SOME)
    for _ in range(tally.benches):
        errors = bench_errors(chance, Limits(), "own")
        limit_c = chance.uniform(11.05, 11.75)
        last_c = 99 if not beyond else 12 - beyond
        found = of_ladder(ladder_run(Limits(), errors, limit_c, last_c))
        tally.figure("peak_interpolated_c", found.get("peak_interpolated_c"), limit_c)
    tally.judged()


def test_two_packs_that_end_at_the_same_burst_differ_by_up_to_the_step() -> None:
    errors = bench_errors(random.Random(9), Limits(), "own")
    found, against = (of_ladder(ladder_run(Limits(), errors, limit_c)) for limit_c in (10.05, 10.95))
    verdict = ratio("peak_c", [found], [against])
    assert verdict.seen == "none"
    assert verdict.percent == pytest.approx(0.0, abs=1e-9)
    # By hand: the step of 1C at 10C, ± a/√3 for each of the two.
    assert verdict.percent_U == pytest.approx(1.96 * 10.0 * (2.0 / 3.0) ** 0.5, rel=0.01)
    assert "step between" in verdict.budget[0].input
    assert found["peak_c"].limit_above == pytest.approx(1.0, rel=1e-3)
    assert (found["peak_c"].U or 1.0) < 0.1, "what the bench may be wrong by in the current of that burst"
    repeated = ratio("peak_c", [found] * 3, [against] * 3)
    assert repeated.percent_U == pytest.approx(verdict.percent_U, rel=0.01), "no number of runs makes the step smaller"
    assert repeated.words.endswith("more runs would not show a smaller one: the step of the ladder decides")
