"""A contactor between pack and instruments: held closed each second, and open as soon as nobody does."""

import base64
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path

import pytest

from benchwarden.daemon.bench import read_bench
from benchwarden.daemon.commands.show_plan import as_text
from benchwarden.daemon.guard.contactor import Contactor
from benchwarden.daemon.planning.jobs import prepare
from benchwarden.profiles.mistakes import FileMistakes
from benchwarden.results.sample import Sample
from benchwarden.simulators.contactor import ContactorDevice
from benchwarden.simulators.scenario import demo_bench, heron, simple
from benchwarden.simulators.start import SimulatedBench
from benchwarden.simulators.wiring import Bay, SupplyState
from tests.shed import ENVIRONMENT, PACK, PROFILE, SOON, Shed, let_recover, wait_for
from tests.test_bench import BENCH
from tests.virtual_bench import Done, StandInGuardian, on_virtual_time, run_test

CONTACTOR = 'contactor = { at = "TCPIP::192.0.2.14::5025::SOCKET", renew = "HOLD 2", open = "OPEN" }\n'


# The simulated one, and what opening it does to the bay.


def bay_with_contactor() -> Bay:
    return Bay(heron(), loads=simple(heron()).loads, supply=SupplyState(), contactor=True)


def test_open_at_first_closed_for_a_while_and_open_again() -> None:
    bay = bay_with_contactor()
    now = [0.0]
    device = ContactorDevice(bay, serial="C1", firmware="0", now=lambda: now[0])
    assert device.handle("STAT?") == "0"
    assert device.handle("HOLD 2") is None
    assert device.handle("STATe?") == "1"
    now[0] = 1.5
    device.handle("hold 2")  # renewed in time
    now[0] = 3.0
    assert device.handle("STAT?;:HOLD?") == "1;0.500"
    now[0] = 10.0
    assert device.handle("STAT?") == "0"
    assert bay.journal == [(0.0, "contactor closed"), (3.5, "contactor open")]
    device.handle("HOLD 5;OPEN")
    assert device.handle("STAT?") == "0"
    assert device.handle("HOLD 3600;:SYST:ERR?").startswith("-222")  # type: ignore[union-attr]


def test_an_open_contactor_shows_the_instruments_no_pack() -> None:
    bay = bay_with_contactor()
    bay.loads[0].current_a = 10.0
    bay.switch_load(0, True, 0.0)
    assert (bay.load_voltage_v(0), bay.load_current_a(0), bay.pack_voltage_v()) == (0.0, 0.0, 0.0)
    assert min(bay.groups_v()) > 3.0  # the balance taps lie on the pack's side
    bay.hold_contactor(2.0, 0.0)
    assert bay.load_current_a(0) == pytest.approx(10.0)
    assert bay.load_voltage_v(0) > 18.0
    bay.advance(5.0)
    assert bay.load_current_a(0) == bay.pack_current_a() == 0.0
    assert bay.witness.discharged_ah == pytest.approx(10.0 * 2.0 / 3600.0, rel=1e-6)  # two seconds, not five
    bay.switch_load(0, False, 5.0)
    assert bay.supply is not None
    bay.supply.voltage_v, bay.supply.current_a = 25.0, 5.0
    bay.switch_supply(True, 5.0)
    assert (bay.supply_voltage_v(), bay.supply_current_a(), bay.pack_current_a()) == (25.0, 0.0, 0.0)


def test_a_bay_without_one_refuses_to_hold_it() -> None:
    with pytest.raises(ValueError, match="found no contactor"):
        simple(heron()).hold_contactor(1.0, 0.0)


# The bench file, the plan, and what the guardian is handed.


def test_the_bench_file_names_it_and_the_guardian_gets_bytes() -> None:
    [bay] = read_bench(BENCH + CONTACTOR, "bench.toml").bay
    assert bay.contactor is not None
    entry = bay.contactor.for_guardian("left")
    assert (entry["name"], entry["address"]) == ("left contactor", "TCPIP::192.0.2.14::5025::SOCKET")
    assert base64.b64decode(str(entry["renew"])) == b"HOLD 2\n"
    assert base64.b64decode(str(entry["open"])) == b"OPEN\n"
    assert "contactor" not in bay.entries  # no driver ever speaks to it


