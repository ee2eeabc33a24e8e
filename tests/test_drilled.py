"""A bench that is not simulated is used only after a fire drill with these very instruments."""

import asyncio
import copy
import json
from pathlib import Path
from typing import Any

import pytest

from benchwarden.daemon.bench import read_bench
from benchwarden.daemon.guard.guardian_link import off_entry
from benchwarden.daemon.planning.jobs import load_bench, prepare
from benchwarden.daemon.running import drilled
from benchwarden.daemon.running.conductor import Ending
from benchwarden.daemon.running.instruments import Instruments
from benchwarden.daemon.serving.waiting_list import Stand
from benchwarden.daemon.worker import main as work
from benchwarden.daemon.worker import run_one
from benchwarden.simulators.start import SimulatedBench
from tests.service_bench import Board, serving
from tests.shed import Shed
from tests.test_bay_faults import DISCHARGE, HERON, LEFT
from tests.test_bench import BENCH
from tests.test_drill import drill
from tests.virtual_bench import StandInGuardian, on_virtual_time

REAL = BENCH.replace("simulated = true\n", "")
THEN = {
    "left load": {"address": "A", "identity": ["MAKER", "X", "1", "2.0"], "guardian": "00"},
    "left supply": {"address": "B", "identity": ["MAKER", "Y", "2", "1.1"], "guardian": "11"},
}


@pytest.mark.parametrize(
    ("name", "key", "value", "words"),
    [
        ("left load", "address", "C", "left load: at C, in the drill at A"),
        ("left load", "identity", ["MAKER", "X", "9", "2.0"], "is MAKER X 9 2.0, in the drill it was MAKER X 1 2.0"),
        ("left load", "identity", ["MAKER", "X", "1", "2.1"], "is MAKER X 1 2.1, in the drill"),  # its firmware
        ("left supply", "guardian", "22", "left supply: the guardian would switch it off in another way"),
    ],
)
def test_whatever_has_changed_since_the_drill_is_named(name: str, key: str, value: object, words: str) -> None:
    now: Any = copy.deepcopy(THEN)
    assert drilled.differences(THEN, now) == []
    now[name][key] = value
    [found] = drilled.differences(THEN, now)
    assert words in found


def test_an_instrument_that_came_or_went_is_named_and_one_not_asked_yet_differs_in_nothing() -> None:
    now: Any = copy.deepcopy(THEN)
    now["left contactor"] = {"address": "D", "identity": None, "guardian": "33"}
    del now["left supply"]
    assert drilled.differences(THEN, now) == [
        "left supply: was in the drill, is not in the bay",
        "left contactor: was not in the drill",
    ]
    now = copy.deepcopy(THEN)
    now["left load"]["identity"] = None
    assert drilled.differences(THEN, now) == []


def keep(folder: Path, name: str, **data: Any) -> None:
    path = folder / "drills" / "heron" / name
    path.mkdir(parents=True)
    (path / "drill.json").write_text(json.dumps({"passed": True, "bay": "left", "instruments": THEN} | data))


def test_the_last_drill_in_the_bay_counts(tmp_path: Path) -> None:
    [why] = drilled.not_drilled(tmp_path, "left", THEN)
    assert why.startswith("bay left is not simulated, and no fire drill was passed in it; hold one")
    assert "`benchwarden drill left=PACK-FILE`" in why
    keep(tmp_path, "2026-11-25T21-04-11Z_drill")
    assert drilled.not_drilled(tmp_path, "left", THEN) == []
    keep(tmp_path, "2026-11-26T21-04-11Z_drill", bay="right", passed=False)
    assert drilled.not_drilled(tmp_path, "left", THEN) == []
    keep(tmp_path, "2026-11-27T21-04-11Z_drill", passed=False)
    assert "its last fire drill FAILED" in drilled.not_drilled(tmp_path, "left", THEN)[0]
    keep(tmp_path, "2026-11-28T21-04-11Z_drill", instruments=None)
    assert "does not say with which instruments" in drilled.not_drilled(tmp_path, "left", THEN)[0]
    keep(tmp_path, "2026-11-29T21-04-11Z_drill")
    assert drilled.not_drilled(tmp_path, "left", THEN) == []


def test_what_the_bench_file_alone_tells(tmp_path: Path) -> None:
    bench = read_bench(REAL, "bench.toml")
    assert drilled.refused_before(read_bench(BENCH, "bench.toml"), bench.bay[0], tmp_path) == []
    assert "no fire drill was passed" in drilled.refused_before(bench, bench.bay[0], tmp_path)[0]
    plans, _ = Instruments(bench.bay[0]).off_plans_and_rest()
    now = drilled.held([off_entry(plan, threshold_a) for plan, threshold_a in plans], None)
    assert list(now) == ["left load", "left supply"]
    keep(tmp_path, "2026-11-25T21-04-11Z_drill", instruments=now)
    assert drilled.refused_before(bench, bench.bay[0], tmp_path) == []
    for old, new, words in (
        ("192.0.2.10", "192.0.2.99", "left load: at TCPIP::192.0.2.99"),
        ('map = "load-function"', 'map = "load-mode"', "left load: the guardian would switch it off in another way"),
        ("0.05 % of 120 A", "0.5 % of 120 A", "left load: the guardian would switch it off in another way"),
    ):
        changed = read_bench(REAL.replace(old, new), "bench.toml")
        [why] = drilled.refused_before(changed, changed.bay[0], tmp_path)
        assert words in why


