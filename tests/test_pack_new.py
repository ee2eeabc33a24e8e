"""A new pack's file by questions: only answers that pack files may hold, defaults shown, nothing overwritten."""

import os
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

import pytest

from benchwarden.daemon.commands.pack_new import pack_new
from benchwarden.profiles.pack import read_pack, resolved

HERON = ("Heron", "li-ion", "6", "5.0 Ah", "452 g", "5 A", "50 A", "90 A for 5 s")


def written(path: Path, answers: Sequence[str]) -> int:
    left = [f"{one}\n" for one in answers]
    return pack_new(path, lambda: left.pop(0) if left else "")


def test_what_is_answered_stands_in_the_file(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "heron.toml"
    assert written(path, HERON) == 0
    pack = read_pack(path.read_text("utf-8"))
    assert (pack.name, pack.chemistry, pack.series, pack.rated_capacity_ah) == ("Heron", "li-ion", 6, 5.0)
    assert (pack.mass_kg, pack.max_charge_a, pack.max_discharge_a) == (0.452, 5.0, 50.0)
    assert pack.max_burst is not None
    assert (pack.max_burst.current_a, pack.max_burst.hold_s) == (90.0, 5.0)
    said = capsys.readouterr().out
    assert "6 groups in series is proved when it is put on the bench" in said
    assert f"benchwarden confirm {path}" in said


@pytest.mark.parametrize(
    ("chemistry", "volts"),
    [
        ("li-ion", ()),
        ("lipo", ()),
        ("li-hv", ()),
        ("lifepo4", ()),
        ("nimh", ()),
        ("na-ion", ("3.9 V", "3.1 V", "2 V", "2 V", "1.5 V", "4 V")),
    ],
)
def test_every_default_is_shown_as_one_and_is_what_would_be_used(
    tmp_path: Path, chemistry: str, volts: Sequence[str]
) -> None:
    """With the # taken away the file says of itself what the program would have taken, and nothing is a default."""
    path = tmp_path / "pack.toml"
    empty = [""] * (3 if chemistry == "nimh" else 4)
    assert written(path, ["Knot", chemistry, "4", "3 Ah", *volts, *empty]) == 0
    text = path.read_text("utf-8")
    comments = [line for line in text.splitlines() if line.startswith("# ") and " = " in line]
    assert comments
    assert all(line.endswith("  # default, not from the data sheet") for line in comments)
    as_it_is, whole = (
        resolved(read_pack(text)),
        resolved(read_pack(text.replace("\n# ", "\n").replace("\nNot g", "\n#"))),
    )
    assert whole.defaults == ()
    assert len(as_it_is.defaults) == len(comments)
    for key in ("full_v", "discharge_cut_off_v", "ladder_floor_v", "hard_low_v", "hard_high_v", "nominal_v"):
        assert getattr(whole, key) == getattr(as_it_is, key), key
    for key in (
        "max_charge_a",
        "max_discharge_a",
        "max_burst_a",
        "charge_low_c",
        "charge_high_c",
        "temperature_limit_c",
    ):
        assert getattr(whole, key) == getattr(as_it_is, key), key


def test_a_wrong_answer_is_told_and_asked_again(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "heron.toml"
    answers = ["", "Heron", "lead", "li-ion", "six", "0", "6", "5", "-1 Ah", "5.0 Ah", "452", *HERON[4:]]
    assert written(path, answers) == 0
    said = capsys.readouterr().out
    for words in ("name: ", "chemistry: found 'lead'", "found 'six'", "1 or more", "found '5',", "'452'"):
        assert words in said, words
    assert read_pack(path.read_text("utf-8")).series == 6


def test_answers_that_do_not_fit_each_other_are_asked_again(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "heron.toml"
    assert written(path, [*HERON[:6], "50 A", "10 A for 5 s", "50 A", "90 A for 5 s"]) == 0
    said = capsys.readouterr().out
    assert "max_burst 10 A is below max_discharge 50 A" in said
    assert "do not fit each other" in said


@pytest.mark.parametrize("count", range(len(HERON)))
def test_too_few_answers_write_nothing(tmp_path: Path, count: int, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "heron.toml"
    assert written(path, HERON[:count]) == 2
    assert not path.exists()
    assert "nothing was written" in capsys.readouterr().err


def test_a_file_that_is_there_is_never_overwritten(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "heron.toml"
    path.write_text("mine")
    assert written(path, HERON) == 2
    assert path.read_text() == "mine"
    assert "exists already" in capsys.readouterr().err
    assert written(tmp_path / "nowhere" / "heron.toml", HERON) == 2
    assert "cannot be written" in capsys.readouterr().err


@pytest.mark.parametrize("name", ['Sand"erling', "Möwe \\ 2", "a\tb", "=", "'''"])
def test_odd_names_are_written_as_they_are(tmp_path: Path, name: str) -> None:
    path = tmp_path / "pack.toml"
    assert written(path, [name, *HERON[1:]]) == 0
    assert read_pack(path.read_text("utf-8")).name == name


def test_through_a_pipe(tmp_path: Path) -> None:
    environment = os.environ | {"PYTHONPATH": str(Path(__file__).parents[1] / "src")}
    command = [sys.executable, "-m", "benchwarden.daemon.main", "pack", "new", "heron.toml"]
    answers = "\n".join((*HERON, "")).encode()
    for given, code in ((b"\xff\xfe\n", 2), (answers, 0)):
        done = subprocess.run(command, env=environment, cwd=tmp_path, input=given, capture_output=True, check=False)
        assert done.returncode == code, done.stderr
        assert b"Traceback" not in done.stderr
    assert read_pack((tmp_path / "heron.toml").read_text("utf-8")).name == "Heron"
