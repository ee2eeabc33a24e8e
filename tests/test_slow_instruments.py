"""Instruments that answer slowly: either a whole run goes well with them, or it is refused before anything flows."""

import asyncio
import re
import signal
from collections.abc import Callable, Iterator
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchwarden.daemon.guardian import SILENCE_S
from benchwarden.daemon.running.conductor import FIRST_LOOK_OVER_S
from benchwarden.drivers.line import LineSilent
from benchwarden.drivers.memory import MemoryLine
from benchwarden.profiles.preflight import Pace, keeps_pace
from benchwarden.results.sample import Sample
from benchwarden.simulators.load import LoadDevice
from benchwarden.simulators.start import SimulatedBench
from benchwarden.simulators.supply import SupplyDevice
from tests.nth_fault import ROUNDS, charge_is_right, without_watch
from tests.proxy import Proxy, before_address
from tests.shed import Shed, on_and_sampled, wait_for
from tests.test_bay_faults import WAY_TO_OFF_S, device
from tests.virtual_bench import Done, on_virtual_time, run_test

# Twelve questions of 0.4 s, each behind one of the beat's.
LOOKED_OVER_S = 12 * 2 * 0.4


class SlowLine(MemoryLine):
    """A line whose instrument takes its time for every answer."""

    instant = False
    answer_s = 0.0

    async def ask(self, text: str, timeout_s: float) -> str:
        reply = await super().ask(text, timeout_s)
        await asyncio.sleep(min(self.answer_s, timeout_s))
        if self.answer_s > timeout_s:
            raise LineSilent(f"{self._name}: no reply to {text!r} within {timeout_s:g} s")
        return reply


def with_timeout(text: str) -> str:
    """Return a bench file in which every instrument may take a second."""
    return text.replace("{ at = ", '{ timeout = "1 s", at = ')


def slow_round(
    folder: Path,
    monkeypatch: pytest.MonkeyPatch,
    name: str,
    answer_s: float,
    *,
    patient: bool = False,
    each: Callable[[SimulatedBench, Sample], None] = lambda bench, sample: None,
) -> Done:
    monkeypatch.setattr("benchwarden.drivers.address.MemoryLine", SlowLine)
    monkeypatch.setattr(SlowLine, "answer_s", answer_s)
    one = ROUNDS[name]
    return on_virtual_time(
        run_test(
            folder,
            one.bay,
            one.pack,
            one.profile,
            soc=one.soc,
            each=each,
            change_plan=without_watch,
            change_bench=with_timeout if patient else lambda text: text,
        )
    )


@pytest.mark.parametrize("name", ROUNDS)
@pytest.mark.parametrize(("answer_s", "patient"), [(0.1, False), (0.4, False), (0.42, True)])
def test_a_run_goes_well_if_every_instrument_is_slow(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str, answer_s: float, patient: bool
) -> None:
    """Nothing trips while it is switched or read back, and the guardian hears of the bay in time all along."""
    done = slow_round(tmp_path, monkeypatch, name, answer_s, patient=patient)
    assert done.ending.how == ("stopped" if name == "bottom" else "finished"), done.ending
    assert done.off_confirmed
    beats_s = [time_s for _, time_s, _ in done.guardian.beats]
    assert max(later - earlier for earlier, later in pairwise(beats_s)) < SILENCE_S
    assert charge_is_right(done, name) or answer_s < 0.4  # at an edge nobody can know, and it says so
    assert list(done.run.events_named("missed")) == []


@pytest.mark.parametrize("output", ["load", "supply"])
def test_what_somebody_changes_at_a_slow_instrument_is_found_all_the_same(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, output: str
) -> None:
    """Faults 20 and 21. The supply's set-points follow the highest group meanwhile: that is nobody's doing but ours."""
    changed_s: list[float] = []

    def change(bench: SimulatedBench, sample: Sample) -> None:
        if sample.output != output or changed_s:
            return
        changed_s.append(bench.now())
        if output == "load":
            load = device(bench, "load")
            assert isinstance(load, LoadDevice)
            load.state.over_power_on = False
        else:
            supply = device(bench, "supply")
            assert isinstance(supply, SupplyDevice)
            supply.state.over_voltage_v = 66.0

    done = slow_round(tmp_path, monkeypatch, "top", 0.4, each=change)
    assert done.ending.how == "tripped"
    words = "POWer:PROTection:STATe\\?" if output == "load" else "PROTection\\? reads back 66"
    assert re.search(f"changed at the instrument: left {output} at .*{words}", done.ending.why), done.ending
    off_s = max(time_s for time_s, what in done.journal if what.endswith(" off"))
    assert off_s - changed_s[0] <= FIRST_LOOK_OVER_S + LOOKED_OVER_S + 1.0 + WAY_TO_OFF_S


