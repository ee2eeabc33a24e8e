"""The wheel holds the whole program: built, installed elsewhere, and used there without the checkout."""

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from tests.test_bay_faults import HERON
from tests.test_bench import BENCH

pytestmark = pytest.mark.realtime

ROOT = Path(__file__).parents[1]
SUFFIXES = (".py", ".toml", ".html", ".css", ".js")
ROOMS = ("daemon", "drivers", "profiles", "results", "simulators")


@pytest.fixture(scope="module")
def installed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Where a wheel of a copy of this tree was installed."""
    folder = tmp_path_factory.mktemp("wheel")
    copy, target = folder / "copy", folder / "target"
    copy.mkdir()
    for name in (*ROOMS, "src"):
        shutil.copytree(
            ROOT / name, copy / name, symlinks=True, ignore=shutil.ignore_patterns("__pycache__", "*.egg-info")
        )
    for name in ("pyproject.toml", "README.md"):
        shutil.copy(ROOT / name, copy)
    environment = {name: value for name, value in os.environ.items() if name != "PYTHONPATH"}

    def run(*command: str) -> None:
        done = subprocess.run(
            [sys.executable, "-m", *command], cwd=copy, env=environment, capture_output=True, text=True, check=False
        )
        assert done.returncode == 0, done.stdout + done.stderr

    run("build", "--wheel", "--no-isolation", "--outdir", str(folder / "dist"))
    [wheel] = (folder / "dist").glob("benchwarden-*.whl")
    run("pip", "install", "--no-deps", "--no-index", "--quiet", "--target", str(target), str(wheel))
    return target


def test_every_file_of_every_room_is_inside(installed: Path) -> None:
    for room in ROOMS:
        here = {
            path.relative_to(ROOT / room)
            for path in (ROOT / room).rglob("*")
            if path.suffix in SUFFIXES and "__pycache__" not in path.parts
        }
        there = {
            path.relative_to(installed / "benchwarden" / room)
            for path in (installed / "benchwarden" / room).rglob("*")
            if path.suffix in SUFFIXES
        }
        assert there == here, room
        assert here
    assert (installed / "benchwarden" / "py.typed").is_file()
    assert not (installed / "tests").exists()


def test_the_maps_and_the_profiles_are_inside(installed: Path) -> None:
    maps = {path.stem for path in (installed / "benchwarden" / "drivers" / "maps").glob("*.toml")}
    assert {"load-function", "load-mode", "supply", "scanner", "thermometer", "voltmeter"} <= maps
    library = {path.stem for path in (installed / "benchwarden" / "profiles" / "library").glob("*.toml")}
    assert {"standard", "capacity", "burst"} <= library


def test_a_plan_is_shown_from_elsewhere(installed: Path, tmp_path: Path) -> None:
    (tmp_path / "bench.toml").write_text(BENCH)
    (tmp_path / "heron.toml").write_text(HERON)
    asked = "import benchwarden.daemon.main as m, sys; print(m.__file__, file=sys.stderr); sys.exit(m.main())"
    done = subprocess.run(
        [sys.executable, "-c", asked, "plan", "standard", "left=heron.toml"],
        cwd=tmp_path,
        env={"PYTHONPATH": str(installed), "PATH": os.environ["PATH"]},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert done.stderr.startswith(str(installed))
    assert "Bay left, pack Heron" in done.stdout
    assert done.stdout.endswith("Nothing was switched on.\n")


def test_the_command_is_installed_by_its_name(installed: Path) -> None:
    script = (installed / "bin" / "benchwarden").read_text()
    assert "from benchwarden.daemon.main import main" in script
