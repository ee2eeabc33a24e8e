"""The record as the page reads it: what was added since, whatever is torn, and what each run says of itself."""

import json
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchwarden.daemon.front.page_journal import NAME, NAME_BEFORE, Journal
from benchwarden.daemon.front.page_notes import Notes, NotesRefused
from benchwarden.daemon.front.page_runs import Columns, NoSuchRun, Record
from benchwarden.results.columns import Layout, numeric_places, read_header
from benchwarden.results.folder import read_run
from tests.synthetic_run import discharge_run

RUN = "heron/2026-11-25T21-04-11Z_capacity"
ODD = ("", "nan", "NaN", "inf", "1e999", " 3.5", "3.5 ", "x", "1,2", "1_0", "0x10", "-7", "١", '"3"', "#", "\t")
with TemporaryDirectory() as _folder:
    _run = discharge_run(every_s=10.0).finish(Path(_folder) / "run")
    ROWS = (_run / "samples-001.csv").read_text().splitlines()
DRAWN = sorted(numeric_places(read_header(ROWS[0])).values())


def test_the_whole_run_is_drawn_with_its_highest_and_lowest(tmp_path: Path) -> None:
    discharge_run().finish(tmp_path / RUN)
    samples = read_run(tmp_path / RUN).samples
    drawn = Record(tmp_path).drawn(RUN, None, None, 50)
    assert drawn["raw"] is False
    assert drawn["sequence"] == samples[-1].sequence
    for name, values in (
        ("voltage_v", [one.voltage_v for one in samples]),
        ("current_a", [one.current_a for one in samples]),
        ("middle_c", [one.temperatures_c[0] for one in samples]),
        ("lowest_v", [min(value for value in one.groups_v if value is not None) for one in samples]),
    ):
        shown = [value for _, value in drawn["curves"][name] if value is not None]
        known = [value for value in values if value is not None]
        assert (min(shown), max(shown)) == (round(min(known), 4), round(max(known), 4))
        assert len(shown) <= 152
    assert [(one["step"], one["kind"]) for one in drawn["steps"]] == [(1, "rest"), (2, "discharge"), (3, "rest")]


def test_a_part_of_it_is_drawn_as_it_was_measured(tmp_path: Path) -> None:
    discharge_run().finish(tmp_path / RUN)
    drawn = Record(tmp_path).drawn(RUN, 100.0, 120.0, 200)
    assert drawn["raw"] is True
    times = [time for time, _ in drawn["curves"]["voltage_v"]]
    assert times[0] < 100.0
    assert times[-1] > 120.0
    assert len(times) == 22 or len(times) == 23


def test_only_what_was_added_is_read_and_a_torn_row_waits(tmp_path: Path) -> None:
    folder = discharge_run().finish(tmp_path / RUN)
    path = folder / "samples-001.csv"
    lines = path.read_bytes().splitlines(keepends=True)
    path.write_bytes(b"".join(lines[:100]) + lines[100][:20])
    record = Record(tmp_path)
    assert record.drawn(RUN, None, None, 500)["sequence"] == 98
    with path.open("ab") as file:
        file.write(lines[100][20:] + b"".join(lines[101:200]))
    # What was read is not read again: it could be anything by now.
    with path.open("r+b") as file:
        file.write(b"x" * 50)
    drawn = record.drawn(RUN, None, None, 500)
    assert drawn["sequence"] == 198
    assert len(drawn["curves"]["voltage_v"]) == 199
    (folder / "samples-002.csv").write_bytes(lines[0] + b"".join(lines[198:260]))  # repeats two rows
    drawn = record.drawn(RUN, None, None, 500)
    assert len(drawn["curves"]["voltage_v"]) == 259


def test_rows_that_cannot_be_read_are_left_out(tmp_path: Path) -> None:
    folder = discharge_run().finish(tmp_path / RUN)
    path = folder / "samples-001.csv"
    lines = path.read_bytes().splitlines(keepends=True)
    path.write_bytes(b"".join([*lines[:10], b"nonsense\n", b"\xff\xfe,,\n", *lines[10:20]]))
    assert len(Record(tmp_path).drawn(RUN, None, None, 500)["curves"]["voltage_v"]) == 19


