"""What the worker and the guardian load, seen in a fresh interpreter: nothing heavy, nothing pretended."""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

ENVIRONMENT = os.environ | {"PYTHONPATH": str(Path(__file__).parents[1] / "src")}
HEAVY = (
    "numpy",
    "matplotlib",
    "aiomqtt",
    "apprise",
    "rich",
    "starlette",
    "pandas",
    "scipy",
    "uncertainties",
    "benchwarden.simulators",
)
FIGURES = ("benchwarden.results.figures", "benchwarden.results.charts", "benchwarden.results.compare")


def loaded_by(module: str) -> set[str]:
    """Return every module that importing this one brings along."""
    code = f"import json, sys, {module}; print(json.dumps(sorted(sys.modules)))"
    done = subprocess.run([sys.executable, "-c", code], env=ENVIRONMENT, capture_output=True, text=True, check=True)
    return set(json.loads(done.stdout))


@pytest.mark.parametrize("module", ["worker", "serving.service", "guardian", "commands.off"])
def test_what_switches_off_loads_nothing_heavy(module: str) -> None:
    loaded = loaded_by(f"benchwarden.daemon.{module}")
    assert f"benchwarden.daemon.{module}" in loaded
    assert sorted(loaded.intersection((*HEAVY, *FIGURES))) == []


def test_the_guardian_shares_nothing_with_the_worker() -> None:
    own = {name for name in loaded_by("benchwarden.daemon.guardian") if name.startswith("benchwarden.")}
    parts = ("contactor", "front_process", "guardian_desk", "notify", "private_socket", "raw_wire", "worker_signs")
    rooms = {"benchwarden.daemon", "benchwarden.daemon.guardian", "benchwarden.daemon.guard"}
    assert own == rooms | {f"benchwarden.daemon.guard.{part}" for part in parts}


def test_safety_knows_the_sample_and_the_standard_library() -> None:
    loaded = loaded_by("benchwarden.daemon.safety")
    own = {name for name in loaded if name.startswith("benchwarden.")}
    assert own == {
        "benchwarden.daemon",
        "benchwarden.daemon.safety",
        "benchwarden.results",
        "benchwarden.results.sample",
    }
    foreign = {name.partition(".")[0] for name in loaded - loaded_by("json")} - sys.stdlib_module_names
    assert foreign == {"benchwarden"}


def test_the_command_line_itself_loads_only_the_guardian() -> None:
    """`run` and `demo` are the guardian's process: what they hold is what must not fail."""
    loaded = loaded_by("benchwarden.daemon.main")
    assert sorted(loaded.intersection((*HEAVY, *FIGURES, "benchwarden.drivers", "pydantic"))) == []
