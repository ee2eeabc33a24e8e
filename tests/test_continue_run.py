"""A run that was cut short is gone on with from a step boundary: which one, when it is refused, and the whole chain."""

import json
import os
import re
import shutil
import signal
import subprocess
import sys
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import pytest

from benchwarden.daemon.bench import Bench, read_bench
from benchwarden.daemon.main import main
from benchwarden.daemon.recording.sealing import seal_interrupted
from benchwarden.daemon.serving.continue_run import CannotContinue, Continuation, choose, prepare_continuation
from benchwarden.profiles.mistakes import FileMistakes
from benchwarden.profiles.pack import read_pack
from benchwarden.profiles.plan import Plan, work_out
from benchwarden.profiles.profile import read_profile
from benchwarden.profiles.shipped import library_text
from benchwarden.results.figures import figures
from benchwarden.results.folder import interrupted_runs, is_being_written, read_run
from benchwarden.results.sample import Sample
from benchwarden.simulators.start import SimulatedBench
from tests.shed import BENCHWARDEN, ENVIRONMENT, Shed, wait_for, worker_of
from tests.test_bay_faults import HERON, LEFT
from tests.virtual_bench import Done, on_virtual_time, run_test

# Charge, rest, discharge, rest, store; short enough for a test.
PROFILE = """
title = "Short test"
[[step]]
do = "charge"
current = "0.8C"
taper = "0.2C"
[[step]]
do = "rest"
at_least = "2 min"
[[step]]
do = "discharge"
power = "5C"
stop_at = { group_voltage = "discharge cut-off" }
[[step]]
do = "rest"
at_least = "2 min"
[[step]]
do = "store"
to = "storage"
"""


@cache
def bench_text() -> str:
    async def made() -> str:
        return SimulatedBench([LEFT]).bench_toml()

    return on_virtual_time(made())


def bench_of() -> Bench:
    return read_bench(bench_text(), "bench.toml")


def plan_of(profile: str, pack: str = HERON) -> Plan:
    return work_out(read_profile(profile, "profile"), read_pack(pack), bench_of().bay[0].abilities())


@pytest.fixture(scope="module")
def standard() -> Plan:
    """Charge, rest, discharge, rest, charge, rest, ladder, rest, store, and what else its plan may end with."""
    plan = plan_of(library_text("standard"))
    kinds = [step.kind for step in plan.steps]
    assert kinds[:9] == ["charge", "rest", "discharge", "rest", "charge", "rest", "ladder", "rest", "store"]
    return plan


@pytest.mark.parametrize(
    ("done", "cut", "begins"),
    [
        (0, 1, 1),  # a charge begins anew
        (1, 2, 2),  # so does a rest
        (2, 3, 1),  # a discharge never goes on from its middle
        (2, None, 1),  # not even if it had not begun
        (3, 4, 4),
        (4, 5, 5),
        (5, 6, 6),
        (6, 7, 5),  # the last charge before the ladder, not the first one
        (7, 8, 8),
        (8, 9, 9),
    ],
)
def test_where_a_run_goes_on(standard: Plan, done: int, cut: int | None, begins: int) -> None:
    """Fault 48."""
    finished = set(range(1, done + 1))
    choice = choose(standard.steps, finished, finished | ({cut} if cut else set()))
    assert choice.number == begins
    assert choice.why.startswith(f"step {done + 1} (")
    assert ("was cut" in choice.why) == (cut is not None)
    assert ("full pack" in choice.why) == (begins != done + 1)


def test_a_run_whose_steps_are_all_done_is_not_gone_on_with(standard: Plan) -> None:
    with pytest.raises(CannotContinue, match="every step of it was done"):
        choose(standard.steps, {step.number for step in standard.steps}, set())


def test_without_a_charge_a_cut_draw_is_refused() -> None:
    draw = PROFILE[PROFILE.index('[[step]]\ndo = "discharge"') :]
    with pytest.raises(CannotContinue, match=r"step 1 \(discharge\) was cut; it begins with a full pack"):
        choose(plan_of(f'title = "Draw"\n{draw}').steps, set(), {1})


