"""What lies between the instruments and the cells: contacts, sense wires, taps, protection board, and the pack itself.

The whole chain runs on virtual time. What was on, and until when, is read from the journal of the simulated bench.
"""

import math
import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from benchwarden.results.sample import Sample
from benchwarden.simulators.load import LoadDevice
from benchwarden.simulators.meter import Meter
from benchwarden.simulators.scenario import BayScenario
from benchwarden.simulators.start import SimulatedBench
from tests.test_bay_faults import (
    CHARGE,
    DISCHARGE,
    HERON,
    LEFT,
    MIDDLE,
    WAY_TO_OFF_S,
    Fault,
    assert_off_within,
    assert_tripped,
    broken,
    device,
    outputs_at_the_end,
    placed,
)
from tests.virtual_bench import Done, on_virtual_time, run_test

HARD = DISCHARGE.replace('"2C"', '"5C"')
# Three readings in a row, every two seconds, and the one in hand.
VOLTMETER_S = 3 * 2.0 + 2.0


def load_of(bench: SimulatedBench) -> LoadDevice:
    found = device(bench, "load")
    assert isinstance(found, LoadDevice)
    return found


def refused(folder: Path, before: Callable[[SimulatedBench], object], *, scenario: BayScenario = LEFT) -> Done:
    """Run with a bench that is wrong from the start; whatever is wrong, no step begins."""
    done = on_virtual_time(
        run_test(folder, scenario, HERON, DISCHARGE, soc=0.5, before=lambda bench: _do(before, bench))
    )
    assert done.ending.how == "tripped"
    assert done.run.samples == []
    assert done.off_confirmed
    assert outputs_at_the_end(done) == set()
    return done


def _do(before: Callable[[SimulatedBench], object], bench: SimulatedBench) -> None:
    before(bench)


def both_reversed(bench: SimulatedBench) -> None:
    for name in ("load", "voltmeter"):
        reversed_meter(bench, name)


# One weak group (fault 63).


@pytest.mark.parametrize("profile", [DISCHARGE, HARD], ids=["2C", "5C"])
def test_a_group_with_less_capacity_ends_the_draw_before_it_is_hurt(tmp_path: Path, profile: str) -> None:
    """Fault 63: 60 % of the others' capacity, full like them. The pack's own voltage says nothing of it."""
    weak = replace(LEFT.pack.groups[2], capacity_factor=0.6)
    pack = replace(LEFT.pack, groups=(*LEFT.pack.groups[:2], weak, *LEFT.pack.groups[3:]))
    done = on_virtual_time(run_test(tmp_path, replace(LEFT, pack=pack), HERON, profile, soc=1.0))
    assert done.ending.how == "finished", done.ending
    bay = done.bench.bays["left"]
    assert bay.witness.lowest_group_v > 2.2  # the hard limit of the pack's file, by the bench's own word
    drawing = [sample for sample in done.run.samples if sample.output == "load"]
    lowest = [value for value in drawing[-1].groups_v if value is not None]
    assert min(lowest) == lowest[2]
    assert sum(lowest) - lowest[2] > 5 * 3.0  # the others were far from empty
    assert done.off_confirmed


def test_groups_that_rest_far_apart_are_not_drawn_from(tmp_path: Path) -> None:
    """Fault 63: one group was never full; 100 mV apart are refused, common practice, no source."""

    def unequal(bench: SimulatedBench) -> None:
        pack = bench.bays["left"].pack
        pack.soc[3] = 0.7
        pack.step(0.0, 0.0)
        bench.bays["left"].touch(bench.now())

    done = on_virtual_time(run_test(tmp_path, LEFT, HERON, DISCHARGE, soc=1.0, before=unequal))
    assert done.ending.how == "stopped", done.ending
    assert re.search(r"groups rest \d+ mV apart, group 4 was not full: more than 100 mV is refused", done.ending.why)
    assert {sample.output for sample in done.run.samples} == {"off"}


# Taps and scanner (fault 64).


