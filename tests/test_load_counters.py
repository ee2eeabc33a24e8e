"""A load's own counters against the samples: read around each draw, never in the way of off, compared and flagged."""

from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from benchwarden.daemon.running.ledger import count_in_step
from benchwarden.drivers.command_map import MAPS_FOLDER
from benchwarden.drivers.errors import CounterAstray, NotOffered, ReplyRefused
from benchwarden.drivers.fitting import Wire
from benchwarden.drivers.parallel import ParallelLoad
from benchwarden.drivers.roles import Load
from benchwarden.results.counters import NAMES
from benchwarden.results.figures import Figures, figures
from benchwarden.results.folder import read_run
from benchwarden.simulators.load import LoadDevice
from benchwarden.simulators.scenario import BayScenario
from benchwarden.simulators.start import SimulatedBench
from tests.scripted_instrument import Settings
from tests.synthetic_run import discharge_run
from tests.test_bay_faults import DISCHARGE, HERON, LADDER, LEFT, MIDDLE, RIGHT, assert_tripped, device, mute
from tests.virtual_bench import Done, on_virtual_time, run_test

COUNT = "FETCh:CHARge?;:FETCh:ENERgy?"
OWN_MAP = Path(__file__).parent / "maps" / "load-words.toml"


def load_at(place: str, far_end: Settings, name: str | Path = "load-function") -> Load:
    return Wire(f"MEMORY::{place}", name, timeout_s=0.02, memory={place: far_end}).load(f"load {place}")


# --- one load, several, none ---------------------------------------------------------------------


@pytest.mark.asyncio
async def test_a_counter_that_goes_on_counts_from_where_it_stood() -> None:
    far_end = Settings({COUNT: "7.1000;150.000"})
    load = load_at("a", far_end)
    await load.begin_count()
    far_end.fixed[COUNT] = "9.6000;200.500"
    assert await load.counted() == {"charge_ah": pytest.approx(2.5), "energy_wh": pytest.approx(50.5)}
    with pytest.raises(CounterAstray, match="was not read before the load went on"):
        await load.counted()


@pytest.mark.asyncio
@pytest.mark.parametrize(
    ("columns", "reply"),
    [  # 1 h = 3600 s (SI brochure, table 8, from memory), so that 1 Ah = 3600 C and 1 Wh = 3600 J
        ('{ name = "charge_ah", factor = 0.001 }, { name = "energy_wh", factor = 0.001 }', "2500;50500"),
        (
            f'{{ name = "charge_ah", factor = {1 / 3600} }}, {{ name = "energy_wh", factor = {1 / 3600} }}',
            "9000;181800",
        ),
    ],
)
async def test_a_counter_in_milliampere_hours_or_coulombs_is_turned_into_ampere_hours(
    tmp_path: Path, columns: str, reply: str
) -> None:
    own = tmp_path / "own.toml"
    text = (MAPS_FOLDER / "load-function.toml").read_text(encoding="utf-8")
    own.write_text(text.replace('{ name = "charge_ah" }, { name = "energy_wh" }', columns), encoding="utf-8")
    far_end = Settings({COUNT: "0;0"})
    load = load_at("a", far_end, own)
    await load.begin_count()
    far_end.fixed[COUNT] = reply
    assert await load.counted() == {"charge_ah": pytest.approx(2.5), "energy_wh": pytest.approx(50.5)}


@pytest.mark.asyncio
async def test_a_counter_that_begins_at_zero_is_asked_only_afterwards() -> None:
    far_end = Settings({"COUNter?": "2.500000E+00,5.050000E+01"})
    load = load_at("a", far_end, "load-mode")
    await load.begin_count()
    assert "COUNter?" not in far_end.heard
    assert await load.counted() == {"charge_ah": 2.5, "energy_wh": 50.5}


@pytest.mark.asyncio
@pytest.mark.parametrize(
    ("reply", "error", "words"),
    [
        ("3.0000;200.0", CounterAstray, "charge_ah went back from 7.1"),
        ("9.9E37;200.0", CounterAstray, "no value"),  # SCPI-1999 7.2.1.4: infinity
        ("9.6", ReplyRefused, "load a at MEMORY::a"),
    ],
)
async def test_what_is_no_count_is_never_taken_for_one(reply: str, error: type[Exception], words: str) -> None:
    far_end = Settings({COUNT: "7.1000;150.000"})
    load = load_at("a", far_end)
    await load.begin_count()
    far_end.fixed[COUNT] = reply
    with pytest.raises(error, match=words):
        await load.counted()


@pytest.mark.asyncio
async def test_loads_in_parallel_are_summed_or_lack_it_together() -> None:
    ends = [Settings({COUNT: "1.0;20.0"}), Settings({COUNT: "5.0;30.0"})]
    both = ParallelLoad([load_at(str(n), end) for n, end in enumerate(ends)], [60.0, 60.0], who="both")
    await both.begin_count()
    ends[0].fixed[COUNT], ends[1].fixed[COUNT] = "2.5;50.0", "6.0;50.0"
    assert await both.counted() == {"charge_ah": pytest.approx(2.5), "energy_wh": pytest.approx(50.0)}
    without = ParallelLoad([load_at("0", ends[0]), load_at("x", Settings(), OWN_MAP)], [60.0, 60.0], who="both")
    with pytest.raises(NotOffered, match=r"load x.*no counters"):
        await without.begin_count()


