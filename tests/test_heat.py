"""Probes that lie and packs that warm, through the whole chain on virtual time.

What was on, and until when, is read from the journal of the simulated bench, never from the program under test.
"""

import re
from collections.abc import Callable, Mapping
from itertools import pairwise
from pathlib import Path

import pytest

from benchwarden.daemon.alarm.alarms import Fact, words
from benchwarden.daemon.alarm.outside import Outside
from benchwarden.daemon.safety import Heat
from benchwarden.profiles.mistakes import FileMistakes
from benchwarden.results.sample import Sample
from benchwarden.simulators.meter import Meter
from benchwarden.simulators.start import SimulatedBench
from tests.test_bay_faults import (
    CHARGE,
    DISCHARGE,
    HERON,
    LEFT,
    WAY_TO_OFF_S,
    Fault,
    assert_off_within,
    assert_tripped,
    broken,
    device,
    outputs_at_the_end,
    placed,
)
from tests.test_crash import BadDisk
from tests.virtual_bench import on_virtual_time, run_test

HARD = DISCHARGE.replace('"2C"', '"5C"')
PLACES = ("middle", "joint", "ambient")
EVERY_S = 2.0


def probe_reads(value: str, place: int) -> Callable[[SimulatedBench], None]:
    """Let one probe give this text for ever, the others what they gave last."""

    def do(bench: SimulatedBench) -> None:
        fields = ["+25.000"] * 3
        fields[place] = value
        placed(bench, "temperature").endpoint.faults.garbage = ",".join(fields)

    return do


@pytest.mark.parametrize("place", range(3))
@pytest.mark.parametrize("value", ["85.0", "-127.0", "1000.0", "-300"])
def test_what_a_broken_sensor_answers_trips_on_one_reading(tmp_path: Path, value: str, place: int) -> None:
    """Fault 67; 85.0 and -127 are what a common digital sensor answers without a measurement (from memory)."""
    done, fired_s = broken(tmp_path, probe_reads(value, place))
    assert_tripped(done, rf"temperature {PLACES[place]}_c is -?\d+\.?\d*, allowed -20 to [68]0")
    assert_off_within(done, fired_s, EVERY_S + WAY_TO_OFF_S)
    assert done.off_confirmed


@pytest.mark.parametrize("value", ["9.9E37", "9.91E37", "NAN", ""])
def test_an_open_or_shorted_probe_is_a_missing_one(tmp_path: Path, value: str) -> None:
    """Faults 49 and 67: ten seconds may pass without a temperature."""
    done, fired_s = broken(tmp_path, probe_reads(value, 0))
    assert_tripped(done, r"temperature \w+_c has not been seen for 1\d\.\d s, allowed 10 s")
    assert_off_within(done, fired_s, 10.0 + EVERY_S + WAY_TO_OFF_S)


def test_a_probe_that_stands_still_while_the_pack_warms(tmp_path: Path) -> None:
    """Fault 67: a plausible constant for ever."""
    done, fired_s = broken(tmp_path, probe_reads("24.0", 0), HARD, soc=1.0)
    assert_tripped(done, r"temperature \w+_c shows a rise of -?\d\.\d K where .*: the probe fell off")
    last_s = max(time_s for time_s, what in done.journal if what == "load 1 off")
    assert last_s - fired_s < 240.0


@pytest.mark.parametrize("profile", [DISCHARGE, CHARGE], ids=["discharge", "charge"])
def test_ten_kelvins_a_minute(tmp_path: Path, profile: str) -> None:
    """Fault 67: a ramp that no current explains ends every bay before the limit of 80 °C is near."""

    def warm(bench: SimulatedBench, sample: Sample) -> None:
        if sample.test_time_s >= 60.0:
            pack = bench.bays["left"].pack
            pack.core_c += 10.0 / 60.0
            pack.surface_c += 10.0 / 60.0

    done = on_virtual_time(run_test(tmp_path, LEFT, HERON, profile, soc=0.5, each=warm))
    assert_tripped(done, r"temperature \w+_c rose by \d+\.\d K in")
    assert done.ending.every_bay
    assert outputs_at_the_end(done) == set()
    assert done.run.samples[-1].test_time_s - 60.0 < 180.0
    assert done.bench.bays["left"].witness.hottest_core_c < 60.0


def test_a_bay_needs_a_probe_on_the_pack(tmp_path: Path) -> None:
    """Fault 67: ambient alone is none, and the bench file is refused."""

    def ambient_only(text: str) -> str:
        return re.sub(r"sensors = \{[^}]*\}", "sensors = { ambient = 3 }", text)

    with pytest.raises(FileMistakes, match="at least one sensor sits on the pack"):
        on_virtual_time(run_test(tmp_path, LEFT, HERON, DISCHARGE, soc=0.5, change_bench=ambient_only))