@pytest.mark.parametrize(
    ("wrong", "words"),
    [
        (lambda wires: wires.update({103: wires[104], 104: wires[103]}), r"group 4: tap 4 is -\d\.\d+ V above"),
        (lambda wires: wires.pop(103), r"group 3: no reading"),
        (lambda wires: wires.update({103: wires[102]}), r"group 3: tap 3 is -?0\.000 V above the one below"),
    ],
    ids=["swapped", "floating", "shorted to its neighbour"],
)
def test_taps_that_are_wrong_are_named_before_anything_goes_on(
    tmp_path: Path, wrong: Callable[[dict[int, object]], object], words: str
) -> None:
    """Fault 64."""
    done = refused(
        tmp_path,
        lambda bench: wrong(device(bench, "cells").wires),  # type: ignore[attr-defined]
        scenario=replace(LEFT, taps="cumulative"),
    )
    assert re.search(words, done.ending.why), done.ending.why
    assert done.whole_journal == []


def test_a_tap_that_comes_off_in_a_run_and_reads_its_neighbour(tmp_path: Path) -> None:
    """Fault 64: a floating input follows the tap beside it; group 3 reads nothing, group 4 twice as much."""

    def float_(bench: SimulatedBench) -> None:
        wires = device(bench, "cells").wires  # type: ignore[attr-defined]
        wires[103] = wires[102]

    fault = Fault(float_)
    done = on_virtual_time(run_test(tmp_path, replace(LEFT, taps="cumulative"), HERON, DISCHARGE, soc=0.5, each=fault))
    assert fault.fired_s is not None
    assert_tripped(done, r"cells group_[34]_v is -?[\d.e-]+, allowed")
    assert_off_within(done, fault.fired_s, 1.0 + WAY_TO_OFF_S)


@pytest.mark.parametrize("value", ["9.9E37", "-9.9E37", "9.91E37", "NAN", "1E31", ""])
@pytest.mark.parametrize("channel", range(6))
def test_one_channel_that_gives_no_number_is_a_missing_group(tmp_path: Path, value: str, channel: int) -> None:
    """Faults 49 and 64: in each place of the reply; SCPI-1999 7.2.1.4 names the special numbers."""

    def spoil(bench: SimulatedBench) -> None:
        fields = ["3.7000"] * 6
        fields[channel] = value
        placed(bench, "cells").endpoint.faults.garbage = ",".join(fields)

    done, fired_s = broken(tmp_path, spoil)
    assert_tripped(done, r"cells group_\d_v has not been seen for")
    assert_off_within(done, fired_s, 3.0 + 1.0 + WAY_TO_OFF_S)
    values = [value for sample in done.run.samples for value in sample.groups_v if value is not None]
    assert all(0.0 < value < 5.0 for value in values)


# Contacts and sense wires (fault 65).


def test_a_contact_that_grows_bad_trips(tmp_path: Path) -> None:
    """Fault 65: 1 mΩ a second at the pack's connector, outside the taps."""

    def worse(bench: SimulatedBench, sample: Sample) -> None:
        if sample.output == "load" and sample.step_time_s > 5.0:
            pack = bench.bays["left"].pack
            pack.model = replace(pack.model, leads_ohm=pack.model.leads_ohm + 0.001)

    done = on_virtual_time(run_test(tmp_path, LEFT, HERON, DISCHARGE, soc=0.5, each=worse))
    assert_tripped(done, r"the groups make \d+\.\d+ V together, the pack \d+\.\d+ V at -\d+\.\d+ A")
    assert_off_within(done, done.journal[0][0], 60.0)
    # 0.5 % of 22 V and 5 mΩ × 10 A are borne, and three scans: no more than some watts in the contact.
    current_a = max(abs(sample.current_a or 0.0) for sample in done.run.samples)
    assert current_a**2 * done.bench.bays["left"].pack.model.leads_ohm < 3.0


def test_a_sense_wire_that_comes_off_in_a_run(tmp_path: Path) -> None:
    """Fault 65: the load falls back to its own terminals, 30 mΩ of lead away from the pack."""

    def come_off(bench: SimulatedBench) -> None:
        bay = bench.bays["left"]
        bay.advance(bench.now())
        bay.loads[0].sense, bay.loads[0].lead_ohm = "instrument terminals", 0.030
        bay.touch(bench.now())

    done, fired_s = broken(tmp_path, come_off)
    assert_tripped(done, r"voltmeter reads \d+\.\d+ V, the load \d+\.\d+ V|the groups make")
    assert_off_within(done, fired_s, VOLTMETER_S)
    assert done.off_confirmed


def without_cells(text: str) -> str:
    return "\n".join(line for line in text.splitlines() if not line.startswith("cells"))