def test_a_step_is_the_sum_of_its_draws_and_lacks_what_one_of_them_lacks() -> None:
    whole = {"charge_ah": 0.5, "energy_wh": 10.0}
    assert count_in_step([whole, whole]) == {"charge_ah": 1.0, "energy_wh": 20.0}
    assert count_in_step([whole, {"charge_ah": 0.25}]) == {"charge_ah": 0.75}
    assert count_in_step([whole, "silent", "why ever"]) == {"lacking": "silent"}


# --- whole runs ----------------------------------------------------------------------------------


def loads(bench: SimulatedBench) -> list[LoadDevice]:
    found = [one.endpoint.device for one in bench.instruments.values()]
    return [one for one in found if isinstance(one, LoadDevice)]


def whole_run(folder: Path, scenario: BayScenario = LEFT, profile: str = DISCHARGE, **more: Any) -> tuple[Done, Any]:
    done = on_virtual_time(run_test(folder, scenario, HERON, profile, soc=0.5, **more))
    assert done.ending.how == "finished", done.ending
    return done, list(done.run.events_named("counted_by_load"))


@pytest.mark.parametrize("scenario", [LEFT, MIDDLE, RIGHT], ids=["goes on", "zero at on", "two in parallel"])
def test_samples_and_counters_of_a_whole_run_agree(tmp_path: Path, scenario: BayScenario) -> None:
    done, said = whole_run(tmp_path, scenario)
    assert len(said) == 1
    found = figures(done.run)
    for name in NAMES:
        # 0.1 % stated in docs/results.md, and a sample period of 1 s in about 800 s at the edges.
        assert found[name].value == pytest.approx(1.0, abs=0.002), name
        assert found[name].U is None
    assert not [flag for flag in found.flags if "counter" in flag]
    # The witness: what truly left the pack, which two meters of 0.05 % see.
    bay = next(iter(done.bench.bays.values()))
    assert said[0]["charge_ah"] == pytest.approx(bay.witness.discharged_ah - done.checked.drawn_ah, rel=0.01)


def test_every_burst_of_a_ladder_is_in_its_step_s_count(tmp_path: Path) -> None:
    done, (said,) = whole_run(tmp_path, profile=LADDER)
    bay = next(iter(done.bench.bays.values()))
    assert len([what for _, what in done.journal if what == "load 1 on"]) > 3
    assert said["charge_ah"] == pytest.approx(bay.witness.discharged_ah - done.checked.drawn_ah, rel=0.01)


def test_a_counter_that_says_otherwise_flags_the_run(tmp_path: Path) -> None:
    def doctored(bench: SimulatedBench) -> None:
        for load in loads(bench):
            load.miscounts = 1.01

    done, _ = whole_run(tmp_path, before=doctored)
    found = figures(done.run)
    flags = [flag for flag in found.flags if "the load's own counter says" in flag]
    assert len(flags) == 2
    assert found[NAMES[0]].value == pytest.approx(1.0 / 1.01, abs=0.001)


def test_a_counter_that_is_cleared_meanwhile_is_said_as_missing(tmp_path: Path) -> None:
    def counted_before(bench: SimulatedBench) -> None:
        for load in loads(bench):
            load.state.drawn.charge_as = 1e5

    def clear(bench: SimulatedBench, sample: Any) -> None:
        if sample.step_time_s > 20.0:
            loads(bench)[0].clear_counters()

    done, (said,) = whole_run(tmp_path, before=counted_before, each=clear)
    assert "went back" in said["lacking"]
    assert all("went back" in figures(done.run).missing[name] for name in NAMES)


def unknown(box: Any) -> None:
    """The instrument does not know the question: no reply, and -113 in its queue (SCPI-1999 volume 2, from memory)."""
    known: Callable[[str], str | None] = box.handle

    def handle(message: str) -> str | None:
        return known("FETCh:NOTHing?" if "FETCh:CHARge" in message else message)

    box.handle = handle


def test_a_load_that_does_not_know_the_question_goes_on_and_is_asked_no_more(tmp_path: Path) -> None:
    done, (said,) = whole_run(tmp_path, profile=LADDER, before=lambda bench: unknown(device(bench, "load")))
    assert said["lacking"]
    assert "charge_ah" not in said
    log = next(one for one in done.bench.instruments.values() if one.name == "load").endpoint.log
    assert sum("FETCh" in text for _, text in log) == 1