def runaway(bench: SimulatedBench, sample: Sample) -> None:
    """One cell breaks down: its voltage falls away while the current stays, and it heats the pack faster and faster.

    The script's figures are invented; the order of the signs (voltage first, then heat) is common practice, no source.
    """
    if sample.test_time_s < 60.0:
        return
    age_s = sample.test_time_s - 60.0
    pack = bench.bays["left"].pack
    pack.soc[1] -= 0.002
    rate_k = min(0.05 * 1.03**age_s, 5.0)
    pack.core_c += rate_k
    pack.surface_c += rate_k


@pytest.mark.parametrize("profile", [DISCHARGE, CHARGE], ids=["discharge", "charge"])
def test_a_runaway_is_cut_off_early_told_everybody_and_never_gone_on_with(tmp_path: Path, profile: str) -> None:
    """Fault 68: software's duty is an early off and an alarm; nothing stops the cell."""
    done = on_virtual_time(run_test(tmp_path, LEFT, HERON, profile, soc=0.5, each=runaway))
    assert_tripped(done, r"temperature \w+_c rose by")
    assert done.ending.every_bay
    assert outputs_at_the_end(done) == set()
    assert done.off_confirmed
    assert done.bench.bays["left"].witness.hottest_core_c < 60.0
    assert [what for _, what in done.journal if what.endswith(" on")] == [done.journal[0][1]]


def test_the_surroundings_that_grow_hot_trip(tmp_path: Path) -> None:
    """A room above 60 °C is a broken sensor or a fire."""
    fault = Fault(lambda bench: setattr(device(bench, "temperature"), "meter", Meter(offset=45.0)))
    done = on_virtual_time(run_test(tmp_path, LEFT, HERON, DISCHARGE, soc=0.5, each=fault))
    assert_tripped(done, r"temperature ambient_c is 6\d\.?\d*, allowed -20 to 60")


def warm_at_the_start(bench: SimulatedBench) -> None:
    bench.bays["left"].pack.probes_c["joint"] += 10.0


def unwired(bench: SimulatedBench) -> None:
    del device(bench, "temperature").wires[1]  # type: ignore[attr-defined]


def fallen(bench: SimulatedBench) -> None:
    device(bench, "temperature").wires[1] = (bench.bays["left"], "ambient")  # type: ignore[attr-defined]


def astray(bench: SimulatedBench) -> None:
    device(bench, "cells").meter = Meter(offset=-2.0)  # type: ignore[attr-defined]


def self_heating(bench: SimulatedBench, sample: Sample) -> None:
    if sample.test_time_s >= 60.0:
        bench.bays["left"].pack.core_c += 0.05
        bench.bays["left"].pack.surface_c += 0.05


Sight = Callable[[SimulatedBench], None]
UNSEEN = "The temperature is not known: treat the pack as hot until it is measured. Look at the pack"


@pytest.mark.parametrize(
    ("before", "each", "profile", "why", "heat"),
    [
        # Heat: the pack or its surroundings are too warm, or warmer than anything explains.
        (None, Fault(probe_reads("81.5", 0)), DISCHARGE, "middle_c is 81.5, allowed", Heat.HOT),
        (None, Fault(probe_reads("61.0", 2)), DISCHARGE, "ambient_c is 61, allowed", Heat.HOT),
        (None, runaway, DISCHARGE, "where the current explains", Heat.HOT),
        (None, self_heating, CHARGE, "with the load off, where", Heat.HOT),
        # Nobody knows how warm the pack is.
        (None, Fault(probe_reads("9.9E37", 0)), DISCHARGE, "middle_c has not been seen for", Heat.UNKNOWN),
        (None, Fault(probe_reads("-127.0", 0)), DISCHARGE, "middle_c is -127, allowed", Heat.UNKNOWN),
        (None, Fault(fallen), HARD, "the probe fell off", Heat.UNKNOWN),
        # Nothing has flowed, or it has nothing to do with warmth, whatever words it is said in.
        (unwired, None, DISCHARGE, "probe middle: no value", Heat.NO),
        (warm_at_the_start, None, DISCHARGE, "a rested pack is within 3 K: let it rest", Heat.NO),
        (None, Fault(astray), DISCHARGE, "allowed", Heat.NO),
    ],
)
def test_what_people_are_told_to_keep_away_from(
    tmp_path: Path,
    before: Sight | None,
    each: Callable[[SimulatedBench, Sample], None] | None,
    profile: str,
    why: str,
    heat: Heat,
) -> None:
    """Fault 68: who is sent away for a loose wire no longer believes it when a pack burns."""
    facts: list[Mapping[str, object]] = []
    nothing: Sight = lambda bench: None  # noqa: E731
    idle: Callable[[SimulatedBench, Sample], None] = lambda bench, sample: None  # noqa: E731
    soc = 1.0 if profile == HARD else 0.5
    outside = Outside(None, print, also=facts.append)
    done = on_virtual_time(
        run_test(tmp_path, LEFT, HERON, profile, soc=soc, before=before or nothing, each=each or idle, outside=outside)
    )
    assert done.ending.how == "tripped"
    assert why in done.ending.why
    assert done.ending.heat is heat
    assert done.ending.every_bay is (each in (runaway, self_heating))
    [noted] = [event for event in done.run.events if event["event"] == "tripped"]
    assert noted["heat"] == heat.value
    [fact] = facts
    advice = words(Fact.of(fact))[1].splitlines()[-1]
    assert advice.startswith({Heat.HOT: "HEAT: do not touch", Heat.UNKNOWN: UNSEEN, Heat.NO: "Look at the pack"}[heat])


