import json
import math
import shutil
import tracemalloc
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchwarden.results import reading
from benchwarden.results.columns import header, row
from benchwarden.results.folder import (
    FolderError,
    drop_unused_reserve,
    event_line,
    events_name,
    folder_name,
    new_folder,
    next_segment,
    read_run,
    segment_name,
    slug,
    utc_text,
    write_info,
    write_json,
)
from benchwarden.results.sample import Sample
from tests.synthetic_run import PLACES, STARTED_UNIX_S, Writer


def short_run() -> Writer:
    writer = Writer()
    writer.begin("rest")
    writer.rest(4)
    writer.end("rested")
    return writer


@pytest.mark.parametrize(
    ("name", "expected"),
    [("Heron", "heron"), ("Little Tern 2", "little-tern-2"), ("  Möwe/../x ", "mowe-x"), ("A__b--C", "a-b-c")],
)
def test_slug(name: str, expected: str) -> None:
    assert slug(name) == expected


@given(st.text(max_size=30))
def test_slug_is_one_safe_part_of_a_path_or_refused(name: str) -> None:
    try:
        text = slug(name)
    except FolderError:
        text = "refused"
    assert text.replace("-", "").isalnum()
    assert text.isascii()
    assert Path(text).name == text


def test_times_in_names() -> None:
    # 2026-11-25T21:04:11Z is 1795640651 s after 1970-01-01 (GNU date -u -d @1795640651).
    assert utc_text(1795640651.9) == "2026-11-25T21:04:11Z"
    assert folder_name("standard", 1795640651.9) == "2026-11-25T21-04-11Z_standard"


def test_a_folder_is_never_used_twice(tmp_path: Path) -> None:
    first = new_folder(tmp_path / "runs", "Heron", "capacity", STARTED_UNIX_S)
    second = new_folder(tmp_path / "runs", "Heron", "capacity", STARTED_UNIX_S)
    assert first == tmp_path / "runs/heron/2026-11-25T21-04-11Z_capacity"
    assert second.name == "2026-11-25T21-04-11Z_capacity-2"
    assert first.is_dir()
    assert second.is_dir()


def test_a_folder_that_cannot_be_made_is_named(tmp_path: Path) -> None:
    (tmp_path / "runs").write_text("a file where a directory should be")
    with pytest.raises(FolderError, match="runs/heron"):
        new_folder(tmp_path / "runs", "Heron", "capacity", STARTED_UNIX_S)


def test_segments_count_up(tmp_path: Path) -> None:
    assert next_segment(tmp_path).name == "samples-001.csv"
    (tmp_path / "samples-001.csv").touch()
    (tmp_path / "samples-041.csv").touch()
    (tmp_path / "samples-x.csv").touch()
    assert next_segment(tmp_path).name == "samples-042.csv"


def test_json_is_replaced_whole_or_not_at_all(tmp_path: Path) -> None:
    path = tmp_path / "run.json"
    write_json(path, {"a": 1})
    with pytest.raises(FolderError, match=r"run\.json.*finite"):
        write_json(path, {"a": math.nan})
    assert json.loads(path.read_text()) == {"a": 1}
    assert [entry.name for entry in tmp_path.iterdir()] == ["run.json"]
    with pytest.raises(FolderError, match="a disk with room"):
        write_json(tmp_path / "missing" / "run.json", {})


def test_an_event_is_one_line() -> None:
    line = event_line({"seq": 0, "event": "flag", "text": "two\nlines, 23 °C"})
    assert line.count("\n") == 1
    assert json.loads(line)["text"] == "two\nlines, 23 °C"
    with pytest.raises(FolderError, match="'flag'"):
        event_line({"event": "flag", "value": math.inf})


def test_a_run_reads_back(tmp_path: Path) -> None:
    writer = short_run()
    run = read_run(writer.finish(tmp_path / "heron" / "one"))
    assert run.samples == writer.samples
    assert run.events == writer.events
    assert run.problems == []
    assert run.name == "heron/one"
    assert run.ending.how == "finished"
    assert run.ending.off_confirmed is True
    assert run.info.places == PLACES
    assert run.info.pack_name == "Heron"


def test_unknown_keys_stay_and_wrong_ones_are_named(tmp_path: Path) -> None:
    writer = short_run()
    info = writer.info(weather="fog", mass_kg="heavy", series=0, places="middle", plan=[])
    run = read_run(writer.finish(tmp_path, info))
    assert run.info.others == {"weather": "fog"}
    assert run.info.mass_kg is None
    assert run.info.rated_capacity_ah == 5.0
    assert len(run.problems) == 4
    assert any("mass_kg: found 'heavy'; a number above 0" in problem for problem in run.problems)