def test_storing_by_counted_charge_is_refused_over_a_gap() -> None:
    """A voltage does not tell the charge of LiFePO4 (its plateau), so storing counts from the last full charge."""
    plan = plan_of(PROFILE, HERON.replace("li-ion", "lifepo4"))
    with pytest.raises(CannotContinue, match="nobody counted while the run was down"):
        choose(plan.steps, {1, 2, 3, 4}, {5})
    assert choose(plan.steps, {1, 2}, {3}).number == 1  # with a charge of its own it counts


# Whole runs.


def whole_run(folder: Path, **more: Any) -> Done:
    return on_virtual_time(run_test(folder, LEFT, HERON, PROFILE, soc=0.8, **more))


def cut(done: Done, step: int, after: int = 30) -> Path:
    """Cut a run's files as a power cut would, some samples after a step began."""
    path = done.run.path
    last = next(one.sequence for one in done.run.samples if one.step_count == step) + after
    rows = (path / "samples-001.csv").read_bytes().splitlines(keepends=True)
    (path / "samples-001.csv").write_bytes(b"".join(rows[: last + 1]) + rows[last + 1][:20])
    at_s = done.run.samples[last - 1].test_time_s
    events = [
        line
        for line in (path / "events.jsonl").read_text().splitlines(keepends=True)
        if json.loads(line)["test_time_s"] <= at_s
    ]
    (path / "events.jsonl").write_text("".join(events))
    return path


@pytest.fixture(scope="module")
def finished(tmp_path_factory: pytest.TempPathFactory) -> Done:
    done = whole_run(tmp_path_factory.mktemp("finished"))
    assert done.ending.how == "finished", done.ending
    return done


@pytest.fixture
def another(finished: Done, tmp_path: Path) -> Done:
    """A copy of the finished run, to be cut."""
    path = tmp_path / "runs" / Path(*finished.run.path.parts[-2:])
    shutil.copytree(finished.run.path, path)
    return replace(finished, run=read_run(path))


def go_on(folder: Path, old: Path, soc: float) -> tuple[Continuation, Done]:
    found = prepare_continuation(bench_of(), Path("bench.toml"), old)
    done = on_virtual_time(run_test(folder, LEFT, HERON, PROFILE, soc=soc, prepared=found.job))
    return found, done


def test_a_discharge_that_was_cut_is_done_again_from_full(finished: Done, another: Done, tmp_path: Path) -> None:
    old = cut(another, 3, after=60)
    left = read_run(old)
    assert left.ending.how == "interrupted"
    partial = figures(left)
    assert partial["delivered_ah"].at_least
    assert any(flag.startswith("partial: the run was interrupted") for flag in partial.flags)
    found, done = go_on(tmp_path / "runs", old, soc=0.7)
    assert found.choice.number == 1
    assert done.ending.how == "finished"
    assert done.run.path != old
    assert done.run.info.continues["run"] == left.name
    assert done.run.info.continues["from_step"] == 1
    assert done.run.info.fingerprint == left.info.fingerprint == finished.run.info.fingerprint
    # Nothing of the cut discharge is in the new run's figures: they are those of one whole discharge.
    whole, again = figures(finished.run), figures(done.run)
    assert again["delivered_ah"].value == pytest.approx(whole["delivered_ah"].value, rel=5e-3)
    assert not again["delivered_ah"].at_least
    assert any(flag.startswith(f"continues {left.name}, which was interrupted") for flag in again.flags)
    assert done.run.samples[0].discharging_ah == 0.0
    # The old folder is as the crash left it.
    assert read_run(old).samples == left.samples
    assert read_run(old).events == left.events