def run_once(folder: Path, change: Any = lambda bench: None) -> tuple[Ending, list[str]]:
    """Run a draw on a bench that does not say that it is simulated, drilled with the instruments as they were built."""

    async def carry_out() -> tuple[Ending, list[str]]:
        async with SimulatedBench([LEFT], soc=0.12) as bench:
            path = folder / "bench.toml"
            path.write_text(bench.bench_toml().replace("simulated = true\n", ""))
            (folder / "heron.toml").write_text(HERON)
            (folder / "draw.toml").write_text(DISCHARGE)
            settings = load_bench(path)
            [job] = prepare(settings, path, str(folder / "draw.toml"), {"left": folder / "heron.toml"})
            instruments = Instruments(job.entry, folder=folder)
            await instruments.open()
            keep(folder, "2026-11-25T21-04-11Z_drill", instruments=drilled.held_by(job.entry, instruments))
            await instruments.close()
            change(bench)
            guardian: Any = StandInGuardian()
            ending, confirmed, *_ = await run_one(settings, job, folder / "runs", guardian, Board(), None)  # type: ignore[arg-type]
            assert confirmed
            return ending, [what for _, what in bench.journals()["left"] if what.endswith(" on")]

    return on_virtual_time(carry_out())


def test_a_drilled_bench_runs(tmp_path: Path) -> None:
    ending, on = run_once(tmp_path)
    assert ending.how == "finished"
    assert "load 1 on" in on


@pytest.mark.parametrize("name", ["load", "supply"])
def test_another_instrument_at_the_same_address_is_never_switched_on(tmp_path: Path, name: str) -> None:
    def swap(bench: SimulatedBench) -> None:
        box = bench.instruments[f"left/{name}"].endpoint.device
        maker, model, _, firmware = box.identity.split(",")
        box.identity = f"{maker},{model},OTHER-7,{firmware}"

    ending, on = run_once(tmp_path, swap)
    assert ending.how == "tripped"
    assert f"left {name}: is BENCHWARDEN" in ending.why
    assert "OTHER-7" in ending.why
    assert on == []


def test_the_service_starts_no_bay_that_was_not_drilled(tmp_path: Path) -> None:
    async def go() -> None:
        async with serving(tmp_path) as one:
            one.service._bench = one.service._bench.model_copy(update={"simulated": False})
            assert (await one.add("left", "heron", "rest"))["ok"]
            said = await one.start("left")
            assert "bay left is not simulated, and no fire drill was passed in it" in said["error"]
            assert one.stand("left") is Stand.STOPPED
            assert one.service.bays["left"].list.why == said["error"]
            assert len(one.service.bays["left"].list.waiting) == 1
            assert not one.guardian.armed
            await asyncio.sleep(10.0)
            assert not one.over

    on_virtual_time(go())


def test_run_refuses_with_exit_code_2_before_it_connects_to_anything(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "bench.toml").write_text(REAL)
    (tmp_path / "heron.toml").write_text(HERON)
    (tmp_path / "draw.toml").write_text(DISCHARGE)
    packs = {"left": str(tmp_path / "heron.toml")}
    orders = {"bench": str(tmp_path / "bench.toml"), "profile": str(tmp_path / "draw.toml"), "packs": packs}
    assert work([json.dumps(orders), "0"]) == 2
    said = capsys.readouterr().err
    assert f"{tmp_path / 'bench.toml'}: bay left is not simulated, and no fire drill was passed in it" in said
    assert not (tmp_path / "runs").exists()


@pytest.mark.realtime
def test_a_drill_of_a_bench_without_the_simulated_line_with_real_processes(tmp_path: Path) -> None:
    """Fault 35: the guardian is tried before it is needed."""
    shed = Shed(tmp_path)
    try:
        shed.bench.write_text(shed.bench.read_text().replace("simulated = true\n", ""))
        done = drill(shed, "left=pack.toml")
        assert done.returncode == 0, done.stdout + done.stderr
        assert "DRILL PASSED" in done.stdout
        for words in ("worker frozen, load drawing 0.50 A", "noticed the silence", "left load: off sent"):
            assert words in done.stdout
        assert not shed.is_on()
        [path] = tmp_path.glob("drills/*/*/drill.json")
        kept = json.loads(path.read_text())
        assert kept["passed"] is True
        assert kept["instruments"]["left load"]["address"] == shed.loads["left"][0]["at"]
        assert kept["instruments"]["left load"]["identity"][:3] == ["BENCHWARDEN", "SIM-LOAD-F", "L-left-1"]
        assert not list(tmp_path.glob("runs/*"))  # a drill is no test of a pack
        # What was kept is what a run asks for, identities included (above, on virtual time).
        bench = load_bench(shed.bench)
        assert drilled.refused_before(bench, bench.bay[0], tmp_path) == []
        assert "no fire drill was passed in it" in drilled.refused_before(bench, bench.bay[1], tmp_path)[0]
    finally:
        shed.close()