@pytest.mark.parametrize("profile", [DISCHARGE, LADDER], ids=["discharge", "bursts"])
def test_counters_that_fall_silent_while_it_draws_trip_nothing(tmp_path: Path, profile: str) -> None:
    """Even in bursts without the load's own timer, where half a second without a reading is the most."""

    def silent(bench: SimulatedBench, sample: Any) -> None:
        if sample.output == "load" and not broken:
            broken.append(True)
            unknown(device(bench, "load"))

    def no_timer(text: str) -> str:
        own = (MAPS_FOLDER / "load-function.toml").read_text("utf-8")
        head, _, rest = own.partition("[protect.timer]")
        path = tmp_path / "no-timer.toml"
        path.write_text(head + "[protect.power_on_off]" + rest.partition("[protect.power_on_off]")[2], "utf-8")
        return text.replace('map = "load-function"', f'map = "{path}"')

    broken: list[bool] = []
    done, (said,) = whole_run(tmp_path / "runs", profile=profile, each=silent, change_bench=no_timer)
    assert profile != LADDER or any("timer" in one["names"] for one in done.run.events_named("unprotected"))
    assert "FETCh" in said["lacking"]


def test_counters_are_read_right_before_on_and_only_after_off(tmp_path: Path) -> None:
    done, _ = whole_run(tmp_path)
    log = [text for _, text in next(one for one in done.bench.instruments.values() if one.name == "load").endpoint.log]
    on = False
    asked = 0
    for text in log:
        if "INPut ON" in text or "INPut OFF" in text:
            on = "INPut ON" in text
        elif "FETCh" in text:
            asked += 1
            assert not on
    assert asked == 4  # around the test pulse, and around the discharge
    for text, then in pairwise(log):
        if "FETCh" in text:
            assert "INPut ON" not in then, "off is read once more between the counters and on"


def test_a_trip_asks_no_counter(tmp_path: Path) -> None:
    def fault(bench: SimulatedBench, sample: Any) -> None:
        if sample.step_time_s > 20.0:
            mute(bench, "cells")

    done = on_virtual_time(run_test(tmp_path, LEFT, HERON, DISCHARGE, soc=0.5, each=fault))
    assert_tripped(done, "cells")
    assert not list(done.run.events_named("counted_by_load"))
    log = next(one for one in done.bench.instruments.values() if one.name == "load").endpoint.log
    assert sum("FETCh" in text for _, text in log) == 3  # not the fourth
    assert "were not read after it" in figures(done.run).missing[NAMES[0]]


# --- the figures, on a run in closed form ----------------------------------------------------------


def told(folder: Path, said: Callable[[float, float], dict[str, Any]] | None, late_s: float = 0.0) -> Figures:
    writer = discharge_run()
    ah, wh = writer.charge_c / 3600.0, writer.discharging_wh
    if late_s:
        last = next(n for n in range(len(writer.samples) - 1, 0, -1) if writer.samples[n].output == "load")
        writer.samples[last + 1 :] = [
            replace(one, test_time_s=one.test_time_s + late_s) for one in writer.samples[last + 1 :]
        ]
    if said:
        writer.event("counted_by_load", step=2, **said(ah, wh))
    return figures(read_run(writer.finish(folder, writer.info())))


AMPERES = 300.0 / 19.2  # at the cut-off


@pytest.mark.parametrize(
    ("more_ah", "late_s", "flagged"),
    [
        (0.0, 0.0, False),
        (AMPERES * 0.2 / 3600.0, 0.0, False),  # 0.1 s between switching and samples at both ends
        (0.05, 0.0, True),
        (-0.05, 0.0, True),
        (AMPERES * 10.0 / 3600.0, 0.0, True),
        (AMPERES * 10.0 / 3600.0, 10.0, False),  # the sample after it came ten seconds later
        (-AMPERES * 10.0 / 3600.0, 10.0, True),  # but a counter never sees less
    ],
)
def test_what_is_expected_is_one_sided(tmp_path: Path, more_ah: float, late_s: float, flagged: bool) -> None:
    found = told(tmp_path, lambda ah, wh: {"charge_ah": ah + more_ah, "energy_wh": wh + more_ah * 19.2}, late_s)
    flags = [flag for flag in found.flags if "own counter says" in flag]
    assert (len(flags) == 2) == flagged, found.flags
    assert "expected is" in found[NAMES[0]].note


@pytest.mark.parametrize(
    ("said", "reason"),
    [
        (None, "were not read"),
        (lambda ah, wh: {"lacking": "left load: silent"}, "left load: silent"),
        (lambda ah, wh: {"charge_ah": "none", "energy_wh": True}, "not there or not above 0"),
        (lambda ah, wh: {"charge_ah": -1.0, "energy_wh": float("inf")}, "not there or not above 0"),
    ],
)
def test_what_is_not_counted_is_missing_with_its_reason(tmp_path: Path, said: Any, reason: str) -> None:
    found = told(tmp_path, said)
    assert all(reason in found.missing[name] and name not in found for name in NAMES)
    assert not [flag for flag in found.flags if "counter" in flag]


def test_a_counter_that_stands_at_zero_is_flagged_and_has_no_ratio(tmp_path: Path) -> None:
    found = told(tmp_path, lambda ah, wh: {"charge_ah": 0.0, "energy_wh": wh})
    assert [flag for flag in found.flags if "own counter says 0 Ah" in flag]
    assert "not above 0" in found.missing[NAMES[0]]
    assert NAMES[1] in found