@pytest.mark.parametrize(
    ("old", "new", "mistake"),
    [
        ("TCPIP::192.0.2.14::5025::SOCKET", "USB0::1::2::3::INSTR", "bay.1.contactor.at"),
        ("192.0.2.14", "192.0.2.10", "addresses used twice"),
        ('"HOLD 2"', '"HOLD 2\\n"', "contactor.renew"),
        ('renew = "HOLD 2", ', "", "contactor.renew"),
        ("renew", "hold", "contactor.hold"),
    ],
)
def test_mistakes_in_it_are_named(old: str, new: str, mistake: str) -> None:
    with pytest.raises(FileMistakes) as found:
        read_bench(BENCH + CONTACTOR.replace(old, new), "bench.toml")
    said = " ".join(found.value.mistakes).replace("[[bay]] 1: ", "bay.1.").replace("left.", "")
    assert mistake.rpartition(".")[2] in said


def test_the_plan_shows_it(tmp_path: Path) -> None:
    (tmp_path / "pack.toml").write_text(PACK)
    (tmp_path / "draw.toml").write_text(PROFILE)
    bench = read_bench(BENCH + CONTACTOR, "bench.toml")
    jobs = prepare(bench, tmp_path / "bench.toml", str(tmp_path / "draw.toml"), {"left": tmp_path / "pack.toml"})
    shown = " ".join(as_text(jobs, tmp_path / "bench.toml").split())
    assert "contactor at TCPIP::192.0.2.14::5025::SOCKET: held by 'HOLD 2' each second; opens it by 'OPEN'" in shown


# A run on virtual time: the stand-in holds the contactor at each sign of life.


class Holding(StandInGuardian):
    """Holds the bay's contactor for two seconds at each beat, for as long as `until` allows."""

    bench: SimulatedBench
    beats_left: float = float("inf")
    handed: object = None

    def hold(self) -> None:
        if self.beats_left > 0:
            self.beats_left -= 1
            [bay] = self.bench.bays.values()
            bay.hold_contactor(3.0, self.bench.now())

    async def arm(self, bay: str, off: Sequence[Mapping[str, object]], contactor: object = None) -> None:
        await super().arm(bay, off, contactor)
        self.handed = contactor
        [wired] = self.bench.bays.values()
        wired.hold_contactor(10.0, self.bench.now())


def run_with(guardian: Holding, folder: Path, profile: str) -> tuple[str, str, bool, list[tuple[float, str]]]:
    def before(bench: SimulatedBench) -> None:
        guardian.bench = bench

    guardian.on_beat = guardian.hold
    scenario = demo_bench()[0].with_contactor()
    done = on_virtual_time(
        run_test(folder, scenario, PACK, profile, soc=0.5, before=before, guardian=guardian, sockets=False)
    )
    return done.ending.how, done.ending.why, done.off_confirmed, done.whole_journal


def test_a_run_sees_the_pack_only_behind_a_closed_contactor(tmp_path: Path) -> None:
    guardian = Holding()
    how, why, confirmed, journal = run_with(guardian, tmp_path, PROFILE)
    assert (how, confirmed) == ("finished", True), why
    assert isinstance(guardian.handed, Mapping)
    assert guardian.handed["name"] == "left contactor"
    assert journal[0][1] == "contactor closed"  # before anything was switched on


def test_a_contactor_that_opens_in_a_run_trips_the_bay(tmp_path: Path) -> None:
    """Fault 35: the guardian fell silent towards the contactor only."""
    guardian = Holding()
    guardian.beats_left = 110  # the checks give some eighty
    how, _, confirmed, journal = run_with(guardian, tmp_path, PROFILE)
    assert (how, confirmed) == ("tripped", True)
    opened_s = next(at_s for at_s, what in journal if what == "contactor open")
    off_s = next(at_s for at_s, what in journal if what == "load 1 off" and at_s >= opened_s)
    assert 0.0 <= off_s - opened_s < 2.0


class Releasing(Holding):
    """Opens the contactor when it is told that the bay is off."""

    def disarm(self, bay: str, currents_a: Mapping[str, float | None]) -> None:
        super().disarm(bay, currents_a)
        [wired] = self.bench.bays.values()
        wired.hold_contactor(0.0, self.bench.now())


def run_releasing(guardian: Releasing, folder: Path, each: Callable[[SimulatedBench, Sample], None]) -> Done:
    def before(bench: SimulatedBench) -> None:
        guardian.bench = bench

    guardian.on_beat = guardian.hold
    scenario = demo_bench()[0].with_contactor()
    work = run_test(folder, scenario, PACK, PROFILE, soc=0.5, before=before, each=each, guardian=guardian)
    return on_virtual_time(work)