@pytest.mark.parametrize("name", ROUNDS)
def test_an_instrument_at_the_edge_of_its_timeout_is_refused_before_anything_flows(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    done = slow_round(tmp_path, monkeypatch, name, 0.48)
    assert done.ending.how == "tripped"
    words = 'load answers after 0.48 s, and counts as silent after 0.5 s: .*timeout = "1 s" in its entry'
    assert re.search(words, done.ending.why)
    assert done.whole_journal == []


def test_an_instrument_that_cannot_be_asked_often_enough_is_refused_before_anything_flows(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    done = slow_round(tmp_path, monkeypatch, "top", 0.85, patient=True)
    assert done.ending.how == "tripped"
    words = "load answers after 0.85 s and is asked every 1 s: a reading would be up to 3.2 s old, allowed 3 s"
    assert words in done.ending.why
    assert done.whole_journal == []


@pytest.mark.parametrize(
    ("pace", "said"),
    [
        (Pace("left load", 0.0, 0.5, 1.0, 3.0, drives=True), ""),
        (Pace("left load", 0.45, 0.5, 1.0, 3.0, drives=True), ""),
        (Pace("left load", 0.46, 0.5, 1.0, 3.0, drives=True), "counts as silent after 0.5 s"),
        (Pace("left load", 0.95, 1.0, 1.0, 9.0, drives=True), "a faster line"),
        (Pace("left load", 0.75, 1.0, 1.0, 3.0, drives=True), ""),
        (Pace("left load", 0.76, 1.0, 1.0, 3.0, drives=True), "up to 3.0 s old"),
        (Pace("left cells", 0.76, 1.0, 1.0, 3.0), ""),
        (Pace("left temperature", 0.8, 1.0, 9.0, 10.0), "up to 10.6 s old"),
        (Pace("left load", 0.42, 1.0, 1.0, 3.0, drives=True, pulse_spare_s=3.0), ""),
        (Pace("left load", 0.43, 1.0, 1.0, 3.0, drives=True, pulse_spare_s=3.0), "timer would end a test pulse"),
        (Pace("left load", 0.25, 0.5, 1.0, 3.0, drives=True, burst_blind_s=0.5), ""),
        (Pace("left load", 0.26, 0.5, 1.0, 3.0, drives=True, burst_blind_s=0.5), "no timer of its own"),
    ],
)
def test_which_pace_is_enough(pace: Pace, said: str) -> None:
    found = keeps_pace(pace)
    assert len(found) == bool(said)
    assert said in "".join(found)
    assert all(pace.who in words and "right" in words for words in found)


@given(st.floats(0.0, 1.0), st.floats(0.0, 1.0))
def test_whoever_answers_faster_is_never_refused_for_more(one_s: float, other_s: float) -> None:
    slower, faster = max(one_s, other_s), min(one_s, other_s)
    judged = [
        keeps_pace(Pace("left load", answer_s, 0.5, 1.0, 3.0, drives=True, pulse_spare_s=3.0, burst_blind_s=0.5))
        for answer_s in (faster, slower)
    ]
    assert len(judged[0]) <= len(judged[1])


def test_one_hesitation_is_no_reason(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A reading that took long once, before anything flows, is taken again."""
    hesitated: list[str] = []

    class HesitantLine(SlowLine):
        async def ask(self, text: str, timeout_s: float) -> str:
            reply = await super().ask(text, timeout_s)
            if text.startswith("MEASure") and not hesitated:
                hesitated.append(text)
                await asyncio.sleep(0.48)
            return reply

    def nothing(bench: SimulatedBench) -> None:
        hesitated.clear()

    one = ROUNDS["top"]
    monkeypatch.setattr("benchwarden.drivers.address.MemoryLine", HesitantLine)
    done = on_virtual_time(
        run_test(tmp_path, one.bay, one.pack, one.profile, soc=one.soc, change_plan=without_watch, before=nothing)
    )
    assert hesitated
    assert done.ending.how == "finished", done.ending


@pytest.fixture
def slow_load(tmp_path: Path) -> Iterator[tuple[Shed, Proxy]]:
    """A bench whose left load answers through a proxy, and may take a second."""
    shed = Shed(tmp_path)
    address = shed.loads["left"][0]["at"]
    proxy = before_address(address)
    text = shed.bench.read_text()
    shed.bench.write_text(text.replace(f'at = "{address}"', f'timeout = "1 s", at = "{proxy.address}"'))
    assert proxy.address in shed.bench.read_text()
    try:
        yield shed, proxy
    finally:
        proxy.close()
        shed.close()


@pytest.mark.realtime
def test_a_load_behind_too_slow_a_wire_is_refused(slow_load: tuple[Shed, Proxy]) -> None:
    shed, proxy = slow_load
    proxy.faults.delay_s = 0.6
    running = shed.run()
    heard = "".join(running.communicate(timeout=60))
    assert running.returncode == 1
    # On a machine that is busy with other things an answer may come even later: refused all the same, in other words.
    assert re.search(r"left load answers after 0\.\d+ s: its own timer would end a test pulse|no reply to", heard)
    assert not shed.is_on()


@pytest.mark.realtime
@pytest.mark.endure
def test_a_load_behind_a_slow_wire_is_used(slow_load: tuple[Shed, Proxy]) -> None:
    shed, proxy = slow_load
    proxy.faults.delay_s = 0.4
    running = shed.run()
    try:
        wait_for(lambda: running.poll() is not None or on_and_sampled(shed), 90)
        assert running.poll() is None
    finally:
        running.send_signal(signal.SIGTERM)
        heard = "".join(running.communicate(timeout=60))
    assert running.returncode == 3, heard
    assert "off confirmed" in heard
    assert not shed.is_on()
