"""What a bench's instruments cannot do for themselves: told from the maps, said everywhere, accepted in words only."""

import json
from pathlib import Path

import pytest

from benchwarden.daemon.bench import read_bench
from benchwarden.daemon.commands.show_plan import as_data, as_text
from benchwarden.daemon.main import main
from benchwarden.daemon.planning.jobs import load_bench, prepare
from benchwarden.daemon.running import protections
from benchwarden.drivers.command_map import load_map
from benchwarden.profiles.mistakes import FileMistakes
from benchwarden.results.figures import figures as figures_of
from benchwarden.results.figures import result_data
from benchwarden.simulators.load_function import FunctionLoad
from benchwarden.simulators.start import SimulatedBench
from tests.test_bay_faults import DISCHARGE, HERON, LEFT
from tests.test_bench import BENCH
from tests.virtual_bench import on_virtual_time, run_test

BARE = Path(__file__).parent / "maps" / "load-words.toml"
ACCEPTED = 'map = "bare.toml", accepts_no_under_voltage_trip = true'


@pytest.fixture
def shed(tmp_path: Path) -> Path:
    (tmp_path / "bare.toml").write_text(BARE.read_text("utf-8"))
    (tmp_path / "bench.toml").write_text(BENCH)
    (tmp_path / "heron.toml").write_text(HERON)
    (tmp_path / "draw.toml").write_text(DISCHARGE)
    return tmp_path


def planned(shed: Path) -> list[str]:
    """Return what speaks against a plan on the bench in a folder."""
    path = shed / "bench.toml"
    try:
        prepare(load_bench(path), path, str(shed / "draw.toml"), {"left": shed / "heron.toml"})
    except FileMistakes as error:
        return list(error.mistakes)
    return []


def test_what_the_shipped_maps_lack() -> None:
    lacks = protections.lacking({"load": load_map("load-function"), "supply": load_map("supply")})
    assert lacks == {"supply": ("timer",)}
    assert protections.lacking({"load": load_map("load-mode")}) == {"load": ("power_on_off",)}
    assert protections.lacking({"load": load_map(BARE)}) == {
        "load": ("under_voltage", "over_current", "over_power", "timer", "power_on_off")
    }


def test_a_load_without_an_under_voltage_trip_needs_a_line_that_accepts_it(shed: Path) -> None:
    path = shed / "bench.toml"
    assert planned(shed) == []
    path.write_text(BENCH.replace('map = "load-function"', 'map = "bare.toml"'))
    [why] = planned(shed)
    assert why.startswith(f"{path}: [[bay]] left: load: its map 'bare.toml' has no under-voltage trip")
    assert "accepts_no_under_voltage_trip = true" in why
    path.write_text(BENCH.replace('map = "load-function"', ACCEPTED))
    assert planned(shed) == []


def test_a_line_that_accepts_what_is_not_lacking_is_refused(shed: Path) -> None:
    (shed / "bench.toml").write_text(BENCH.replace('map = "load-function"', ACCEPTED.replace("bare.toml", "load-mode")))
    [why] = planned(shed)
    assert "accepts what is not lacking: its map 'load-mode' has the trip; take the line out" in why


