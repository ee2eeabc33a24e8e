"""Where two procedures differ, in words: shipped profiles, files, and runs that were made."""

import json
from pathlib import Path
from typing import Any

import pytest

from benchwarden.daemon.main import main
from benchwarden.profiles.plan import plan_as_data, work_out
from benchwarden.profiles.profile import read_profile
from benchwarden.profiles.shipped import library_text
from tests.pretend_pack import heron, left_bay
from tests.test_bay_faults import HERON

BASE = library_text("capacity")


@pytest.fixture
def shed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "heron.toml").write_text(HERON)
    return tmp_path


def file(shed: Path, name: str, text: str) -> str:
    (shed / name).write_text(text, encoding="utf-8")
    return name


def swapped(old: str, new: str, count: int = -1) -> str:
    assert old in BASE
    return BASE.replace(old, new, count)


def a_run(shed: Path, name: str, profile: str, **bay: Any) -> str:
    """What `difference` reads of a run folder: run.json."""
    plan = work_out(read_profile(profile, "p"), heron(), left_bay(**bay))
    info = {
        "plan": plan_as_data(plan),
        "fingerprint": plan.fingerprint,
        "fingerprint_parts": plan.fingerprint_parts,
        "sources": {"pack": HERON, "profile": profile},
    }
    folder = shed / "runs" / name
    folder.mkdir(parents=True)
    (folder / "run.json").write_text(json.dumps(info))
    return f"runs/{name}"


def test_a_renamed_procedure_is_the_same(shed: Path, capsys: pytest.CaptureFixture[str]) -> None:
    other = file(shed, "mine.toml", swapped("Constant-power capacity", "Gull day"))
    assert main(["difference", "capacity", other]) == 0
    out = capsys.readouterr().out
    assert out.startswith("capacity / mine.toml: nothing that decides the result differs, fingerprint 1-")


def test_every_difference_is_named_in_words(shed: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text = swapped('at_least = "30 min"', 'at_least = "60 min"', 1).replace('power = "5C"', 'power = "4C"')
    assert main(["difference", "capacity", file(shed, "mine.toml", text)]) == 1
    assert capsys.readouterr().out.splitlines() == [
        "capacity / mine.toml:",
        "  step 2 rest: at least 30 min / 60 min",
        "  step 3 discharge: power 5C / 4C",
    ]
    assert main(["difference", "capacity", "burst"]) == 1
    assert "step 3: discharge / ladder" in capsys.readouterr().out


def test_amperes_need_a_pack_unless_both_say_the_same(shed: Path, capsys: pytest.CaptureFixture[str]) -> None:
    amperes = file(shed, "amperes.toml", swapped('"0.5C"', '"2.5 A"').replace('"0.05C"', '"0.25 A"'))
    assert main(["difference", "capacity", amperes]) == 2
    assert "amperes.toml: it names amperes, watts or ohms" in capsys.readouterr().err
    # HERON is rated 5.0 Ah: 2.5 A are 0.5C, 0.25 A are 0.05C.
    assert main(["difference", "capacity", amperes, "--pack", "heron.toml"]) == 0
    capsys.readouterr()
    assert main(["difference", amperes, file(shed, "copy.toml", (shed / amperes).read_text("utf-8"))]) == 0


def test_runs_are_compared_with_profiles_and_with_each_other(shed: Path, capsys: pytest.CaptureFixture[str]) -> None:
    run = a_run(shed, "one", BASE)
    assert main(["difference", run, "capacity"]) == 0
    amperes = file(shed, "amperes.toml", swapped('"0.5C"', '"2.5 A"').replace('"0.05C"', '"0.25 A"'))
    assert main(["difference", run, amperes]) == 0  # for the run's own pack
    capsys.readouterr()
    assert main(["difference", run, a_run(shed, "two", BASE, cooling="box")]) == 1
    assert capsys.readouterr().out.splitlines() == ["runs/one / runs/two:", "  cooling fan / box"]


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["capcity", "burst"], 'did you mean "capacity"? shipped: burst, capacity, '),
        (["capacity", "nothing.toml"], "nothing.toml: the profile cannot be read"),
        (["capacity", "."], "run.json: the run's file cannot be read"),
        (["capacity", "torn"], "run.json: not JSON"),
        (["capacity", "bare"], "fingerprint_parts: found none that can be compared"),
        (["capacity", "burst", "--pack", "none.toml"], "none.toml: the pack file cannot be read"),
    ],
)
def test_bad_input_ends_with_2(
    shed: Path, arguments: list[str], words: str, capsys: pytest.CaptureFixture[str]
) -> None:
    for name, text in (("torn", '{"plan": '), ("bare", '{"fingerprint_parts": {"steps": [3]}}')):
        (shed / name).mkdir()
        (shed / name / "run.json").write_text(text)
    assert main(["difference", *arguments]) == 2
    assert words in capsys.readouterr().err
