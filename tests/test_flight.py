"""Recorded flights: the record and what is wrong with one, its replay, and its energy against its own integral."""

import json
import tomllib
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from benchwarden.daemon.bench import read_bench
from benchwarden.daemon.planning.jobs import prepare
from benchwarden.profiles.mistakes import FileMistakes
from benchwarden.profiles.pack import read_pack
from benchwarden.profiles.plan import PlanRefused, work_out
from benchwarden.profiles.power_table import read_power_table
from benchwarden.profiles.profile import read_profile, tables_missing, with_tables
from benchwarden.profiles.steps import Draw, Off, PlannedDischarge
from benchwarden.results.figures import figures
from benchwarden.results.flight import record_wh
from benchwarden.simulators.pack import GroupModel
from benchwarden.simulators.start import SimulatedBench
from tests.ideal_bay import ideal_bay, linear_cell, pack_of, pack_toml
from tests.pretend_pack import PretendPack, heron, left_bay, play
from tests.virtual_bench import Done, on_virtual_time, run_test

# 100 W for 10 s, 300 W for 20 s, nothing for 10 s, 200 W for 20 s: 11,000 J in 60 s, by hand.
ROWS = "time / s,power / W\n0,100\n10,300\n30,0\n40,200\n60,0\n"
RECORD_J, RECORD_S = 11_000.0, 60.0


def table(rows: str) -> str:
    return "time / s,power / W\n" + rows


def test_a_record_is_read() -> None:
    found = read_power_table(" time / s , power / C \n# hover\n5, 2.5\n\n15,3e0\n25.5,0\n")
    assert found.rows == ((0.0, 2.5), (10.0, 3.0), (20.5, 0.0))
    assert (found.unit, found.duration_s, found.highest) == ("C", 20.5, 3.0)
    assert found.mean == pytest.approx((25 + 31.5) / 20.5)
    assert read_power_table(ROWS).mean == pytest.approx(RECORD_J / RECORD_S)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "t.csv: empty; right would be a head time / s,power / W"),
        ("time,power\n0,1\n1,0\n", "the head is 'time,power'; right would be time / s,power / W"),
        ("time / s,power / kW\n0,1\n1,0\n", "the head is"),
        (table("0,100\n"), "1 rows; right would be 2 to 5000"),
        (table("0,100\n" * 5001), "5001 rows"),
        (table("0,100\n5\n"), "row 2: 1 values; right would be 2"),
        (table("0,100\n5,\n10,0\n"), "row 2: power: no value: a gap; fill it in"),
        (table("0,100\n,3\n"), "row 2: time: no value: a gap"),
        (table("0,100 W\n5,0\n"), "row 1: power: found '100 W'"),
        (table("0,nan\n5,0\n"), "row 1: power: found 'nan'; right would be 0 to"),
        (table("0,inf\n5,0\n"), "row 1: power: found 'inf'"),
        (table("0,-5\n5,0\n"), "row 1: power: found '-5'"),
        (table("0,1e9\n5,0\n"), "row 1: power: found '1e9'; right would be 0 to 1e+06"),
        (table("-1,5\n5,0\n"), "row 1: time: found '-1'"),
        (table("0,5\n0,6\n5,0\n"), "row 2: time 0 s is not after 0 s; out of order"),
        (table("0,5\n7,6\n5,0\n"), "row 3: time 5 s is not after 7 s; out of order"),
        (table("0,5\n0.1,6\n5,0\n"), "row 2: 0.1 s after the row before; right would be 0.5 s or more"),
        (table("".join(f"{n},50\n" for n in range(12)) + "40,50\n41,0\n"), "row 13: 29 s after the row before"),
        (table("0,0\n5,0\n"), "no row asks for any power"),
        (table("0,5\n10,0\n12,5\n20,0\n"), "row 3: off for 2 s before it; right would be 5 s or more"),
        (table("0,0\n2,5\n20,5\n30,0\n"), "off for 2 s before it"),
        (table("0,5\n90000,0\n"), "lasts 90000 s"),
    ],
)
def test_what_is_wrong_with_a_record_is_told_with_its_row(text: str, words: str) -> None:
    with pytest.raises(ValueError) as caught:
        read_power_table(text, "t.csv")
    assert words in str(caught.value)


