"""The list of all runs and its index: what it shows, that it notices changes, that it can be thrown away."""

import json
import os
from pathlib import Path

import pytest

from benchwarden.daemon.main import main
from benchwarden.results.collection import INDEX_FILE, Wanted, all_runs, filtered
from benchwarden.results.figures import write_result
from benchwarden.results.reading import read_run
from tests.synthetic_run import discharge_run

RUNS = {
    "heron/2026-11-25T21-04-11Z_capacity": ("Heron", "2026-11-25T21:04:11Z"),
    "heron/2026-11-26T08-00-00Z_capacity": ("Heron", "2026-11-26T08:00:00Z"),
    "tern/2026-12-01T09-00-00Z_capacity": ("Tern", "2026-12-01T09:00:00Z"),
}


def collection(folder: Path) -> Path:
    for name, (pack, utc) in RUNS.items():
        writer = discharge_run(every_s=20.0)
        info = writer.info(pack, started_utc=utc, profile={"name": "capacity", "title": "Constant-power capacity"})
        write_result(read_run(writer.finish(folder / name, info)))
    return folder


def test_runs_are_listed_newest_first_and_filtered(tmp_path: Path) -> None:
    found = all_runs(collection(tmp_path))
    assert [one.run for one in found] == list(reversed(RUNS))
    assert {one.how for one in found} == {"finished"}
    assert found[0].figures["delivered_ah"][0] == pytest.approx(4.7, abs=0.3)

    def names(**wanted: object) -> list[str]:
        return [one.run for one in filtered(found, Wanted(**wanted))]  # type: ignore[arg-type]

    first, second, third = RUNS
    assert names(pack="hero") == [second, first]
    assert names(since="2026-12") == [third]
    assert names(until="2026-11-25") == [first]
    assert names(since="2026-11-26", until="2026-11") == [second]
    assert names(profile="CAPACITY", ended="finished", imported=False) == [third, second, first]
    assert names(ended="tripped") == names(imported=True) == names(profile="burst") == []


def test_the_index_is_used_and_notices_what_has_changed(tmp_path: Path) -> None:
    runs = collection(tmp_path)
    all_runs(runs)
    before = (runs / INDEX_FILE).read_bytes()
    first, second, third = (runs / name for name in RUNS)
    # What has not changed is not read again: the index's word counts.
    (runs / INDEX_FILE).write_bytes(before.replace(b'"Tern"', b'"Gull"'))
    assert all_runs(runs)[0].pack == "Gull"
    # A result of another size or time is read again; a run that is new or gone is noticed.
    result = json.loads((first / "result.json").read_text())
    result["ended"]["how"] = "stopped"
    (first / "result.json").write_text(json.dumps(result))
    os.utime(third / "run.json", ns=(1, 1))
    for path in second.iterdir():
        path.unlink()
    found = {one.run: one for one in all_runs(runs)}
    names = list(RUNS)
    assert set(found) == {names[0], names[2]}
    assert found[names[0]].how == "stopped"
    assert found[names[2]].pack == "Tern"
    (third / "result.json").unlink()
    assert all_runs(runs)[0].how == "no result yet"


@pytest.mark.parametrize("index", ["", "{", "[]", '{"format": 1}', '{"format": 99, "runs": []}', '{"runs": [[1]]}'])
def test_an_index_that_is_none_is_made_again(tmp_path: Path, index: str) -> None:
    runs = collection(tmp_path)
    expected = all_runs(runs)
    (runs / INDEX_FILE).write_text(index)
    assert all_runs(runs) == expected
    (runs / INDEX_FILE).unlink()
    assert all_runs(runs) == expected
    assert all_runs(runs, afresh=True) == expected


def test_the_command_lists_for_people_and_programs(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    runs = collection(tmp_path)
    assert main(["runs", "--runs", str(runs), "--pack", "heron"]) == 0
    out = capsys.readouterr().out
    assert out.splitlines()[0].split()[:3] == ["started", "(UTC)", "pack"]
    assert "2 runs" in out
    assert "Tern" not in out
    assert main(["runs", "--runs", str(runs), "--json"]) == 0
    assert [one["pack"] for one in json.loads(capsys.readouterr().out)] == ["Tern", "Heron", "Heron"]
    assert main(["runs", "--runs", str(runs), "--paths", "--since", "2026-12"]) == 0
    assert capsys.readouterr().out.split() == [str(runs / list(RUNS)[2])]
    assert main(["runs", "--runs", str(runs), "--csv", "--rebuild"]) == 0
    assert len(capsys.readouterr().out.splitlines()) == 4
    assert main(["runs", "--runs", str(runs / "nowhere")]) == 2
    assert "nowhere: no such directory" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("wanted", "words"),
    [
        (["--since", "2026-13-40"], "--since 2026-13-40: no date; right would be such as 2026, 2026-11, 2026-11-25"),
        (["--since", "2026-02-30"], "no date"),
        (["--since", "2026-1"], "no date"),
        (["--until", "yesterday"], "--until yesterday: no date"),
        (
            ["--ended", "sunk"],
            "--ended sunk: no run ends so; right would be one of finished, tripped, stopped, ",
        ),
    ],
)
def test_what_no_run_can_fit_is_a_mistake(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], wanted: list[str], words: str
) -> None:
    assert main(["runs", "--runs", str(tmp_path), *wanted]) == 2
    out, error = capsys.readouterr()
    assert (out, words in error) == ("", True)


@pytest.mark.parametrize("utc", ["2026", "2026-11", "2026-11-25", "2026-11-25T21", "2026-11-25T21:04:11Z"])
@pytest.mark.parametrize("how", ["", "Finished", "interrupted", "no result yet"])
def test_the_beginning_of_a_time_and_every_end_are_taken(utc: str, how: str) -> None:
    assert Wanted(since=utc, until=utc, ended=how).mistakes() == []
