"""What people see: one line per bay, pure; and a thread that a frozen terminal cannot make anybody wait for."""

import os
import sys
import time
from collections.abc import Iterator
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchwarden.daemon.bench import read_bench
from benchwarden.daemon.running.progress import HEADER, Progress, View, left_s, line
from benchwarden.profiles.pack import read_pack
from benchwarden.profiles.plan import Plan, work_out
from benchwarden.profiles.profile import read_profile
from benchwarden.profiles.shipped import library_text
from benchwarden.results.sample import Sample
from tests.test_bay_faults import HERON
from tests.test_bench import BENCH

SAMPLE = Sample(
    sequence=42,
    test_time_s=60.0,
    unix_time_s=1.8e9,
    step_count=3,
    step_type="discharge",
    step_time_s=60.0,
    phase="discharge",
    output="load",
    voltage_v=20.512,
    current_a=-26.34,
    groups_v=(3.4,) * 6,
    temperatures_c=(31.4, None, 24.0),
    charging_ah=4.987,
    discharging_ah=0.4391,
    charging_wh=120.0,
    discharging_wh=9.04,
    groups_age_s=0.1,
    temperatures_age_s=1.0,
)
VIEW = View("Heron", 9, SAMPLE, 7 * 3600 + 5 * 60 + 59.0)


@pytest.fixture(scope="module")
def plan() -> Plan:
    bay = read_bench(BENCH, "bench.toml").bay[0]
    return work_out(read_profile(library_text("standard"), "standard"), read_pack(HERON), bay.abilities())


def test_a_line_says_where_a_bay_is() -> None:
    words = line("left", VIEW).split()
    assert words == [
        "left", "Heron", "3/9", "discharge", "20.51", "-26.3", "31", "0.439", "9.0", "4.987", "7", "h", "05",
    ]  # fmt: skip
    assert len(HEADER) <= 79


def test_what_is_not_known_is_a_dash() -> None:
    shown = line("left", replace(VIEW, sample=replace(SAMPLE, voltage_v=None, current_a=None, temperatures_c=(None,))))
    assert shown.split()[4:7] == ["-", "-", "-"]
    assert len(shown) == len(line("left", VIEW))


def test_how_it_ended_replaces_the_time_left() -> None:
    assert line("left", replace(VIEW, ended="tripped")).endswith("  tripped")


@given(
    st.text(max_size=30),
    st.floats(-1e6, 1e9),
    st.none() | st.floats(-99.0, 999.0),
    st.none() | st.floats(-999.0, 999.0),
    st.sampled_from(["", "finished", "tripped", "stopped"]),
)
def test_a_line_never_wraps(
    bay: str, left: float, voltage_v: float | None, current_a: float | None, ended: str
) -> None:
    sample = replace(SAMPLE, voltage_v=voltage_v, current_a=current_a)
    assert len(line(bay, View("A pack with a long name", 9, sample, left, ended))) <= 79


def test_time_left_goes_down_to_nothing(plan: Plan) -> None:
    assert left_s(plan, replace(SAMPLE, step_count=1, step_time_s=0.0)) == pytest.approx(plan.estimate_s)
    last = plan.steps[-1]
    assert left_s(plan, replace(SAMPLE, step_count=last.number, step_time_s=last.estimate_s + 100.0)) == 0.0


def test_a_step_that_takes_longer_than_estimated_takes_nothing_from_the_next(plan: Plan) -> None:
    first, rest_s = plan.steps[0], sum(step.estimate_s for step in plan.steps[1:])
    for late_s in (first.estimate_s, first.estimate_s + 1.0, 10 * first.estimate_s):
        assert left_s(plan, replace(SAMPLE, step_count=1, step_time_s=late_s)) == pytest.approx(rest_s)
    earlier = left_s(plan, replace(SAMPLE, step_count=1, step_time_s=first.estimate_s - 60.0))
    assert earlier == pytest.approx(rest_s + 60.0)


def test_notes_and_lines_are_printed_at_the_end_at_the_latest(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("benchwarden.daemon.running.progress.LAST_WORDS_S", 60.0)
    progress = Progress()
    progress.note("left: a note")
    progress.show("right", VIEW)
    progress.show("left", VIEW)
    progress.end("left", "finished")
    progress.end("attic", "finished")  # a bay that never showed anything
    progress.close()
    lines = capsys.readouterr().out.splitlines()
    assert lines[0] == "left: a note"
    assert lines[-3:] == [HEADER, line("left", replace(VIEW, ended="finished")), line("right", VIEW)]


@pytest.fixture
def full_pipe(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Standard output is a pipe that nobody reads and that is full."""
    near, far = os.pipe()
    os.set_blocking(far, False)
    try:
        while True:
            os.write(far, b"x" * 4096)
    except BlockingIOError:
        os.set_blocking(far, True)
    with os.fdopen(far, "w") as stream:
        monkeypatch.setattr(sys, "stdout", stream)
        yield
        monkeypatch.undo()
        os.set_blocking(near, False)
        try:
            while os.read(near, 1 << 20):
                pass
        except BlockingIOError:
            pass
        os.close(near)


@pytest.mark.usefixtures("full_pipe")
def test_a_terminal_that_takes_nothing_holds_nobody_up() -> None:
    progress = Progress()
    began = time.monotonic()
    for n in range(1000):
        progress.show("left", VIEW)
        progress.note(f"note {n}")
    assert time.monotonic() - began < 10.0  # whoever waited for it would wait for ever
    progress.close()
    assert time.monotonic() - began < 30.0


def test_a_closed_terminal_ends_the_thread_only(monkeypatch: pytest.MonkeyPatch) -> None:
    near, far = os.pipe()
    os.close(near)
    with os.fdopen(far, "w", buffering=1) as stream:
        monkeypatch.setattr(sys, "stdout", stream)
        progress = Progress()
        progress.note("to nobody")
        progress.show("left", VIEW)
        progress.close()
        progress.show("left", VIEW)  # still harmless
        monkeypatch.undo()
        os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())  # what is left in the buffer goes nowhere