@settings(max_examples=150)
@given(
    st.text()
    | st.lists(st.tuples(st.text(max_size=8), st.text(max_size=8)), max_size=20).map(
        lambda rows: table("".join(f"{a},{b}\n" for a, b in rows))
    )
    | st.lists(st.tuples(st.floats(), st.floats()), max_size=20).map(
        lambda rows: table("".join(f"{a},{b}\n" for a, b in rows))
    )
)
@example("time / s,power / W\n0," + "9" * 5000 + "\n1,0\n")
@example("x" * 200_000)
def test_any_text_is_a_record_or_a_clear_mistake(text: str) -> None:
    found, words = None, ""
    try:
        found = read_power_table(text, "t.csv")
    except ValueError as error:
        words = str(error)
    if found is None:
        assert words.startswith("t.csv: ")
        assert len(words) < 500
    else:
        assert 0 < found.mean <= found.highest
        assert all(later[0] > one[0] for one, later in pairwise(found.rows))


def flight(rows: str = ROWS, *, name: str = "shore.csv", more: str = "") -> str:
    return (
        f'title = "Flight"\n[[step]]\ndo = "discharge"\npower_table = "{name}"\n'
        f'stop_at = {{ group_voltage = "discharge cut-off" }}\nat_most = "2 h"\n{more}'
        + (f'\n[tables]\n"{name}" = """\n{rows}"""\n' if rows else "")
    )


def planned(rows: str = ROWS, pack: Any = None, **changes: Any) -> Any:
    return work_out(read_profile(flight(rows)), pack or heron(**changes), left_bay()).steps[0]


def test_the_replay_follows_the_record_over_and_over() -> None:
    step = planned()
    assert isinstance(step, PlannedDischarge)
    assert (step.level, step.table_s, len(step.table)) == (300, 60, 5)
    # 1.1 × the highest power at the cut-off, as for a constant power.
    assert step.ceiling_a == pytest.approx(1.1 * 300 / 15)
    played = play(step, PretendPack([1.0] * 6, warm_k_per_joule=0.0, low_v=2.4))
    levels = [want.level if isinstance(want, Draw) else 0.0 for want in played.wants]
    assert levels[:9] == [100, 300, 0, 200, 100, 300, 0, 200, 100]
    assert played.last.ended_by == "cut-off"
    assert {want.ceiling_a for want in played.wants if isinstance(want, Draw)} == {step.ceiling_a}
    assert played.phases[0] == "discharge"
    assert played.phases[1:3] == ["flight 1", "flight 2"]


def test_a_record_in_c_fits_any_pack() -> None:
    rows = "time / s,power / C\n0,2\n30,4\n60,0\n"
    assert planned(rows).level == pytest.approx(4 * 5.0 * 21.6)
    assert planned(rows, rated_capacity="1.3 Ah").level == pytest.approx(4 * 1.3 * 21.6)


@pytest.mark.parametrize(
    ("rows", "changes", "words"),
    [
        # 45 A × 15 V = 675 W continuous; 90 A × 15 V = 1350 W for 5 s.
        (table("0,700\n60,0\n"), {}, "above the pack's max discharge 45 A for 120 s at a time"),
        (table("0,1400\n4,300\n60,0\n"), {}, "above the pack's max burst 90 A"),
        (table("0,1200\n6,300\n60,0\n"), {}, "above the pack's max discharge 45 A for 6 s at a time"),
        (
            table("0,2\n60,0\n"),
            {},
            "bay left takes up to 0.06 A of its load for nothing; right would be 0 or 2.318 W",
        ),
    ],
)
def test_what_the_pack_cannot_give_is_refused(rows: Any, changes: Any, words: Any) -> None:
    with pytest.raises(PlanRefused) as caught:
        planned(rows, **changes)
    assert words in str(caught.value)


def test_a_short_burst_within_max_burst_is_flown() -> None:
    assert planned(table("0,1200\n4,300\n60,0\n")).level == 1200
    with pytest.raises(PlanRefused, match="above the load's"):
        work_out(read_profile(flight(table("0,1200\n4,300\n60,0\n"))), heron(), left_bay(load_max_power_w=1000.0))


def test_a_record_that_loops_counts_its_burst_across_the_seam() -> None:
    with pytest.raises(PlanRefused, match="for 6 s at a time"):
        planned(table("0,1200\n3,300\n57,1200\n60,0\n"))


# The integral of a record


def test_the_integral_is_the_hand_worked_one() -> None:
    rows = read_power_table(ROWS).rows
    assert record_wh(rows, RECORD_S, 0, 60) * 3600 == pytest.approx(RECORD_J)
    assert record_wh(rows, RECORD_S, 0, 135) * 3600 == pytest.approx(2 * RECORD_J + 1000 + 1500)
    assert record_wh(rows, RECORD_S, 15, 20) * 3600 == pytest.approx(1500)