@pytest.mark.parametrize("text", ["", "{", "[1]", "\x00\x00", '{"a": 1'])
def test_a_broken_run_json_is_reported(tmp_path: Path, text: str) -> None:
    folder = short_run().finish(tmp_path)
    (folder / "run.json").write_text(text)
    run = read_run(folder)
    assert len(run.samples) == 4
    assert len(run.problems) == 1
    assert "run.json" in run.problems[0]


def test_missing_files_are_reported(tmp_path: Path) -> None:
    (tmp_path / "run.json").write_text("{}")
    run = read_run(tmp_path)
    assert [problem.split(":")[0] for problem in run.problems] == ["samples-001.csv", "events.jsonl"]
    assert run.ending.how == "interrupted"
    assert run.ending.off_confirmed is None
    with pytest.raises(FolderError, match="no such directory"):
        read_run(tmp_path / "nothing")


@pytest.mark.parametrize("left", ["samples-001.csv", "samples-002.csv", "events.jsonl", "reserve.bin"])
def test_a_run_that_lost_all_but_one_file_is_still_read(tmp_path: Path, left: str) -> None:
    (tmp_path / left).write_bytes(b"")
    assert any(problem.startswith("run.json: missing") for problem in read_run(tmp_path).problems)


def test_a_folder_without_anything_of_a_run_is_none(tmp_path: Path) -> None:
    (tmp_path / "notes.txt").write_text("Herons at dawn")
    (tmp_path / "heron").mkdir()
    for read in (read_run, reading.read_run):
        with pytest.raises(FolderError, match=r"no run: .* the folder that holds run\.json would be right"):
            read(tmp_path)


def test_a_file_cut_at_every_byte_keeps_its_whole_rows(tmp_path: Path) -> None:
    writer = short_run()
    folder = writer.finish(tmp_path)
    path = folder / "samples-001.csv"
    content = path.read_bytes()
    ends = [index + 1 for index, byte in enumerate(content) if byte == ord("\n")]
    for cut in range(len(content)):
        path.write_bytes(content[:cut])
        run = read_run(folder)
        whole = max(0, sum(end <= cut for end in ends) - 1)
        assert run.samples == writer.samples[:whole], cut
        torn = cut not in ends
        assert len(run.problems) == (1 if torn else 0), cut
        if torn:
            assert "torn" in run.problems[0]


def test_events_cut_at_every_byte_keep_whole_events(tmp_path: Path) -> None:
    writer = short_run()
    folder = writer.finish(tmp_path)
    path = folder / "events.jsonl"
    content = path.read_bytes()
    ends = [index + 1 for index, byte in enumerate(content) if byte == ord("\n")]
    for cut in range(len(content)):
        path.write_bytes(content[:cut])
        run = read_run(folder)
        assert run.events == writer.events[: sum(end <= cut for end in ends)], cut
        assert bool(run.problems) == (cut not in ends), cut
        assert run.ending.how == "interrupted"


@settings(max_examples=60)
@given(at=st.integers(0, 2000), junk=st.binary(max_size=40), length=st.integers(0, 60))
def test_junk_anywhere_never_raises_and_is_never_silent(
    tmp_path_factory: pytest.TempPathFactory, at: int, junk: bytes, length: int
) -> None:
    folder = short_run().finish(tmp_path_factory.mktemp("run"))
    path = folder / "samples-001.csv"
    content = path.read_bytes()
    at = min(at, len(content))
    path.write_bytes(content[:at] + junk + content[at + length :])
    run = read_run(folder)
    written = short_run().samples
    # A digit that became another digit cannot be seen; every row that reads is a whole row with its sequence.
    assert len(run.samples) == len(written) or run.problems
    shutil.rmtree(folder)


def put_segment(folder: Path, number: int, samples: list[Sample]) -> None:
    text = header(6, PLACES) + "".join(row(sample) for sample in samples)
    (folder / segment_name(number)).write_text(text)


