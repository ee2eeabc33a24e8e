from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from benchwarden.results import folder
from benchwarden.results.figures import figures, result_data
from benchwarden.results.reading import read_run
from benchwarden.results.run import Run
from benchwarden.results.sample import Sample
from benchwarden.results.series import Series
from tests.synthetic_run import discharge_run, ladder_plan, ladder_steps


def written(tmp_path: Path) -> Path:
    writer = discharge_run()
    ladder_steps(writer, 5, 7, 2.5)
    changed: dict[int, Callable[[Sample], Sample]] = {
        0: lambda one: replace(one, phase=""),
        3: lambda one: replace(one, voltage_v=None, current_a=None, groups_age_s=None),
        4: lambda one: replace(one, groups_v=(None,) * 6, temperatures_c=(None, 22.0, None)),
        90: lambda one: replace(one, temperatures_age_s=None, voltage_v=1e-7),
    }
    for row, change in changed.items():
        writer.samples[row] = change(writer.samples[row])
    return writer.finish(tmp_path, writer.info(plan=ladder_plan(4, 2.5)))


def same(one: Run, other: Run) -> None:
    assert list(one.samples) == list(other.samples)
    assert (one.events, one.info) == (other.events, other.info)
    assert [(step.count, step.kind, len(step.samples)) for step in one.steps()] == [
        (step.count, step.kind, len(step.samples)) for step in other.steps()
    ]


def test_columns_hold_what_the_rows_say(tmp_path: Path) -> None:
    path = written(tmp_path)
    fast, slow = read_run(path), folder.read_run(path)
    assert isinstance(fast.samples, Series)
    assert isinstance(slow.samples, list)
    assert fast.problems == []
    same(fast, slow)
    # The same figures to the last bit, whichever way a run was read.
    assert result_data(fast, figures(fast)) == result_data(slow, figures(slow))


def test_segments_in_order_are_one_series(tmp_path: Path) -> None:
    path = written(tmp_path)
    lines = (path / "samples-001.csv").read_text().splitlines(keepends=True)
    (path / "samples-001.csv").write_text("".join(lines[:500]))
    (path / "samples-002.csv").write_text("".join([lines[0], *lines[500:]]))
    run = read_run(path)
    assert isinstance(run.samples, Series)
    same(run, folder.read_run(path))


@pytest.mark.parametrize(
    "spoil",
    [
        lambda text: text[:-7],  # torn
        lambda text: text.replace(",rest,", ",nan,", 1),
        lambda text: text.replace("discharge", "a, b", 1),
        lambda text: text + text.splitlines(keepends=True)[-1],  # a row twice
        lambda text: text.replace("\n", "\r\n"),
        lambda text: "".join(line for n, line in enumerate(text.splitlines(keepends=True)) if n != 7),  # a row lost
        lambda text: text.replace("Voltage / V", "Volts", 1),
        lambda text: text.splitlines(keepends=True)[0],
        lambda text: text.replace(",load,", ",load,1e999,", 1),
        lambda text: text.replace(",draw,", f",{'d' * 70},", 1),
        lambda text: text.replace("discharge", "möwe", 1),
        lambda _: "",
    ],
)
def test_whatever_is_not_in_order_is_read_row_by_row(tmp_path: Path, spoil: Callable[[str], str]) -> None:
    path = written(tmp_path)
    samples = path / "samples-001.csv"
    samples.write_bytes(spoil(samples.read_text()).encode())
    run, slow = read_run(path), folder.read_run(path)
    assert isinstance(run.samples, list)
    assert run.samples == slow.samples
    assert run.problems == slow.problems


@pytest.mark.parametrize("field", [0, 3, 7, 9, 12])
def test_an_empty_field_where_a_number_must_stand_is_a_problem(tmp_path: Path, field: int) -> None:
    path = written(tmp_path)
    lines = (path / "samples-001.csv").read_text().splitlines()
    row = lines[20].split(",")
    row[field] = ""
    lines[20] = ",".join(row)
    (path / "samples-001.csv").write_text("\n".join(lines) + "\n")
    run = read_run(path)
    assert len(run.problems) == 2
    assert "line 21" in run.problems[0]


def test_a_series_is_a_sequence_like_any_other(tmp_path: Path) -> None:
    writer = discharge_run()
    series = Series.of(writer.samples)
    assert series == writer.samples
    assert series[-1] == writer.samples[-1]
    assert series[3:5] == writer.samples[3:5]
    assert list(series.only("load")) == [one for one in writer.samples if one.output == "load"]
    assert Series.of(series) is series
    assert len(Series.of([])) == 0
    assert not Series.of([]).is_on("load").any()
    assert series != writer.samples[:-1]
    assert series != 3