@given(st.data())
@settings(max_examples=60)
def test_many_rows_at_once_say_the_same_as_one_by_one(data: st.DataObject) -> None:
    """The quick way takes only what the careful way would take, and draws it alike."""
    rows = list(ROWS[1:60])
    for _ in range(data.draw(st.integers(0, 4), "changes")):
        place = data.draw(st.integers(0, len(rows) - 1), "row")
        fields = rows[place].split(",")
        fields[data.draw(st.sampled_from(DRAWN), "field")] = data.draw(st.sampled_from(ODD), "text")
        rows[place] = ",".join(fields)
    if data.draw(st.booleans(), "twice"):
        rows.insert(5, rows[3])
    with TemporaryDirectory() as place_of_run:
        folder = Path(place_of_run)
        (folder / "samples-001.csv").write_text("".join(f"{row}\n" for row in [ROWS[0], *rows]))
        quick, careful = Columns(folder), OneByOne(folder)
        for columns in (quick, careful):
            columns.grow(("middle", "ambient"))
        assert quick.drawn(None, None, 500) == careful.drawn(None, None, 500)


class OneByOne(Columns):
    """Reads every row by itself."""

    def _take_block(self, lines: list[str], layout: Layout) -> None:
        raise ValueError


def test_runs_are_listed_from_the_newest_with_their_figures(tmp_path: Path) -> None:
    older = "plover/2026-11-24T08-00-00Z_capacity"
    folder = discharge_run().finish(tmp_path / RUN)
    discharge_run().finish(tmp_path / older)
    (folder / "result.json").write_text(
        json.dumps(
            {
                "ended": {"how": "stopped", "why": "asked to stop", "off_confirmed": True},
                "figures": {"delivered_over_rated": {"value": 0.9726, "unit": "1", "at_least": True}},
                "flags": ["run stopped"],
            }
        )
    )
    record = Record(tmp_path)
    found = record.listed(0, 50)
    assert found["count"] == 2
    assert [one["run"] for one in found["runs"]] == [RUN, older]
    assert found["runs"][0]["figures"] == [("of rated, %", "≥ 97.3")]
    assert (found["runs"][0]["how"], found["runs"][1]["how"]) == ("stopped", "no result yet")
    assert [one["run"] for one in record.listed(1, 50)["runs"]] == [older]
    (folder / "result.json").write_text("{")
    assert record.detail(RUN)["how"] == "no result yet"


def test_a_run_without_anything_readable_is_still_shown(tmp_path: Path) -> None:
    (tmp_path / RUN).mkdir(parents=True)
    (tmp_path / RUN / "run.json").write_text("[]")
    (tmp_path / RUN / "samples-001.csv").write_text("")
    record = Record(tmp_path)
    assert record.detail(RUN)["pack"] == "unnamed pack"
    assert record.drawn(RUN, None, None, 100)["curves"] == {}
    assert record.listed(0, 10)["count"] == 1


@pytest.mark.parametrize(
    "name", ["", "heron", "heron/..", "../heron", "heron/run/more", "heron/", "/heron", "heron/.x"]
)
def test_what_names_no_run_finds_none(name: str, tmp_path: Path) -> None:
    (tmp_path / "heron" / "run").mkdir(parents=True)
    with pytest.raises(NoSuchRun):
        Record(tmp_path).folder(name)


def test_notes_that_are_none_are_said_and_left(tmp_path: Path) -> None:
    notes = Notes(tmp_path)
    notes.keep(RUN, "resoldered")
    assert notes.all() == {RUN: "resoldered"}
    path = tmp_path / "notes.page.json"
    path.write_text("{")
    with pytest.raises(NotesRefused, match=r"notes\.page\.json"):
        notes.keep(RUN, "again")
    assert path.read_text() == "{"


def test_the_journal_is_bounded(tmp_path: Path) -> None:
    journal = Journal(tmp_path, longest=2000)
    for number in range(100):
        journal.note("operate", "127.0.0.1", {"do": "answer", "number": number}, "ok")
    journal.close()
    now, before = (tmp_path / NAME).read_text(), (tmp_path / NAME_BEFORE).read_text()
    assert len(now) <= 2000
    assert len(before) <= 2000
    numbers = [json.loads(line)["number"] for line in (before + now).splitlines()]
    assert numbers == list(range(numbers[0], 100))
    assert json.loads(now.splitlines()[-1])["who"] == "operate at 127.0.0.1"
