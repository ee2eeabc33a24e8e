"""How full a pack was left, and what it needs within a day: tables over chemistries, and whole runs by their last step.

The thresholds are common practice, no source. Voltages of the rows are those of the chemistry table: full
4.20 V and storage 3.65 V (li-ion), 3.82 V (LiPo), 4.35 V and 3.85 V (LiHV).
"""

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from benchwarden.daemon.serving.pack_now import charge_by_steps, charge_by_voltage, need_in_words, pack_now
from benchwarden.results.run import Run, RunInfo
from benchwarden.results.sample import Sample

LI_ION = {"series": 3, "full_v": 4.2, "storage_v": 3.65, "storage_fraction": None, "chargeable": True}
LIPO = LI_ION | {"storage_v": 3.82}
LI_HV = LI_ION | {"full_v": 4.35, "storage_v": 3.85}
LIFEPO4 = LI_ION | {"full_v": 3.65, "storage_v": None, "storage_fraction": 0.4}
NIMH = {"series": 3, "full_v": None, "storage_v": None, "storage_fraction": None, "chargeable": False}


@pytest.mark.parametrize(
    ("groups", "values", "charge"),
    [
        ((4.17, 4.18, 4.16), LI_ION, "full"),
        ((3.95, 4.13, 3.95), LI_ION, "full"),  # the highest group decides: it is the one that ages
        ((3.95, 3.96, 3.95), LI_ION, "above storage"),
        ((3.64, 3.66, 3.65), LI_ION, "storage"),
        ((3.64, 3.55, 3.65), LI_ION, "below storage"),
        ((3.64, 3.30, 3.65), LI_ION, "empty"),  # the lowest decides: it is the one that is lost first
        ((3.65, 3.65, 3.65), LIPO, "below storage"),
        ((3.82, 3.83, 3.80), LIPO, "storage"),
        ((4.20, 4.20, 4.20), LI_HV, "above storage"),
        ((4.31, 4.30, 4.31), LI_HV, "full"),
        ((None, 3.65, None), LI_ION, "storage"),
        ((None, None, None), LI_ION, "storage"),  # by the pack's voltage
        ((3.30, 3.30, 3.30), LIFEPO4, None),  # flat: voltage tells nothing
        ((1.25, 1.25, 1.25), NIMH, None),
        ((3.65, 3.65, 3.65), {}, None),
    ],
)
def test_how_full_by_voltage(groups: tuple[float | None, ...], values: dict[str, Any], charge: str | None) -> None:
    assert charge_by_voltage(groups, 3 * 3.65, values) == charge


@pytest.mark.parametrize(
    ("charge", "values", "words"),
    [
        ("full", LI_ION, "bring it down to storage (3.65 V per group at rest)"),
        ("empty", LIPO, "charge it to storage (3.82 V per group at rest)"),
        ("storage", LI_ION, "nothing: it is at storage"),
        ("empty", LIFEPO4, "charge it to storage (40 % of its charge)"),
        ("not known", LIFEPO4, "measure it, and bring it to storage (40 % of its charge)"),
        ("empty", NIMH, "charge it on a charger made for it"),
    ],
)
def test_what_it_needs(charge: str, values: dict[str, Any], words: str) -> None:
    assert need_in_words(charge, values) == words


def sample(kind: str, step: int, time_s: float, output: str = "off", **more: Any) -> Sample:
    groups = more.pop("groups_v", (3.30, 3.30, 3.30))
    base = Sample(
        1, time_s, 1.8e9 + time_s, step, kind, 0.0, "", output, 9.9, 0.0, groups, (30.0, 23.0), 0, 0, 0, 0, 0.0, 0.0
    )
    return replace(base, **more)


def run(values: dict[str, Any], *samples: Sample, done: tuple[int, ...] = (), limit_c: float = 65.0) -> Run:
    plan = {"pack": values, "limits": {"temperature_high_c": limit_c}}
    events = [{"event": "step_ended", "step": step, "ended_by": "done"} for step in done]
    return Run(Path("run"), RunInfo(plan=plan, places=("middle", "ambient")), list(samples), events, [])


CHARGED = (sample("charge", 1, 0.0, "supply"), sample("rest", 2, 2000.0))


@pytest.mark.parametrize(
    ("found", "charge"),
    [
        (run(LIFEPO4, *CHARGED, done=(1, 2)), "full"),
        (run(LIFEPO4, *CHARGED, done=(2,)), None),  # cut short: nobody knows
        (run(LIFEPO4, *CHARGED, sample("discharge", 3, 3000.0, "load"), done=(1, 2, 3)), "empty"),
        (run(LIFEPO4, sample("ladder", 1, 0.0, "load"), sample("rest", 2, 200.0)), "above storage"),
        (run(LIFEPO4, sample("discharge", 1, 0.0, "load"), sample("store", 2, 1.0, "supply"), done=(2,)), "storage"),
        (run(LIFEPO4, sample("rest", 1, 0.0)), None),
        (run(LIFEPO4), None),
    ],
)
def test_how_full_by_what_was_done_last(found: Run, charge: str | None) -> None:
    assert charge_by_steps(found) == charge
    assert pack_now(found).charge == (charge or "not known")


def test_a_rested_pack_without_doubts() -> None:
    now = pack_now(
        run(LI_ION, sample("discharge", 1, 0.0, "load"), sample("rest", 2, 1800.0, groups_v=(3.0, 3.2, 3.2)))
    )
    assert (now.charge, now.rested_s, now.doubts) == ("empty", 1800.0, ())
    assert (now.hottest_c, now.ambient_c) == (30.0, 23.0)
    assert now.need == "charge it to storage (3.65 V per group at rest)"


@pytest.mark.parametrize(
    ("last", "doubt"),
    [
        (sample("rest", 2, 20.0), "only 20 s after a current: its voltages still move"),
        (sample("discharge", 1, 20.0, "load"), "last seen while a current flowed: its voltages were not at rest"),
    ],
)
def test_a_pack_that_was_not_at_rest_is_doubted(last: Sample, doubt: str) -> None:
    assert pack_now(run(LI_ION, sample("discharge", 1, 0.0, "load"), last)).doubts == (doubt,)


def test_a_hot_pack_is_not_touched() -> None:
    """Heat: do not touch, keep away, call the fire service."""
    hot = pack_now(run(LI_ION, sample("rest", 1, 0.0, temperatures_c=(58.0, 23.0))))
    assert hot.need.startswith(
        "it was at 58 °C: do not touch it, keep away until it is cool, and call the fire service"
    )
    assert "do not touch" not in pack_now(run(LI_ION, sample("rest", 1, 0.0, temperatures_c=(None, 23.0)))).need


def test_a_run_without_a_sample_says_so() -> None:
    assert pack_now(run(LI_ION)).doubts == ("its last run left no sample",)
