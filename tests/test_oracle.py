"""Checks that need other people's packages (dependency group `oracle`): `make oracle`.

They run in a process of their own, since our rule that a warning is an error is not those packages' rule. Nothing is
skipped: who asks for these tests and has not installed the packages gets a failure.
"""

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from benchwarden.results.exporting import export
from tests.test_repeatable import once

pytestmark = pytest.mark.oracle
GOLDEN = Path(__file__).parent / "golden"

VALIDATE = """
import json, sys, warnings
import bdf
with warnings.catch_warnings(record=True) as caught:
    warnings.simplefilter("always", RuntimeWarning)
    report = bdf.validate(sys.argv[1], raise_on_error=False)
about_time = [str(one.message) for one in caught if issubclass(one.category, RuntimeWarning)]
print(json.dumps({"ok": bool(report["ok"]), "missing": list(report.get("missing") or []),
    "extras": list(report.get("extras") or []), "time_stats": report.get("time_stats"), "warnings": about_time},
    default=str))
"""


def test_the_golden_files_are_what_the_package_gives() -> None:
    # PyBaMM 26.10.1.1, pybamm.equivalent_circuit.Thevenin; every number again to 1e-6.
    found = subprocess.run(
        [sys.executable, str(GOLDEN / "make_thevenin.py"), "--check"],
        capture_output=True,
        text=True,
        timeout=600,
        check=False,
    )
    assert found.returncode == 0, found.stdout + found.stderr
    assert "0 differences" in found.stdout


def validated(path: Path) -> dict[str, Any]:
    found = subprocess.run(
        [sys.executable, "-c", VALIDATE, str(path)], capture_output=True, text=True, timeout=300, check=False
    )
    assert found.returncode == 0, found.stderr
    report = json.loads(found.stdout.splitlines()[-1])
    assert isinstance(report, dict)
    return report


def test_the_formats_own_validator_accepts_a_run(tmp_path: Path) -> None:
    # batterydf 0.1.0 (Battery Data Alliance), bdf.validate, on the samples of a run just made.
    done = once(tmp_path / "runs")
    text = (done.run.path / "samples-001.csv").read_text(encoding="utf-8")
    path = tmp_path / "heron.bdf.csv"
    path.write_text(text, encoding="utf-8")
    report = validated(path)
    assert report["ok"] is True
    assert report["missing"] == []
    assert report["warnings"] == []
    assert report["time_stats"]["violations"] == 0
    # What the format has no column for is kept beside it.
    assert "Group 6 Voltage / V" in report["extras"]

    # The validator can say no: a wrong unit, and a time that runs backwards.
    path.write_text(text.replace("Voltage / V", "Voltage / mV", 1), encoding="utf-8")
    assert validated(path)["missing"] == ["Voltage / V"]
    lines = text.splitlines(keepends=True)
    lines[100], lines[200] = lines[200], lines[100]
    path.write_text("".join(lines), encoding="utf-8")
    assert validated(path)["time_stats"]["violations"] >= 1


@pytest.mark.parametrize("kind", ["csv", "parquet"])
def test_the_formats_own_validator_accepts_an_exported_run(tmp_path: Path, kind: str) -> None:
    # batterydf 0.1.0, bdf.validate, on what `benchwarden export` writes.
    run = once(tmp_path / "runs").run.path
    paths = export(run, tmp_path / "out", parquet=kind == "parquet")
    report = validated(paths[0])
    assert report["ok"] is True
    assert report["missing"] == []
    assert report["warnings"] == []
    assert report["time_stats"]["violations"] == 0
    assert "Group 6 Voltage / V" in report["extras"]
