"""The same run twice is the same run, to the byte: on virtual time nothing depends on the machine or its moment."""

import hashlib
import json
import os
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest

from benchwarden.results.figures import figures, result_data, write_result
from benchwarden.simulators.scenario import demo_bench
from tests.virtual_bench import Done, on_virtual_time, run_test

ROOT = Path(__file__).parent.parent
PROFILE = """
title = "A bit of everything"
[[step]]
do = "ladder"
from = "5C"
step = "2C"
to = "9C"
hold = "5 s"
rest = "60 s"
[[step]]
do = "discharge"
power = "5C"
stop_at = { group_voltage = "2.8 V" }
[[step]]
do = "rest"
at_least = "10 min"
[[step]]
do = "charge"
current = "1C"
taper = "0.9C"
"""


def once(folder: Path, seed: int | None = None) -> Done:
    """One run with noisy meters, on the demo's left bay; its result.json is written too."""
    bay = demo_bench()[0]
    if seed is not None:
        bay = replace(bay, seed=seed)
    text = (ROOT / "daemon" / "commands" / "demo_heron.toml").read_text(encoding="utf-8")
    done = on_virtual_time(run_test(folder, bay, text, PROFILE, soc=0.9))
    write_result(done.run)
    return done


def digests(folder: Path) -> dict[str, str]:
    return {
        path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


@pytest.fixture(scope="module")
def here(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("here")


@pytest.fixture(scope="module")
def first(here: Path) -> Done:
    """The run that every other one is compared with."""
    return once(here)


def test_twice_in_one_process(first: Done, here: Path, tmp_path: Path) -> None:
    second = once(tmp_path / "second")
    assert first.ending == second.ending
    assert first.ending.how == "finished"
    files = digests(here)
    assert sorted(Path(name).name for name in files) == ["events.jsonl", "result.json", "run.json", "samples-001.csv"]
    assert digests(tmp_path / "second") == files
    assert first.journal == second.journal
    assert len(first.run.samples) > 1000
    results = [json.dumps(result_data(done.run, figures(done.run))) for done in (first, second)]
    assert results[0] == results[1]


def test_other_noise_is_another_run(first: Done, tmp_path: Path) -> None:
    """That the files of the test above are equal says something only if they need not be."""
    other = once(tmp_path / "other", seed=99)
    assert [sample.voltage_v for sample in first.run.samples] != [sample.voltage_v for sample in other.run.samples]
    one, two = figures(first.run)["delivered_wh"].value, figures(other.run)["delivered_wh"].value
    assert one != two
    assert abs(one - two) < 1e-3 * one


@pytest.mark.usefixtures("first")
def test_in_another_process_with_another_order_of_hashes(here: Path, tmp_path: Path) -> None:
    code = "import sys; from pathlib import Path; from tests.test_repeatable import once; once(Path(sys.argv[1]))"
    path = os.pathsep.join([str(ROOT / "src"), str(ROOT)])
    for hash_seed in ("1", "2"):
        folder = tmp_path / hash_seed
        subprocess.run(
            [sys.executable, "-c", code, str(folder)],
            check=True,
            cwd=ROOT,
            timeout=120,
            env={**os.environ, "PYTHONHASHSEED": hash_seed, "PYTHONPATH": path},
        )
        assert digests(folder) == digests(here)