def test_segments_join_and_gaps_are_named(tmp_path: Path) -> None:
    writer = Writer()
    writer.begin("rest")
    writer.rest(10)
    folder = writer.finish(tmp_path)
    put_segment(folder, 1, writer.samples[:3])
    put_segment(folder, 2, writer.samples[3:6])
    assert read_run(folder).samples == writer.samples[:6]
    assert read_run(folder).problems == []
    put_segment(folder, 4, writer.samples[8:])
    run = read_run(folder)
    assert len(run.samples) == 8
    assert run.problems == [
        "samples-004.csv: the segment before it is missing",
        "samples-004.csv, line 2: samples 6 to 7 are missing",
    ]


def test_repeated_and_unreadable_rows_are_left_out_and_named(tmp_path: Path) -> None:
    writer = short_run()
    folder = writer.finish(tmp_path)
    rows = [row(sample) for sample in writer.samples]
    (folder / "samples-001.csv").write_text(header(6, PLACES) + rows[0] + rows[0] + "\0\0\0\n" + "".join(rows[1:]))
    run = read_run(folder)
    assert run.samples == writer.samples
    assert len(run.problems) == 1
    assert "2 rows left out: line 3: sample 0 stands after 0; line 4" in run.problems[0]


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("nonsense\n", 'an object with an "event"'),
        ("[]\n", '"event"'),
        ('{"seq": 99, "event": "x"}\n', "99 stands after"),
    ],
)
def test_events_out_of_order_are_named(tmp_path: Path, line: str, words: str) -> None:
    writer = short_run()
    folder = writer.finish(tmp_path)
    with (folder / "events.jsonl").open("a") as file:
        file.write(line)
    run = read_run(folder)
    assert words in run.problems[0]
    assert run.ending.how == "finished"


def test_steps_are_samples_of_one_count(tmp_path: Path) -> None:
    writer = short_run()
    writer.begin("discharge")
    writer.draw(current_a=5.0, at_most_s=3.0)
    run = read_run(writer.finish(tmp_path))
    steps: list[Any] = [(step.count, step.kind, len(step.samples)) for step in run.steps()]
    assert steps == [(1, "rest", 4), (2, "discharge", 4)]


def test_info_is_written_readable(tmp_path: Path) -> None:
    write_info(tmp_path, {"bench": "boat shed", "places": ["middle"]})
    assert read_run(tmp_path).info.bench == "boat shed"


def spread(writer: Writer, folder: Path, *, cut_at: int, again: int) -> Path:
    """Let a run's last rows and events stand in the reserve, some of them a second time."""
    writer.finish(folder)
    rows = [row(sample) for sample in writer.samples]
    lines = (folder / "events.jsonl").read_text().splitlines(keepends=True)
    (folder / "samples-001.csv").write_text(header(6, PLACES) + "".join(rows[:cut_at]))
    (folder / "events.jsonl").write_text("".join(lines[:2]))
    reserve = header(6, PLACES) + "".join(rows[cut_at - again :]) + "".join(lines[1:])
    (folder / "reserve.bin").write_bytes(reserve.encode() + bytes(5000))
    return folder


def test_what_stands_in_the_reserve_is_read_as_a_further_segment(tmp_path: Path) -> None:
    """Fault 42: rows and events of a full disk; what stands twice counts once."""
    writer = short_run()
    run = read_run(spread(writer, tmp_path, cut_at=2, again=1))
    assert run.samples == writer.samples
    assert run.events == writer.events
    assert run.problems == []


def test_a_reserve_that_nobody_needed_says_nothing(tmp_path: Path) -> None:
    writer = short_run()
    folder = writer.finish(tmp_path)
    for content in (b"", bytes(5000), header(6, PLACES).encode() + bytes(5000)):
        (folder / "reserve.bin").write_bytes(content)
        run = read_run(folder)
        assert (run.samples, run.events, run.problems) == (writer.samples, writer.events, [])
        drop_unused_reserve(folder)
        assert not (folder / "reserve.bin").exists()


def test_the_zeros_of_a_reserve_are_never_held_in_memory(tmp_path: Path) -> None:
    """What watches a run reads its folder again and again; what stands behind a long hole is found all the same."""
    writer = short_run()
    folder = spread(writer, tmp_path, cut_at=2, again=1)
    path = folder / "reserve.bin"
    written = path.read_bytes().rstrip(b"\0")
    at = written.index(b"\n") + 1
    path.write_bytes(written[:at] + bytes(1_000_000) + b"\n" + written[at:] + bytes(16_000_000))
    read_run(folder)
    tracemalloc.start()
    try:
        run = read_run(folder)
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert run.samples == writer.samples
    assert any("holes" in problem for problem in run.problems)
    assert peak < 1_000_000


