"""Every shipped profile to its end on a simulated bench, for packs of three chemistries and four sizes.

`make endure` (and `make library`, with nothing else) runs all of them; by default a part is run, drawn with a seed that
is told with a failure.
"""

import random
from pathlib import Path

import pytest

from benchwarden.daemon.bench import read_bench
from benchwarden.profiles.mistakes import FileMistakes
from benchwarden.profiles.pack import read_pack
from benchwarden.profiles.plan import Plan, work_out
from benchwarden.profiles.profile import read_profile
from benchwarden.profiles.shipped import library_names, library_text
from benchwarden.results.compare import headlines
from benchwarden.results.figures import Figures, figures
from benchwarden.simulators.start import SimulatedBench
from tests.bird_packs import CHEMISTRIES, RATED_AH, bay, pack_text
from tests.own_figures import OWN
from tests.virtual_bench import Done, on_virtual_time, run_test

SERIES = (1, 4, 6, 12)
EVERY = [(name, chemistry, series) for name in library_names() for chemistry in CHEMISTRIES for series in SERIES]
# The seed of the part that is run by default: another one each time somebody changes it.
SEED = 20261125
# Those that take no more than a few seconds on virtual time, and one of them for each chemistry.
QUICK = ("storage", "burst", "capacity")
DRAWN = random.Random(SEED)
PART = [(DRAWN.choice(QUICK), chemistry, DRAWN.choice(SERIES)) for chemistry in CHEMISTRIES]


def scale_of(series: int) -> tuple[float, int]:
    """How much larger a pack is than 5 Ah, and its loads: 12 groups of 10 Ah at 5C are more than one load takes."""
    return (2.0, 2) if series == 12 else (1.0, 1)


def shortened(name: str) -> str:
    """The profile as shipped, but for the number of cycles: a hundred would be two weeks on any clock."""
    text = library_text(name)
    return text.replace("times = 100", "times = 2") if name == "cycle-life" else text


def run(folder: Path, name: str, chemistry: str, series: int) -> Done:
    scale, loads = scale_of(series)
    scenario = bay(chemistry, series, scale=scale, loads=loads)
    text = pack_text(chemistry, series, scale=scale)
    return on_virtual_time(run_test(folder, scenario, text, shortened(name)))


def check(done: Done, name: str, chemistry: str, series: int) -> Figures:
    why = (name, chemistry, series, SEED)
    assert done.ending.how == "finished", (done.ending, why)
    assert done.off_confirmed, why
    assert done.run.problems == [], why
    assert done.guardian.disarmed == ["shore"], why
    found = figures(done.run)
    limits = done.plan.limits
    for sample in done.run.samples:
        for value in sample.groups_v:
            assert value is None or limits.group_low_v <= value <= limits.group_high_v, (sample, why)
        assert sample.current_a is None or -limits.max_draw_a <= sample.current_a <= limits.max_feed_a + 0.05, why
    if name == "inspection":
        assert done.whole_journal == [], why
    # Left at storage, or with nothing said against it, wherever the profile ends with it.
    assert not any("not brought to storage" in flag for flag in found.flags), (found.flags, why)
    check_figures(found, name, scale_of(series)[0])
    return found


def check_figures(found: Figures, name: str, scale: float) -> None:
    """What the profile is there for has been measured, and stands first in its report."""
    assert headlines(found)[:1] == [OWN[name]] or "of several" in found.missing.get(OWN[name], ""), name
    rated_ah = scale * RATED_AH
    match name:
        case "capacity" | "standard":
            assert 0.85 < found["delivered_over_rated"].value < 1.05
        case "burst":
            assert found["peak_c"].value >= 5
        case "rated-capacity":
            # 5.1 Ah are in the simulated pack, 5 Ah are rated: the first try passes.
            assert found["passed_in_cycle"].value == 1
            assert found["cycle_1_ah"].value == pytest.approx(1.02 * rated_ah, rel=0.03)
        case "resistance":
            assert 1e-3 / scale < found["iec_resistance_ohm"].value < 0.1
        case "pulse-power":
            powers = [key for key in found if key.endswith("_power_w")]
            assert len(powers) >= 8
            # A source's resistance grows with the time that it is measured over.
            assert found["pulse_drawn_50_1c_0.1s_ohm"].value < found["pulse_drawn_50_1c_10s_ohm"].value
        case "cycle-life":
            assert found["cycles_done"].value == 2
            assert found["cycle_retention"].value == pytest.approx(1.0, abs=0.02)
        case "flight":
            assert found["flight_energy_over_record"].value == pytest.approx(1.0, abs=3e-3)
            assert found["flight_min"].value > 15
            assert found["flight_repetitions"].value == pytest.approx(found["flight_min"].value * 60 / 500, rel=1e-6)


@pytest.mark.parametrize(("name", "chemistry", "series"), PART)
def test_a_part_of_the_library_to_the_end(tmp_path: Path, name: str, chemistry: str, series: int) -> None:
    check(run(tmp_path, name, chemistry, series), name, chemistry, series)


def test_a_flight_to_the_end(tmp_path: Path) -> None:
    """The one profile whose whole energy is known beforehand: the shipped record's own integral."""
    found = check(run(tmp_path, "flight", "lipo", 4), "flight", "lipo", 4)
    assert found["delivered_wh"].value == pytest.approx(found["flight_record_wh"].value, rel=3e-3)


@pytest.mark.endure
@pytest.mark.parametrize(("name", "chemistry", "series"), EVERY)
def test_the_whole_library_to_the_end(tmp_path: Path, name: str, chemistry: str, series: int) -> None:
    check(run(tmp_path, name, chemistry, series), name, chemistry, series)


# --- what a profile must say ------------------------------------------------------------------------


@pytest.mark.parametrize("name", library_names())
def test_every_shipped_profile_says_what_it_is_for_what_is_to_be_minded_and_where_it_comes_from(name: str) -> None:
    profile = read_profile(library_text(name), name)
    assert profile.purpose
    assert profile.cautions
    assert profile.source
    assert library_text(name).startswith("# "), "and somebody who reads the file is told in words"


@pytest.mark.parametrize("name", library_names())
@pytest.mark.parametrize("series", SERIES)
@pytest.mark.parametrize("chemistry", CHEMISTRIES)
def test_every_shipped_profile_is_planned(name: str, chemistry: str, series: int) -> None:
    plan = plan_of(name, chemistry, series)
    assert plan.steps
    assert plan.estimate_s > 0
    assert plan.notes[0].startswith("caution: ")


def plan_of(name: str, chemistry: str, series: int) -> Plan:
    scale, loads = scale_of(series)

    async def toml() -> str:
        return SimulatedBench([bay(chemistry, series, scale=scale, loads=loads)]).bench_toml()

    entry = read_bench(on_virtual_time(toml()), "bench.toml").bay[0]
    pack = read_pack(pack_text(chemistry, series, scale=scale))
    return work_out(read_profile(library_text(name), name), pack, entry.abilities())


def test_a_shipped_name_that_is_nearly_right_is_no_profile(tmp_path: Path) -> None:
    with pytest.raises(FileMistakes):
        read_profile(library_text("flight").replace("shore-survey.csv", "shore.csv", 1), "flight")