def test_a_pack_that_warms_on_after_the_trip_is_watched_and_told_again(tmp_path: Path) -> None:
    """Faults 67 and 68: heat goes on when everything is off, and whoever was told once is told again."""

    def burning(bench: SimulatedBench, sample: Sample) -> None:
        if sample.step_type == "watch":  # two seconds between two looks
            bench.bays["left"].pack.core_c += 0.4
            bench.bays["left"].pack.surface_c += 0.4
        else:
            runaway(bench, sample)

    done = on_virtual_time(run_test(tmp_path, LEFT, HERON, DISCHARGE, soc=0.5, each=burning, watch=True))
    assert_tripped(done, r"temperature \w+_c rose by")
    ended = next(event for event in done.run.events if event["event"] == "ended")
    seen = [sample for sample in done.run.samples if sample.step_type == "watch"]
    assert {sample.output for sample in seen} == {"off"}
    assert seen[0].test_time_s - ended["test_time_s"] < 1.0
    assert seen[-1].test_time_s - ended["test_time_s"] == pytest.approx(1800.0, abs=3.0)
    told = [event["hottest_c"] for event in done.run.events if event["event"] == "still_warming"]
    assert len(told) >= 5
    assert all(later - earlier >= 5.0 for earlier, later in pairwise(told))
    [watched] = [event for event in done.run.events if event["event"] == "watched"]
    assert watched["hottest_c"] >= max(told)
    assert (done.run.ending.how, done.run.problems) == ("tripped", [])


def test_a_warm_pack_is_watched_though_the_disk_takes_nothing_any_more(tmp_path: Path) -> None:
    """Heat does not wait for the disk, and a full disk is itself a reason to trip."""
    disk = BadDisk()
    seen: list[float] = []

    def burning(bench: SimulatedBench, sample: Sample) -> None:
        if sample.step_type == "watch":
            disk.fail_write = lambda data: True
            disk.fail_write_at = True
            seen.append(sample.step_time_s)
        else:
            runaway(bench, sample)

    on_virtual_time(run_test(tmp_path, LEFT, HERON, DISCHARGE, soc=0.5, each=burning, watch=True, disk=disk))
    assert seen[-1] == pytest.approx(1800.0, abs=3.0)


def test_a_pack_that_is_not_warm_is_not_watched(tmp_path: Path) -> None:
    done, _ = broken(tmp_path, probe_reads("-127", 0))
    assert_tripped(done, r"temperature")
    assert "watching" not in [event["event"] for event in done.run.events]


def test_a_current_after_off_is_switched_off_again_and_said(tmp_path: Path) -> None:
    """Fault 70: off was confirmed, and then somebody switches the load on at its front panel."""

    def meddled(bench: SimulatedBench, sample: Sample) -> None:
        if sample.step_type != "watch":
            runaway(bench, sample)
        elif 60.0 <= sample.step_time_s < 62.0:
            bench.bays["left"].switch_load(0, True, bench.now())

    done = on_virtual_time(run_test(tmp_path, LEFT, HERON, DISCHARGE, soc=0.5, each=meddled, watch=True))
    said = [event for event in done.run.events if event["event"] == "current_after_off"]
    assert len(said) == 1
    assert said[0]["off_confirmed"] is True
    assert outputs_at_the_end(done) == set()
    on_s, off_s = (next(t for t, what in reversed(done.journal) if what == f"load 1 {word}") for word in ("on", "off"))
    assert 0.0 <= off_s - on_s <= 4.0