def test_the_contactor_that_the_guardian_lets_go_after_a_trip_is_no_open_path(tmp_path: Path) -> None:
    """What is said after a trip must be true: the guardian itself has opened the path then."""

    def each(bench: SimulatedBench, sample: Sample) -> None:
        if sample.output == "load":
            bench.instruments["left/temperature"].endpoint.faults.garbage = "-127.0,-127.0,-127.0"

    done = run_releasing(Releasing(), tmp_path, each)
    assert (done.ending.how, done.off_confirmed) == ("tripped", True)
    assert "path to the pack" not in done.ending.why
    assert done.whole_journal[-1][1] == "contactor open"


def test_slow_meters_do_not_look_like_a_dead_program(tmp_path: Path) -> None:
    """From arming on the guardian hears of the bay after each instrument, not after all: five may take five seconds."""
    guardian = Releasing()
    done = run_releasing(guardian, tmp_path, lambda bench, sample: None)
    assert done.ending.how == "finished", done.ending
    before = next(number for number, (_, _, on) in enumerate(guardian.beats) if on)
    looks = 3  # the first look, the one that is judged, and the one before the pulse
    assert before >= looks * len(("load", "supply", "cells", "temperature", "voltmeter")) + 3  # and on the way to on


# Real processes and seconds.

SIMULATE = """
import sys
from pathlib import Path
from benchwarden.simulators.start import demo_bench, simulate
simulate(Path(sys.argv[1]), scenario=[demo_bench()[0].with_contactor()])
"""


class ShedWithContactor(Shed):
    """The same shed with a contactor in its left bay."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.bench = folder, folder / "bench.toml"
        (folder / "pack.toml").write_text(PACK)
        (folder / "draw.toml").write_text(PROFILE)
        command = [sys.executable, "-c", SIMULATE, str(self.bench)]
        self.process = subprocess.Popen(command, env=ENVIRONMENT, cwd=folder, stdout=subprocess.DEVNULL)
        wait_for(lambda: self.bench.exists() and self.bench.stat().st_size, 20)
        let_recover(self.bench, SOON)
        [entry] = read_bench(self.bench.read_text(), "bench.toml").bay
        assert entry.contactor is not None
        self.loads = {"left": [{"at": entry.loads[0].at}]}
        self.contactor = entry.contactor.at

    def is_closed(self) -> bool:
        return self.ask(self.contactor, "STAT?") == "1"


@pytest.fixture
def shed(tmp_path: Path) -> Iterator[ShedWithContactor]:
    made = ShedWithContactor(tmp_path)
    yield made
    made.close()


@pytest.mark.realtime
def test_silence_opens_it_and_a_word_does_at_once(shed: ShedWithContactor) -> None:
    [entry] = read_bench(shed.bench.read_text(), "bench.toml").bay
    assert entry.contactor is not None
    contactor = Contactor(entry.contactor.for_guardian("left"))
    contactor.renew()
    wait_for(shed.is_closed, 60)
    contactor.release()
    wait_for(lambda: not shed.is_closed(), 60)
    contactor = Contactor(entry.contactor.for_guardian("left"))
    contactor.renew()
    wait_for(shed.is_closed, 60)
    began_s = time.monotonic()
    wait_for(lambda: not shed.is_closed(), 60)
    assert time.monotonic() - began_s > 1.0
    contactor.release()


@pytest.mark.realtime
def test_a_frozen_guardian_opens_it(shed: ShedWithContactor) -> None:
    """Fault 35: a guardian that no longer lives holds nothing closed, and the worker then switches off."""
    running = shed.run()
    try:
        wait_for(lambda: shed.is_on() and shed.drawn_a() > 5.0, 30)
        os.kill(running.pid, signal.SIGSTOP)
        frozen_s = time.monotonic()
        wait_for(lambda: not shed.is_closed(), 60)
        assert time.monotonic() - frozen_s < 10.0
        assert shed.drawn_a() < 0.05
        wait_for(lambda: not shed.is_on(), 60)  # the worker's own doing
    finally:
        os.kill(running.pid, signal.SIGCONT)
        _, said = running.communicate(timeout=60)  # its report is made meanwhile
    assert running.returncode != 0, said