def test_a_reserve_cut_or_zeroed_at_every_byte_keeps_its_whole_lines(tmp_path: Path) -> None:
    """A power cut leaves the head of what was written, and zeros or nothing behind it."""
    writer = short_run()
    folder = spread(writer, tmp_path, cut_at=2, again=1)
    path = folder / "reserve.bin"
    content = path.read_bytes().rstrip(b"\0")
    ends = [index + 1 for index, byte in enumerate(content) if byte == ord("\n")]
    head = content.index(b"\n") + 1
    for cut in range(len(content) + 1):
        path.write_bytes(content[:cut] + bytes(len(content) - cut))
        run = read_run(folder)
        rows = min(sum(head < end <= cut for end in ends), len(writer.samples) - 1)
        assert run.samples == writer.samples[: max(2, 1 + rows)], cut
        assert run.events == writer.events[: len(run.events)]
        assert len(run.events) >= 2
        assert bool(run.problems) == (cut > 0 and cut not in ends), cut
        drop_unused_reserve(folder)
        assert path.exists() == (cut > head or (0 < cut < head)), cut


@settings(max_examples=60)
@given(at=st.integers(0, 3000), length=st.integers(1, 600))
def test_holes_in_a_reserve_lose_only_the_lines_they_touch(
    tmp_path_factory: pytest.TempPathFactory, at: int, length: int
) -> None:
    """Pages that had not reached the disk read as zeros between others that had."""
    writer = short_run()
    folder = spread(writer, tmp_path_factory.mktemp("run"), cut_at=2, again=0)
    path = folder / "reserve.bin"
    content = path.read_bytes().rstrip(b"\0")
    at = len(header(6, PLACES)) + at % (len(content) - len(header(6, PLACES)))
    holed = content[:at] + bytes(min(length, len(content) - at)) + content[at + length :]
    path.write_bytes(holed)
    run = read_run(folder)
    kept = {line for line in holed.decode().split("\n") if "\0" not in line}
    assert [sample for sample in writer.samples[2:] if row(sample).rstrip() in kept] == run.samples[2:]
    assert all(sample in writer.samples for sample in run.samples)
    # Zeros from a line's end to the very end are what was never written: nobody can tell.
    left = holed.rstrip(b"\0")
    assert run.problems or (content.startswith(left) and left.endswith(b"\n"))
    shutil.rmtree(folder)


def test_a_next_segment_repeats_what_the_one_before_was_not_sure_of(tmp_path: Path) -> None:
    """Fault 44: first come, first read; a number with two contents is named."""
    writer = short_run()
    folder = writer.finish(tmp_path)
    put_segment(folder, 1, writer.samples[:3])
    put_segment(folder, 2, writer.samples[1:])
    assert read_run(folder).samples == writer.samples
    assert read_run(folder).problems == []
    put_segment(folder, 2, [replace(writer.samples[2], voltage_v=1.0), *writer.samples[3:]])
    run = read_run(folder)
    assert run.samples == writer.samples
    assert run.problems == [
        "samples-002.csv, line 2: sample 2 differs from the one at samples-001.csv, line 4, which counts"
    ]


def test_events_go_on_in_a_next_file(tmp_path: Path) -> None:
    writer = short_run()
    folder = writer.finish(tmp_path)
    lines = (folder / "events.jsonl").read_text().splitlines(keepends=True)
    (folder / "events.jsonl").write_text("".join(lines[:2]))
    (folder / events_name(2)).write_text("".join(lines[1:]))
    run = read_run(folder)
    assert (run.events, run.problems) == (writer.events, [])


@pytest.mark.parametrize(
    ("event", "reason"),
    [
        ({"event": "tripped", "reason": "group 3 at 2.4 V"}, "tripped: group 3 at 2.4 V"),
        (
            {"event": "record_failed", "file": "samples-001.csv", "why": "cannot be written: No space left on device"},
            "samples-001.csv cannot be written: No space left on device",
        ),
    ],
)
def test_an_interruption_names_what_came_before_it(tmp_path: Path, event: dict[str, Any], reason: str) -> None:
    folder = short_run().finish(tmp_path)
    lines = (folder / "events.jsonl").read_text().splitlines(keepends=True)[:-1]
    (folder / "events.jsonl").write_text("".join(lines) + event_line({"seq": len(lines), **event}))
    ending = read_run(folder).ending
    assert ending.how == "interrupted"
    assert ending.why.endswith(f"after this: {reason}")