def test_a_rest_that_was_cut_begins_anew_and_what_follows_is_done(another: Done, tmp_path: Path) -> None:
    old = cut(another, 4, after=5)
    found, done = go_on(tmp_path / "runs", old, soc=0.1)
    first = found.choice.number
    assert first == 4
    assert "begins with step 4 of " in found.as_text()
    assert "steps 1 to 3 were done in that run" in found.as_text()
    assert "counters begin at zero" in found.as_text()
    assert done.ending.how == "finished"
    counts = [step.count for step in done.run.steps()]
    assert counts[0] == 4
    assert counts == sorted(counts)
    assert done.run.info.plan["steps"][0]["number"] == 4
    assert figures(done.run).missing["delivered_ah"] == "the run has no discharge step"
    # Cut again: what the first run had done is still done, and the newest run is the one to go on with.
    cut(done, 5)
    assert prepare_continuation(bench_of(), Path("bench.toml"), done.run.path).choice.number == 5
    with pytest.raises(FileMistakes, match=r"continues it already; continue that one"):
        prepare_continuation(bench_of(), Path("bench.toml"), old)


def test_a_finished_run_is_refused(finished: Done) -> None:
    with pytest.raises(FileMistakes, match="it has finished; a run that was cut short would be right"):
        prepare_continuation(bench_of(), Path("bench.toml"), finished.run.path)


def test_another_bench_is_another_test(another: Done) -> None:
    old = cut(another, 2, after=5)
    text = bench_text()
    cooling = read_run(old).info.cooling
    other = "still air" if cooling != "still air" else "box"
    assert f'cooling = "{cooling}"' in text
    changed = read_bench(text.replace(f'cooling = "{cooling}"', f'cooling = "{other}"'), "bench.toml")
    with pytest.raises(FileMistakes, match=rf"not the same test any more \(then / now\): .*{cooling} / {other}"):
        prepare_continuation(changed, Path("bench.toml"), old)
    gone = read_bench(text.replace(f'name = "{LEFT.name}"', 'name = "attic"'), "bench.toml")
    with pytest.raises(FileMistakes, match=rf"there is no bay '{LEFT.name}' of .*run.json; known: attic"):
        prepare_continuation(gone, Path("bench.toml"), old)


def test_a_run_that_keeps_no_texts_is_refused(another: Done) -> None:
    old = cut(another, 2, after=5)
    info = json.loads((old / "run.json").read_text())
    del info["sources"]
    (old / "run.json").write_text(json.dumps(info))
    with pytest.raises(FileMistakes, match=r"run\.json: sources: the pack's and the profile's text are not there"):
        prepare_continuation(bench_of(), Path("bench.toml"), old)


def test_a_run_that_goes_on_is_not_continued_and_not_sealed(tmp_path: Path) -> None:
    seen: list[str] = []
    here = bench_of()

    def look(bench: SimulatedBench, one: Sample) -> None:
        if one.sequence == 20:
            [folder] = [path.parent for path in tmp_path.rglob("run.json")]
            with pytest.raises(FileMistakes, match="it is still being written; stop that run first"):
                prepare_continuation(here, Path("bench.toml"), folder)
            assert interrupted_runs(tmp_path) == []
            seen.append(read_run(folder).ending.how)

    whole_run(tmp_path, each=look)
    assert seen == ["running"]


