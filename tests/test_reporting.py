"""Figures, comparison and charts from run folders, as the command line shows them."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

from benchwarden.daemon.main import READER_GONE, main
from benchwarden.simulators.scenario import demo_bench
from tests.virtual_bench import on_virtual_time, run_test

PACKS = Path(__file__).parents[1] / "daemon" / "commands"
DRAW = """
title = "Short draw"
[[step]]
do = "rest"
at_least = "2 s"
[[step]]
do = "discharge"
power = "{power}"
at_most = "20 s"
stop_at = {{ group_voltage = "discharge cut-off" }}
"""


def finished(folder: Path, bay: int, power: str = "5C") -> Path:
    pack = (PACKS / ("demo_heron.toml", "demo_plover.toml")[bay]).read_text()
    done = on_virtual_time(run_test(folder, demo_bench()[bay], pack, DRAW.format(power=power), soc=0.9))
    assert done.ending.how == "finished"
    return done.run.path


def test_report_and_compare(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    runs = [finished(tmp_path, 0), finished(tmp_path, 1)]
    assert main(["report", *map(str, runs)]) == 0
    out, error = capfd.readouterr()
    for run in runs:
        assert (run / "result.json").exists()
        assert (run / "overview.png").exists()
        assert f": {run}\n" in out  # never broken over lines
    assert error == ""
    assert main(["compare", *map(str, runs), "--out", str(tmp_path / "both")]) == 0
    out, error = capfd.readouterr()
    assert "Heron" in out
    assert "Plover" in out
    assert (tmp_path / "both" / "compare-bars.png").exists()


def test_runs_of_different_procedures_are_refused(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    runs = [finished(tmp_path, 0), finished(tmp_path, 1, power="4C")]
    assert main(["compare", *map(str, runs)]) == 2
    assert "4C" in capfd.readouterr().err
    assert not Path("comparison").exists()


def test_what_is_no_run_is_refused(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    assert main(["report", str(tmp_path / "nowhere")]) == 2
    assert "nowhere: no such directory" in capfd.readouterr().err


@pytest.mark.parametrize("order", [["report"], ["seal"], ["compare"], ["export", "--out", "out"]])
def test_a_folder_that_holds_no_run_is_refused_and_left_alone(
    tmp_path: Path, capfd: pytest.CaptureFixture[str], order: list[str]
) -> None:
    folder = tmp_path / "holiday"
    folder.mkdir()
    assert main([*order, str(folder)]) == 2
    assert f"{folder}: no run: found neither run.json nor samples; the folder that holds" in capfd.readouterr().err
    assert list(folder.iterdir()) == []


def test_a_reader_that_has_gone_gives_no_traceback(tmp_path: Path) -> None:
    run = finished(tmp_path, 0)
    reading, writing = os.pipe()
    os.close(reading)
    command = [sys.executable, "-m", "benchwarden.daemon.main", "report", str(run)]
    environment = os.environ | {"PYTHONPATH": str(Path(__file__).parents[1] / "src")}
    with os.fdopen(writing, "wb") as out:
        done = subprocess.run(command, env=environment, stdout=out, stderr=subprocess.PIPE, check=False)
    assert (done.returncode, done.stderr) == (READER_GONE, b"")
