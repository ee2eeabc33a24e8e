"""Export to other programs and import of a CSV from elsewhere, through the command line."""

import csv
import json
import math
from pathlib import Path

import pytest

from benchwarden.daemon.main import main
from benchwarden.results.compare import ComparisonRefused, compare
from benchwarden.results.figures import figures
from benchwarden.results.folder import read_run
from tests.synthetic_run import discharge_run

HEAD = ["--pack", "Gannet", "--column", "time=t", "--column", "voltage=U", "--column", "current=I"]


def imported(folder: Path, text: str, *more: str) -> Path:
    file = folder / "old.csv"
    file.write_text(text)
    runs = folder / "runs"
    assert main(["import", str(file), *HEAD, *more, "--runs", str(runs)]) == 0
    [made] = runs.glob("gannet/*")
    return made


def test_an_exported_run_holds_the_same_samples_and_its_metadata(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    run = discharge_run(every_s=20.0).finish(tmp_path / "heron" / "one")
    assert main(["export", str(run), "--out", str(tmp_path / "out")]) == 0
    samples, metadata = (Path(line) for line in capsys.readouterr().out.split())
    assert samples.name == "heron_one.bdf.csv"
    assert samples.read_text() == (run / "samples-001.csv").read_text()
    data = json.loads(metadata.read_text())
    assert data["info"] == json.loads((run / "run.json").read_text())
    assert data["temperatures"] == {"T1": "middle", "T2": "joint"}
    # What was torn off is not passed on.
    with (run / "samples-001.csv").open("a") as file:
        file.write("1.0,2.0")
    assert main(["export", str(run), "--out", str(tmp_path / "again")]) == 0
    assert (tmp_path / "again" / samples.name).read_text() == samples.read_text()
    assert "torn" in json.loads((tmp_path / "again" / metadata.name).read_text())["problems"][0]


def test_parquet_holds_the_same_numbers(tmp_path: Path) -> None:
    parquet = pytest.importorskip("pyarrow.parquet", reason="the extra `parquet` is not installed")
    run = discharge_run(every_s=20.0).finish(tmp_path / "heron" / "one")
    assert main(["export", "--parquet", str(run), "--out", str(tmp_path / "out")]) == 0
    table = parquet.read_table(tmp_path / "out" / "heron_one.bdf.parquet")
    with (run / "samples-001.csv").open() as file:
        rows = list(csv.DictReader(file))
    assert table.column_names == list(rows[0])
    for name in table.column_names:
        found = table[name].to_pylist()
        expected = [row[name] for row in rows]
        if name in ("Step Type", "Phase", "Output"):
            assert found == expected
        else:
            numbers = [float(text) if text else None for text in expected]
            assert found == pytest.approx(numbers, rel=1e-12)
    assert json.loads(table.schema.metadata[b"benchwarden"])["run"] == "heron/one"


def test_export_says_what_it_lacks(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "empty").mkdir()
    assert main(["export", str(tmp_path / "empty"), "--out", str(tmp_path)]) == 2
    assert "no run: found neither run.json nor samples" in capsys.readouterr().err
    assert main(["export", str(tmp_path / "nowhere"), "--out", str(tmp_path)]) == 2


def test_an_imported_csv_gives_its_own_figures(tmp_path: Path) -> None:
    # Constant 10 A for half an hour at a voltage that falls in a straight line from 24 V to 20 V: 5 Ah, 110 Wh.
    rows = [f"{t},{24 - 4 * t / 1800},10" for t in range(0, 1801, 10)]
    text = "\n".join(["t,U,I", *rows, "1810,22,0"]) + "\n"
    run = read_run(imported(tmp_path, text, "--discharge", "positive", "--mass", "500 g", "--cut-off", "20 V"))
    assert run.problems == []
    found = figures(run)
    assert found["delivered_ah"].value == pytest.approx(5.0)
    assert found["delivered_wh"].value == pytest.approx(110.0)
    assert found["energy_per_mass_wh_kg"].value == pytest.approx(220.0)
    assert not found["delivered_ah"].at_least
    assert found["delivered_ah"].U is None
    assert found["delivered_ah"].not_stated == ("import's file: [accuracy] current = …",)
    assert "imported from old.csv: not measured by this program" in found.flags
    assert run.samples[-1].discharging_ah == pytest.approx(5.0, rel=0.01)
    assert [span.kind for span in run.steps()] == ["discharge", "rest"]


def test_units_commas_gaps_and_a_file_of_its_own(tmp_path: Path) -> None:
    text = "Zeit;Spannung;Strom;Luft\n0;24000;0;22,5\n1;;-1000;\n2;23000;-1000;22,7\n"
    (tmp_path / "old.csv").write_text("\ufeff" + text, encoding="utf-8")
    (tmp_path / "old.toml").write_text(
        'title = "Before the move"\nstarted = 2024-05-01T10:00:00Z\n'
        '[pack]\nname = "Gannet"\nmass = "452 g"\nmass_accuracy = "1 g"\n'
        '[columns]\ntime = { name = "Zeit", unit = "min" }\nvoltage = { name = "Spannung", unit = "mV" }\n'
        'current = { name = "Strom", unit = "mA" }\ntemperature_ambient = "Luft"\n'
        '[accuracy]\ncurrent = "0.5 % + 10 mA"\n'
    )
    orders = [
        "import",
        str(tmp_path / "old.csv"),
        "--map",
        str(tmp_path / "old.toml"),
        "--runs",
        str(tmp_path / "runs"),
    ]
    assert main(orders) == 0
    run = read_run(tmp_path / "runs" / "gannet" / "2024-05-01T10-00-00Z_imported")
    assert [one.test_time_s for one in run.samples] == [0.0, 60.0, 120.0]
    assert [one.voltage_v for one in run.samples] == [24.0, None, 23.0]
    assert [one.current_a for one in run.samples] == [0.0, -1.0, -1.0]
    assert [one.temperatures_c for one in run.samples] == [(22.5,), (None,), (22.7,)]
    assert run.info.imported["from"] == "old.csv"
    assert run.info.title == "Before the move"
    assert run.info.instruments["load"]["accuracy"]["current"]["of_reading"] == pytest.approx(0.005)


def test_an_imported_run_is_compared_only_if_somebody_says_so(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    own = discharge_run(every_s=20.0).finish(tmp_path / "heron" / "one")
    text = "t,U,I\n0,24,-10\n10,23,-10\n20,22,0\n"
    made = imported(tmp_path, text)
    assert "imported: nobody" not in capsys.readouterr().err
    with pytest.raises(ComparisonRefused, match="imported, so nobody knows its procedure"):
        compare([read_run(own), read_run(made)])
    for path in made.iterdir():
        path.unlink()
    made.rmdir()
    made = imported(tmp_path, text, "--like", str(own))
    comparison = compare([read_run(own), read_run(made)])
    assert [entry.label for entry in comparison.entries] == ["Heron", "Gannet, imported"]
    assert any("only because somebody said so" in flag for flag in comparison.flags)
    capsys.readouterr()
    assert main(["runs", "--runs", str(tmp_path / "runs")]) == 0
    assert "IMPORTED" in capsys.readouterr().out
    # A likeness of a likeness is hearsay.
    assert main(["import", str(tmp_path / "old.csv"), *HEAD, "--like", str(made), "--runs", str(tmp_path)]) == 2


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("t,U,I\n0,24,0\n0,24,0\n", "line 3: time 0 s after 0 s"),
        ("t,U,I\n0,24,0\n,24,0\n", "line 3: no time"),
        ("t,U,I\n0,24,0\n1,x,0\n", "line 3, voltage: found 'x'"),
        ("t,U,I\n0,24,0\n1,inf,0\n", "line 3, voltage: found 'inf'"),
        ("t,U,J\n0,24,0\n1,24,0\n", "column 'I' for current stands there not at all"),
        ("t,U,I,I\n0,24,0,0\n1,24,0,0\n", "column 'I' for current stands there twice"),
        ("t,U,I\n", "1 lines"),
    ],
)
def test_a_csv_that_cannot_be_used_is_refused_whole(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], text: str, words: str
) -> None:
    (tmp_path / "old.csv").write_text(text)
    assert main(["import", str(tmp_path / "old.csv"), *HEAD, "--runs", str(tmp_path / "runs")]) == 2
    assert words in capsys.readouterr().err
    assert not (tmp_path / "runs").exists()