def test_a_voltmeter_alone_sees_it_too(tmp_path: Path) -> None:
    """Faults 64 and 65, in a bay without a meter for groups: 0.4 V between two meters on one pack."""
    fault = Fault(lambda bench: setattr(device(bench, "voltmeter"), "meter", Meter(offset=0.4)))
    done = on_virtual_time(run_test(tmp_path, LEFT, HERON, DISCHARGE, soc=0.5, each=fault, change_bench=without_cells))
    assert fault.fired_s is not None
    assert_tripped(done, r"voltmeter reads \d+\.\d+ V, the load \d+\.\d+ V; they may differ by \d+ mV at -\d")
    assert_off_within(done, fault.fired_s, VOLTMETER_S)


def test_a_voltmeter_that_stands_still_is_found_by_the_load(tmp_path: Path) -> None:
    """Fault 19: a cached value is no reading; the pack sags away from it."""
    done, fired_s = broken(tmp_path, lambda bench: setattr(placed(bench, "voltmeter").endpoint.faults, "frozen", True))
    assert_tripped(done, r"voltmeter reads \d+\.\d+ V, the load \d+\.\d+ V")
    last_s = max(time_s for time_s, what in done.journal if what == "load 1 off")
    assert last_s - fired_s < 240.0


# The wrong pack, or the right one connected the wrong way (fault 66).


def reversed_meter(bench: SimulatedBench, name: str) -> None:
    """Turn an instrument's leads round."""
    if name == "load":
        load = load_of(bench)
        load.meters = replace(load.meters, voltage=Meter(gain=-2.0))
    else:
        setattr(device(bench, name), "meter", Meter(gain=-2.0))  # noqa: B010


@pytest.mark.parametrize(
    ("wrong", "words"),
    [
        (both_reversed, r"the wrong way round"),
        (lambda bench: reversed_meter(bench, "cells"), r"group 1: -3\.\d+ V; its taps are the wrong way round"),
        (lambda bench: bench.bays["left"].interrupt(math.inf, bench.now()), r"pack voltage: 0\.\d+ V; no pack"),
    ],
    ids=["pack", "taps", "no pack"],
)
def test_polarity_and_presence(tmp_path: Path, wrong: Callable[[SimulatedBench], object], words: str) -> None:
    """Fault 66."""
    done = refused(tmp_path, wrong)
    assert re.search(words, done.ending.why), done.ending.why
    assert not [what for _, what in done.whole_journal if what.endswith(" on")]


@pytest.mark.parametrize("there", [5, 7])
def test_a_pack_of_another_number_of_groups(tmp_path: Path, there: int) -> None:
    """Fault 66: the pack file says six."""
    groups = (LEFT.pack.groups * 2)[:there]
    instruments = tuple(
        replace(one, channels=tuple(range(101, 101 + there))) if one.role == "cells" else one
        for one in LEFT.instruments
    )
    other = replace(LEFT, pack=replace(LEFT.pack, groups=groups, joints_ohm=()), instruments=instruments)
    done = on_virtual_time(
        run_test(
            tmp_path,
            other,
            HERON,
            DISCHARGE,
            soc=0.5 if there == 5 else 0.9,
            change_bench=lambda text: text.replace(f'"101:{100 + there}"', '"101:106"'),
        )
    )
    assert done.ending.how == "tripped"
    assert re.search(r"taps: 5 groups answer|sum of groups: \d+\.\d+ V, pack voltage", done.ending.why)
    assert done.whole_journal == []


def test_a_load_left_in_another_mode_draws_what_the_plan_says(tmp_path: Path) -> None:
    """Fault 66: constant resistance at 0.5 Ω was left on by whoever used it before; it would draw 44 A."""

    def left_so(bench: SimulatedBench) -> None:
        load = bench.bays["left"].loads[0]
        load.mode, load.resistance_ohm = "resistance", 0.5

    done = on_virtual_time(run_test(tmp_path, LEFT, HERON, DISCHARGE, soc=0.12, before=left_so))
    assert done.ending.how == "finished"
    drawing = [sample for sample in done.run.samples if sample.output == "load"]
    assert max(abs(sample.current_a or 0.0) for sample in drawing) < 15.0
    witness = done.bench.bays["left"].witness
    assert witness.discharged_wh == pytest.approx(216.0 * drawing[-1].step_time_s / 3600.0, rel=0.02)


