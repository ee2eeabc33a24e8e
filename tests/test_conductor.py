"""The beat: samples at edges, what is counted in a whole run, questions, gaps."""

import asyncio
import math
from itertools import pairwise
from pathlib import Path

import pytest
from scipy.integrate import trapezoid

from benchwarden.simulators.start import SimulatedBench
from tests.test_bay_faults import CHARGE, DISCHARGE, HERON, LEFT, Fault, placed
from tests.virtual_bench import on_virtual_time, run_test


def test_an_edge_has_a_point_on_both_sides_and_the_beat_keeps_its_period(tmp_path: Path) -> None:
    done = on_virtual_time(run_test(tmp_path, LEFT, HERON, DISCHARGE, soc=0.12))
    began_s = done.run.samples[0].test_time_s  # the checks lie before it
    on_s, off_s = (time_s - done.journal[0][0] + began_s + 1.0 for time_s, _ in done.journal)
    drawing = [sample.test_time_s for sample in done.run.samples if sample.output == "load"]
    assert drawing[0] == pytest.approx(on_s, abs=0.01)
    assert drawing[-1] == pytest.approx(off_s, abs=0.01)
    assert done.run.samples[0].output == done.run.samples[-1].output == "off"
    assert {round(later - earlier, 6) for earlier, later in pairwise(drawing)} == {1.0}
    assert [sample.sequence for sample in done.run.samples] == list(range(1, len(done.run.samples) + 1))


@pytest.mark.parametrize(("profile", "soc"), [(DISCHARGE, 0.2), (CHARGE, 0.9)], ids=["discharge", "charge"])
def test_what_is_counted_is_what_the_samples_say(tmp_path: Path, profile: str, soc: float) -> None:
    """The counters in the samples against scipy.integrate.trapezoid over the same file's current and power."""
    done = on_virtual_time(run_test(tmp_path, LEFT, HERON, profile, soc=soc))
    rows = [sample for sample in done.run.samples if sample.output != "off"]
    times = [sample.test_time_s for sample in rows]
    amps = [sample.current_a or math.nan for sample in rows]
    watts = [(sample.voltage_v or math.nan) * (sample.current_a or math.nan) for sample in rows]
    last, first = rows[-1], rows[0]
    net_ah = last.charging_ah - first.charging_ah - (last.discharging_ah - first.discharging_ah)
    net_wh = last.charging_wh - first.charging_wh - (last.discharging_wh - first.discharging_wh)
    assert net_ah == pytest.approx(trapezoid(amps, times) / 3600.0, rel=1e-6)
    assert net_wh == pytest.approx(trapezoid(watts, times) / 3600.0, rel=1e-6)
    witness = done.bench.bays["left"].witness
    assert abs(net_ah) == pytest.approx(max(witness.charged_ah, witness.discharged_ah), rel=0.01)


def test_missing_samples_are_written_as_missing_and_bridged_while_the_bay_may_be_blind(tmp_path: Path) -> None:
    def silent_for_a_while(bench: SimulatedBench) -> None:
        faults = placed(bench, "load").endpoint.faults
        faults.deaf = True
        asyncio.get_running_loop().call_later(2.2, setattr, faults, "deaf", False)

    done = on_virtual_time(run_test(tmp_path, LEFT, HERON, DISCHARGE, soc=0.12, each=Fault(silent_for_a_while)))
    assert done.ending.how == "finished"
    missing = [sample for sample in done.run.samples if sample.voltage_v is None]
    assert 2 <= len(missing) <= 3
    assert all(sample.current_a is None and sample.discharging_ah > 0.0 for sample in missing)
    [counted] = done.run.events_named("counted")
    assert counted["unmeasured_s"] == 0.0  # a longer gap than may be bridged would have tripped
    assert done.run.samples[-1].discharging_ah == pytest.approx(done.bench.bays["left"].witness.discharged_ah, rel=0.01)


ASKING = """
title = "A question first"
[[step]]
do = "ask"
text = "Is the fan on?"
answers = ["yes", "no"]
[[step]]
do = "rest"
at_least = "3 s"
"""


def test_a_question_waits_for_its_answer_and_the_bay_is_watched_meanwhile(tmp_path: Path) -> None:
    done = on_virtual_time(run_test(tmp_path, LEFT, HERON, ASKING, soc=0.5, answer="yes"))
    assert done.ending.how == "finished", done.ending
    [waiting] = done.run.events_named("waiting_for_operator")
    assert (waiting["text"], waiting["answers"]) == ("Is the fan on?", ["yes", "no"])
    assert [what for _, what in done.journal] == []