def test_plan_refuses_with_exit_code_2_and_off_never_does(shed: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (shed / "bench.toml").write_text(BENCH.replace('map = "load-function"', 'map = "bare.toml"'))
    with pytest.raises(SystemExit) as ended:
        main(["plan", str(shed / "draw.toml"), f"left={shed / 'heron.toml'}", "--bench", str(shed / "bench.toml")])
    assert ended.value.code == 2
    assert "has no under-voltage trip of the load's own" in capsys.readouterr().err
    load_bench(shed / "bench.toml")  # what `off` reads: a bench that may not be used must still be switched off


def test_every_plan_says_what_the_bench_lacks(shed: Path) -> None:
    path = shed / "bench.toml"
    path.write_text(BENCH.replace('map = "load-function"', ACCEPTED))
    jobs = prepare(load_bench(path), path, str(shed / "draw.toml"), {"left": shed / "heron.toml"})
    lacks = [
        "load: no under-voltage trip (accepted in the bench file), no over-current trip, no over-power trip, "
        "no timer, no off at power-on of its own",
        "supply: no timer of its own",
    ]
    assert as_data(jobs[0], path)["lacks"] == lacks
    text = " ".join(as_text(jobs, path).split())
    assert f"what this bench lacks: {' '.join(lacks)}" in text


def test_a_list_of_loads_is_judged_one_by_one() -> None:
    one = next(line for line in BENCH.splitlines() if line.startswith("load"))
    table = one.partition("= ")[2]
    bare = table.replace('map = "load-function"', 'map = "bare.toml"').replace("2.10", "2.20")
    entry = read_bench(BENCH.replace(table, f"[{table}, {bare}]"), "bench.toml").bay[0]
    lacks = protections.lacking({"load 1": load_map("load-function"), "load 2": load_map(BARE)})
    [why] = protections.refusals("bench.toml", entry, lacks)
    assert why.startswith("bench.toml: [[bay]] left: load 2: ")


def test_a_run_sets_off_at_power_on_before_any_output_and_says_what_is_lacking(tmp_path: Path) -> None:
    was: list[object] = []

    def before(bench: SimulatedBench) -> None:
        box = bench.instruments["left/load"].endpoint.device
        assert isinstance(box, FunctionLoad)
        box.power_on_state = "LAST"  # as a person at the front panel may have left it
        was.append(box)

    seen: list[tuple[str, str]] = []

    def each(bench: SimulatedBench, sample: object) -> None:
        supply = bench.instruments["left/supply"].endpoint.device
        seen.append((was[0].power_on_state, supply.power_on_state))  # type: ignore[attr-defined]

    done = on_virtual_time(run_test(tmp_path, LEFT, HERON, DISCHARGE, soc=0.15, before=before, each=each))
    assert done.ending.how == "finished"
    assert set(seen) == {("OFF", "OFF")}
    lacks = ["supply: no timer of its own"]
    [said] = done.run.events_named("lacks")
    assert said["instruments"] == lacks
    assert json.loads((done.run.path / "run.json").read_text())["lacks"] == lacks
    assert result_data(done.run, figures_of(done.run))["bench_lacks"] == lacks


def test_an_instrument_that_does_not_keep_off_at_power_on_is_never_switched_on(tmp_path: Path) -> None:
    def before(bench: SimulatedBench) -> None:
        endpoint = bench.instruments["left/load"].endpoint
        endpoint.device.power_on_state = "RST"  # type: ignore[attr-defined]
        endpoint.faults.lost = "INPut:PON:STATe OFF"

    done = on_virtual_time(run_test(tmp_path, LEFT, HERON, DISCHARGE, soc=0.5, before=before))
    assert done.ending.how == "tripped"
    assert "INPut:PON:STATe? reads back not OFF" in done.ending.why
    assert [what for _, what in done.whole_journal if what.endswith(" on")] == []


def test_a_draw_that_nobody_ends_is_ended_by_the_load_s_own_timer(tmp_path: Path) -> None:
    """A pack that gives more than half as much again as it is rated for is not the one of its file."""
    small = HERON.replace('rated_capacity = "5.0 Ah"', 'rated_capacity = "0.5 Ah"')
    done = on_virtual_time(run_test(tmp_path, LEFT, small, DISCHARGE, soc=0.9))
    assert done.ending.how == "tripped"
    assert done.ending.why.endswith("own protection tripped: load: timer")
    # 0.5 Ah × 21.6 V at 21.6 W last half an hour; half as long again, and a minute.
    on_s, off_s = (next(at for at, what in done.journal if what == f"load 1 {how}") for how in ("on", "off"))
    assert off_s - on_s == pytest.approx(1.5 * 1800 + 60, abs=1.0)