# Current that vanishes and comes back (fault 69).


@pytest.mark.parametrize(("profile", "output"), [(DISCHARGE, "load 1"), (CHARGE, "supply")], ids=["draw", "charge"])
def test_a_protection_board_that_opens_and_closes_again(tmp_path: Path, profile: str, output: str) -> None:
    """Fault 69: by the time it closes, the output is off, and stays off."""
    done, fired_s = broken(tmp_path, lambda bench: bench.bays["left"].interrupt(30.0, bench.now()), profile, soc=0.5)
    assert done.ending.how == "tripped"
    assert_off_within(done, fired_s, 3.0 + WAY_TO_OFF_S)
    assert done.off_confirmed
    bay = done.bench.bays["left"]
    bay.advance(fired_s + 120.0)
    after = [what for time_s, what in bay.journal if time_s >= fired_s]
    assert "pack connected again" in after
    assert [what for what in after if what.endswith(" on")] == []
    assert abs(bay.pack_current_a()) < 0.01
    assert f"{output} off" in after


def test_a_board_that_opens_before_a_load_without_its_own_under_voltage_trip(tmp_path: Path) -> None:
    """Fault 69: the load stays on at no voltage, ready to draw everything at once; the daemon is quicker."""

    def open_it(bench: SimulatedBench) -> None:
        bench.bays["left"].loads[0].under_voltage_on = False
        bench.bays["left"].interrupt(5.0, bench.now())

    done, fired_s = broken(tmp_path, open_it)
    assert_tripped(done, r"load voltage_v is .*, allowed|draws nothing")
    assert_off_within(done, fired_s, 1.0 + WAY_TO_OFF_S)
    assert "load 1 tripped" not in " ".join(what for _, what in done.journal)


def test_a_board_that_opens_is_told_from_a_load_that_stopped(tmp_path: Path) -> None:
    """Fault 69: the groups are read once more after off."""
    done, _ = broken(tmp_path, lambda bench: bench.bays["left"].interrupt(math.inf, bench.now()))
    assert re.search(
        r"the groups are well \(2\d\.\d\d V together\), but the load sees -?0\.0\d V: the path to the pack is open",
        done.ending.why,
    ), done.ending.why
    [tripped] = done.run.events_named("tripped")
    assert tripped["reason"] == done.ending.why


def test_a_board_that_opens_in_the_test_pulse(tmp_path: Path) -> None:
    """Fault 69: before the plan's first step."""

    def weak(bench: SimulatedBench) -> None:
        bay = bench.bays["left"]
        switch = bay.switch_load

        def switch_and_open(index: int, on: bool, now_s: float) -> bool:
            done = switch(index, on, now_s)
            if on:
                bay.interrupt(30.0, now_s)
            return done

        bay.switch_load = switch_and_open  # type: ignore[method-assign]

    done = refused(tmp_path, weak)
    assert "the path to the pack is open" in done.ending.why
    assert [what for _, what in done.whole_journal if what.startswith("load")] == [
        "load 1 on",
        "load 1 tripped: under-voltage",  # its own protection is quicker than anybody
        "load 1 off",
    ]


def test_part_of_the_current_that_vanishes_trips(tmp_path: Path) -> None:
    """Fault 69: a load that has derated itself to a third."""

    def derate(bench: SimulatedBench) -> None:
        bay = bench.bays["left"]
        bay.advance(bench.now())
        bay.loads[0].max_current_a = 3.3
        bay.touch(bench.now())

    done, fired_s = broken(tmp_path, derate)
    assert_tripped(done, r"the load does not do what it was set to: power is set to 216")
    assert_off_within(done, fired_s, 3.0 + 2.0)


def test_voltage_that_comes_back_after_the_cut_off_is_no_reason_to_go_on(tmp_path: Path) -> None:
    """Fault 69: the cut-off is an event; the pack rebounds by some hundred millivolts."""
    done = on_virtual_time(run_test(tmp_path, MIDDLE, HERON.replace("Heron", "Plover"), HARD, soc=0.3))
    assert done.ending.how == "finished"
    assert [what for _, what in done.journal] == ["load 1 on", "load 1 off"]
    rested = done.run.samples[-1].groups_v[0]
    cut = [sample for sample in done.run.samples if sample.output == "load"][-1].groups_v[0]
    assert rested is not None
    assert cut is not None
    assert rested > cut + 0.2