def test_the_plan_of_a_continuation_is_shown_and_nothing_is_switched_on(
    another: Done, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    old = cut(another, 3)
    bench = tmp_path / "bench.toml"
    ports = iter(range(9001, 9099))  # nobody is there, and nobody is asked
    bench.write_text(re.sub(r"MEMORY::[^\"]+", lambda _: f"TCPIP::127.0.0.1::{next(ports)}::SOCKET", bench_text()))
    assert main(["continue", str(old), "--bench", str(bench), "--plan"]) == 0
    shown = capsys.readouterr().out
    assert f"Continues {old}\n  that run was interrupted: " in shown
    assert "the charge before it is step 1" in shown
    assert shown.endswith("Nothing was switched on.\n")
    assert [path.parent for path in tmp_path.rglob("run.json")] == [old]
    with pytest.raises(SystemExit) as ended:
        main(["continue", str(tmp_path / "nothing"), "--bench", str(bench), "--plan"])
    assert ended.value.code == 2


# Sealing.


def test_an_interrupted_run_is_sealed_with_partial_figures(another: Done, tmp_path: Path) -> None:
    old = cut(another, 3, after=60)
    (old / "reserve.bin").write_bytes((old / "samples-001.csv").read_bytes().splitlines(keepends=True)[0] + bytes(99))
    events = (old / "events.jsonl").read_bytes()
    assert interrupted_runs(tmp_path / "runs") == [old]
    assert seal_interrupted(tmp_path / "runs") == [old]
    result = json.loads((old / "result.json").read_text())
    assert (result["ended"]["how"], result["partial"]) == ("interrupted", True)
    assert result["figures"]["delivered_ah"]["at_least"] is True
    assert any(flag.startswith("partial: ") for flag in result["flags"])
    assert any("torn tail" in problem for problem in result["problems"])
    assert (old / "events.jsonl").read_bytes() == events  # the record stays as it was
    assert not (old / "reserve.bin").exists()
    assert interrupted_runs(tmp_path / "runs") == []
    assert seal_interrupted(tmp_path / "runs") == []
    (old / "result.json").unlink()
    assert main(["seal", "--below", str(tmp_path / "runs")]) == 0  # as a service's start does
    assert json.loads((old / "result.json").read_text())["partial"] is True
    for wrong in (["seal"], ["seal", str(old), "--below", str(tmp_path)]):
        with pytest.raises(SystemExit):
            main(wrong)


def test_a_run_with_its_end_needs_no_seal(finished: Done) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "benchwarden.daemon.main", "seal", str(finished.run.path)],
        env=ENVIRONMENT,
        capture_output=True,
        text=True,
        check=False,
    )
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout == f"{finished.run.path}: it has its end (finished): nothing to seal\n"
    assert not (finished.run.path / "result.json").exists()


# Over real processes.

QUICK = """
title = "Quick"
[[step]]
do = "rest"
at_least = "4 s"
[[step]]
do = "rest"
at_least = "2 s"
"""


@pytest.mark.realtime
def test_a_killed_run_is_sealed_by_the_next_start_and_gone_on_with(tmp_path: Path) -> None:
    shed = Shed(tmp_path)
    try:
        (tmp_path / "draw.toml").write_text(QUICK)
        running = shed.run()
        try:
            wait_for(
                lambda: [p for p in tmp_path.glob("runs/*/*/samples-001.csv") if p.read_text().count("\n") > 3], 20
            )
            old = shed.run_folder()
            assert is_being_written(old)
            os.kill(worker_of(running), signal.SIGKILL)
            wait_for(lambda: not is_being_written(old), 60)
        finally:
            running.kill()
            running.communicate(timeout=60)
        (tmp_path / "draw.toml").unlink()  # what it needs stands in the run folder
        (tmp_path / "pack.toml").unlink()
        done = subprocess.run(
            [*BENCHWARDEN, "continue", str(old), "--bench", "bench.toml"],
            env=ENVIRONMENT,
            cwd=tmp_path,
            stdin=subprocess.DEVNULL,
            capture_output=True,
            text=True,
            check=False,
            timeout=60,
        )
    finally:
        shed.close()
    assert done.returncode == 0, done.stdout + done.stderr
    assert "begins with step 1 of 2 (rest): step 1 (rest) was cut, and can begin anew" in done.stdout
    assert f"{old.relative_to(tmp_path)}: sealed as interrupted, with partial figures" in done.stdout
    assert json.loads((old / "result.json").read_text())["ended"]["how"] == "interrupted"
    [new] = [path.parent for path in tmp_path.glob("runs/*/*/run.json") if path.parent != old]
    run = read_run(new)
    assert (run.ending.how, run.info.continues["run"]) == ("finished", "/".join(old.parts[-2:]))