def run(folder: Path, rows: str, *, profile: str = "") -> Done:
    cell = linear_cell(4.2, 0.2, 0.02 / 6)
    pack = pack_of(cell, *[GroupModel(soc=0.6)] * 6)
    done = on_virtual_time(run_test(folder, ideal_bay(pack), pack_toml(6), profile or flight(rows)))
    assert done.run.problems == []
    assert done.off_confirmed
    return done


@pytest.mark.parametrize("rows", [ROWS, table("0,150\n7,320\n12.5,180\n31,240\n44,0\n")])
def test_a_flown_record_gives_its_own_energy(tmp_path: Path, rows: str) -> None:
    done = run(tmp_path, rows)
    found = figures(done.run)
    record = read_power_table(rows)
    loaded = [sample for sample in done.run.samples if sample.output == "load"]
    flown_s = loaded[-1].test_time_s - loaded[0].test_time_s
    # The record's own integral, by its mean and apart from results/flight.py; the rest of a loop is worked out there.
    whole, rest_s = divmod(flown_s, record.duration_s)
    own_wh = whole * record.mean * record.duration_s / 3600 + record_wh(record.rows, record.duration_s, 0, rest_s)
    assert found["flight_record_wh"].value == pytest.approx(own_wh, rel=1e-9)
    # A row begins up to a beat's grain late, and going on again after an off takes a second of dead time at most.
    assert found["delivered_wh"].value == pytest.approx(own_wh, rel=0.02 if record.rows[2][1] == 0 else 3e-3)
    assert found["flight_energy_over_record"].value == pytest.approx(1.0, abs=0.02)
    assert found["flight_min"].value == pytest.approx(flown_s / 60)
    assert found["flight_repetitions"].value == pytest.approx(flown_s / record.duration_s)
    assert whole >= 5
    assert done.ending.how == "finished"

    if rows == ROWS:
        check_off(done)


def check_off(done: Done) -> None:
    """The load is off while the record asks for nothing."""
    assert len(done.journal) > 10
    off = [sample for sample in done.run.samples if sample.step_type == "discharge" and sample.output == "off"]
    assert all(abs(sample.current_a or 0.0) < 0.05 for sample in off)


# From a file beside the profile


def test_a_file_beside_the_profile_is_kept_with_the_run(tmp_path: Path) -> None:
    (tmp_path / "shore.csv").write_text(ROWS)
    (tmp_path / "mine.toml").write_text(flight(""))
    (tmp_path / "pack.toml").write_text(pack_toml(6))
    scenario = ideal_bay(pack_of(linear_cell(4.2, 0.2, 0.02 / 6), *[GroupModel(soc=0.2)] * 6))

    async def bench_toml() -> str:
        return SimulatedBench([scenario]).bench_toml()

    bench_path = tmp_path / "bench.toml"
    bench = read_bench(on_virtual_time(bench_toml()), str(bench_path))
    [job] = prepare(bench, bench_path, str(tmp_path / "mine.toml"), {"shore": tmp_path / "pack.toml"})
    assert job.plan.steps[0].kind == "discharge"
    assert tables_missing(job.profile_text) == []
    assert work_out(read_profile(job.profile_text), read_pack(job.pack_text), job.entry.abilities()) == job.plan
    done = on_virtual_time(run_test(tmp_path, scenario, pack_toml(6), "capacity", prepared=job))
    kept = json.loads((done.run.path / "run.json").read_text())["sources"]["profile"]
    assert read_profile(kept).table("shore.csv").rows == read_power_table(ROWS).rows
    (tmp_path / "shore.csv").unlink()
    with pytest.raises(FileMistakes, match=r"shore.csv: the power table cannot be read"):
        prepare(bench, bench_path, str(tmp_path / "mine.toml"), {"shore": tmp_path / "pack.toml"})


def test_a_table_that_is_not_there_is_named() -> None:
    with pytest.raises(FileMistakes, match=r"power_table 'shore.csv' is not there; right would be a file of that name"):
        read_profile(flight(""))
    with pytest.raises(FileMistakes, match=r"tables: shore.csv: row 2: power: no value: a gap"):
        read_profile(flight(table("0,100\n5,\n10,0\n")))


@settings(max_examples=60)
@given(st.text(max_size=60), st.text(min_size=1, max_size=12))
def test_any_table_is_carried_unchanged(text: str, name: str) -> None:
    for own in ("", '\n[tables]\n"other" = "x"\n'):
        if name == "other" and own:
            continue
        found = tomllib.loads(with_tables('title = "t"\n' + own, {name: text}))
        assert found["tables"][name] == text


def test_an_off_wants_off() -> None:
    played = play(planned(), PretendPack([1.0] * 6, warm_k_per_joule=0.0, low_v=2.4))
    assert any(isinstance(want, Off) for want in played.wants[:4])