def test_a_map_with_mistakes_is_refused_by_name(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "old.csv").write_text("t,U,I\n0,24,0\n1,24,0\n")
    for more, words in (
        (["--column", "amps=I"], "there is no 'amps'"),
        (["--column", "time=t@year"], "unit 'year'; right would be s, ms, min, h"),
        (["--column", "group_2=U"], "groups [2]"),
        (["--column", "nonsense"], "right would be --column"),
        (["--mass", "heavy"], "mass"),
        (["--started", "yesterday"], "2025-04-12T09:30:00Z"),
    ):
        assert main(["import", str(tmp_path / "old.csv"), *HEAD, *more, "--runs", str(tmp_path / "runs")]) == 2
        assert words in capsys.readouterr().err
    assert not (tmp_path / "runs").exists()


def test_endurance_by_the_command(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    writer = discharge_run(every_s=10.0)
    run = writer.finish(tmp_path / "heron" / "one", writer.info(pack={"name": "Heron", "mass_accuracy": 0.001}))
    craft = tmp_path / "gull.toml"
    craft.write_text('name = "Gull"\nempty_mass = "1.0 kg"\nhover = { power = "167 W", mass = "1.5 kg" }\n')
    assert main(["endurance", str(craft), str(run)]) == 0
    assert "Heron hovers for" in capsys.readouterr().out
    assert main(["endurance", "--json", str(craft), str(run)]) == 0
    [flight] = json.loads(capsys.readouterr().out)["flights"]
    energy = figures(read_run(run))["delivered_wh"].value
    # Power goes with mass to the power of 1.5 (momentum theory); a fifth of the energy stays.
    assert flight["minutes"] == pytest.approx(60 * energy * 0.8 / (167 * math.pow(1.452 / 1.5, 1.5)))
    assert main(["endurance", "--csv", str(craft), str(run)]) == 0
    assert capsys.readouterr().out.splitlines()[1].startswith("Heron,")
    craft.write_text('name = "Gull"\n')
    assert main(["endurance", str(craft), str(run)]) == 2
    assert "empty_mass" in capsys.readouterr().err
