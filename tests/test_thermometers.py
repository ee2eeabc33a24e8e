"""Thermometers that answer volts or ohms: readings in one exchange, what cannot work, whole runs and their faults."""

import asyncio
import re
from collections.abc import Callable
from pathlib import Path

import pytest

from benchwarden.daemon.bench import read_bench
from benchwarden.daemon.main import main
from benchwarden.daemon.planning.jobs import load_bench
from benchwarden.drivers.command_map import MAPS_FOLDER, MapError
from benchwarden.drivers.errors import ColdJunctionAstray, InstrumentError, ReplyRefused
from benchwarden.drivers.fitting import Wire
from benchwarden.drivers.roles import Thermometer
from benchwarden.drivers.sensors import Ntc, Platinum, Probe, SteinhartHart, TypeK, type_k_mv
from benchwarden.profiles.mistakes import FileMistakes
from benchwarden.results.sample import Sample
from benchwarden.simulators import probe_curves
from benchwarden.simulators.meter import Meter
from benchwarden.simulators.scenario import BayScenario
from benchwarden.simulators.start import SimulatedBench
from benchwarden.simulators.thermometer import ThermistorDevice, ThermocoupleDevice
from tests.scripted_instrument import Settings
from tests.test_bay_faults import (
    DISCHARGE,
    HERON,
    LEFT,
    WAY_TO_OFF_S,
    Fault,
    assert_off_within,
    assert_tripped,
    device,
    placed,
)
from tests.test_bench import BENCH
from tests.test_every_field import PLAIN_THERMOMETER, with_probe
from tests.test_slow_instruments import SlowLine, with_timeout
from tests.virtual_bench import Done, on_virtual_time, run_test

SENSORS = {"middle": 1, "ambient": 3}
COLD, VOLTS, OHMS = "MEASure:TEMPerature:TERMinals?", "MEASure:VOLTage? (@1,3)", "MEASure:RESistance? (@1,3)"
BOTH = f"{COLD};:{VOLTS}"
NTC = Ntc(10_000.0, 3950.0)


def thermometer(far_end: Settings, probe: Probe | None, name: str | Path) -> Thermometer:
    return Wire("MEMORY::box", name, timeout_s=0.02, memory={"box": far_end}).thermometer("left t", SENSORS, probe)


def read(far_end: Settings, probe: Probe | None, name: str | Path) -> dict[str, float | None]:
    async def once() -> dict[str, float | None]:
        return await thermometer(far_end, probe, name).read()

    return on_virtual_time(once())


def own_map(folder: Path, name: str, *changes: tuple[str, str]) -> Path:
    text = (MAPS_FOLDER / f"{name}.toml").read_text(encoding="utf-8")
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    path = folder / "own.toml"
    path.write_text(text, encoding="utf-8")
    return path


# --- one reading ----------------------------------------------------------------------------------


def test_thermocouples_are_read_with_their_cold_junction_in_one_exchange() -> None:
    """1.436229 mV between 60 and 25 °C (reference function of ITS-90, NIST SRD 60)."""
    far_end = Settings({BOTH: "+25.00;1.436229E-03,0.0000000E+00"})
    assert read(far_end, TypeK(), "thermometer-voltage") == {
        "middle_c": pytest.approx(60.0, abs=1e-4),
        "ambient_c": pytest.approx(25.0, abs=1e-4),
    }
    assert [text for text in far_end.heard if "MEAS" in text] == [BOTH]


def test_millivolts_and_a_unit_and_one_question_at_a_time(tmp_path: Path) -> None:
    name = own_map(
        tmp_path,
        "thermometer-voltage",
        ('each = { quantity = "voltage"', 'each = { quantity = "voltage", unit = "MV", factor = 0.001'),
        ('TERMinals?"', 'TERMinals?", unit = "C"'),
        ('role = "temp', 'joint = ""\nrole = "temp'),
    )
    far_end = Settings({COLD: "25.0 C", VOLTS: "1.436229MV,-1.000 MV"})
    found = read(far_end, TypeK(), name)
    assert found == {"middle_c": pytest.approx(60.0, abs=1e-3), "ambient_c": pytest.approx(0.0, abs=0.02)}
    assert [text for text in far_end.heard if "MEAS" in text] == [COLD, VOLTS]


@pytest.mark.parametrize(
    ("probe", "reply", "middle_c", "ambient_c"),
    [  # IEC 60751; R = R25·exp(B·(1/T - 1/T25)); the example's 5 and 10 kohm: as in tests/test_sensors.py
        (Platinum(100.0), "1.232419E+02,1.000000E+02", 60.0, 0.0),
        (Platinum(1000.0), "1232.419,1000", 60.0, 0.0),
        (NTC, "2486.16,10000.0", 60.0, 25.0),
        (SteinhartHart(1.009249522e-3, 2.378405444e-4, 2.019202697e-7), "5000,10000", 43.331568, 24.681293),
    ],
)
def test_resistances_become_temperatures(probe: Probe, reply: str, middle_c: float, ambient_c: float) -> None:
    assert read(Settings({OHMS: reply}), probe, "thermometer-resistance") == {
        "middle_c": pytest.approx(middle_c, abs=5e-4),
        "ambient_c": pytest.approx(ambient_c, abs=5e-4),
    }


@pytest.mark.parametrize("reply", ["0", "0.000", "-1", "9.9E37", "-9.9E37", "9.91E37", "1.5", "5E+06"])
def test_one_broken_resistor_has_no_value_and_the_other_its_own(reply: str) -> None:
    """Shorted, open, or over damp insulation; SCPI-1999 7.2.1.4 for the large ones."""
    found = read(Settings({OHMS: f"{reply},10000"}), NTC, "thermometer-resistance")
    assert found == {"middle_c": None, "ambient_c": pytest.approx(25.0)}


@pytest.mark.parametrize("reply", ["9.9E37", "9.91E37", "1.0E+00", "-1.0E-02"])
def test_one_broken_thermocouple_has_no_value_and_the_other_its_own(reply: str) -> None:
    found = read(Settings({BOTH: f"+25.00;{reply},0"}), TypeK(), "thermometer-voltage")
    assert found == {"middle_c": None, "ambient_c": pytest.approx(25.0, abs=1e-4)}


@pytest.mark.parametrize(
    ("told", "error", "words"),
    [
        ("9.91E37", ColdJunctionAstray, "terminals are at no value, right would be -20 to 80 °C"),
        ("9.9E37", ColdJunctionAstray, "no value"),
        ("85.0", ColdJunctionAstray, "terminals are at 85 °C"),
        ("-127", ColdJunctionAstray, "terminals are at -127 °C"),
        ("warm", ReplyRefused, "'warm'; wanted"),
        ("", ReplyRefused, "wanted a number"),
    ],
)
def test_without_a_cold_junction_no_thermocouple_has_a_value(
    told: str, error: type[InstrumentError], words: str
) -> None:
    with pytest.raises(error, match=words) as raised:
        read(Settings({BOTH: f"{told};0.001,0.001"}), TypeK(), "thermometer-voltage")
    assert "left t at MEMORY::box" in str(raised.value)


@pytest.mark.parametrize("reply", ["+25.00", "0.001,0.001", "+25.00;0.001", "+25.00;0.001,0.001;1"])
def test_an_answer_of_another_shape_closes_the_line(reply: str) -> None:
    with pytest.raises(ReplyRefused, match="left t at MEMORY::box"):
        read(Settings({BOTH: reply}), TypeK(), "thermometer-voltage")


# --- what cannot work -----------------------------------------------------------------------------

REFUSED = [
    ("thermometer", TypeK(), "answers a temperature by itself, so a probe in the entry would do nothing"),
    ("thermometer-voltage", None, r"answers a voltage, and no probe is named; .*probe = { kind = \"type-k\" }"),
    ("thermometer-resistance", None, r"answers a resistance, and no probe .*kind = \"platinum\", r0 = \"100 ohm\""),
    ("thermometer-voltage", Platinum(100.0), "answers a voltage, but the probe in the entry gives a resistance"),
    ("thermometer-voltage", NTC, "answers a voltage, but the probe"),
    ("thermometer-resistance", TypeK(), "answers a resistance, but the probe in the entry gives a voltage"),
]


@pytest.mark.parametrize(("name", "probe", "words"), REFUSED)
def test_map_and_probe_that_do_not_go_together_are_refused(name: str, probe: Probe | None, words: str) -> None:
    with pytest.raises(MapError, match=words):
        thermometer(Settings(), probe, name)


@pytest.mark.parametrize(
    ("entry", "words"),
    [
        (('"thermometer"', '"thermometer-voltage"'), "answers a voltage, and no probe is named"),
        (("sensors =", 'probe = { kind = "type-k" }, sensors ='), "answers a temperature by itself"),
        (("sensors =", 'prob = { kind = "type-k" }, sensors ='), 'did you mean "probe"?'),
        (('"thermometer",', '"own.toml", probe = { kind = "type-k" },'), "measure.cold is missing: a thermocouple's"),
    ],
)
def test_a_bench_that_cannot_tell_temperatures_is_bad_input(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], entry: tuple[str, str], words: str
) -> None:
    """Exit code 2, before anything is connected."""
    own_map(tmp_path, "thermometer-voltage", ('cold = { ask = "MEASure:TEMPerature:TERMinals?" }', ""))
    assert PLAIN_THERMOMETER is not None
    plain = PLAIN_THERMOMETER[0]
    (tmp_path / "bench.toml").write_text(BENCH.replace(plain, plain.replace(*entry)), encoding="utf-8")
    (tmp_path / "heron.toml").write_text(HERON, encoding="utf-8")
    with pytest.raises(FileMistakes, match=re.escape(words)):
        load_bench(tmp_path / "bench.toml")
    code: object
    try:
        code = main(["plan", "standard", f"left={tmp_path}/heron.toml", "--bench", f"{tmp_path}/bench.toml"])
    except SystemExit as ended:
        code = ended.code
    assert code == 2
    said = capsys.readouterr()
    assert words in said.out + said.err
    assert "bench.toml" in said.out + said.err or "own.toml" in said.out + said.err


@pytest.mark.parametrize(
    ("probe", "words"),
    [
        ('kind = "type-k", r0 = "100 ohm"', 'kind = "type-k" takes nothing else; found r0 given'),
        ('kind = "platinum"', 'kind = "platinum" takes r0; found r0 missing'),
        ('kind = "ntc", r25 = "10 kohm"', 'kind = "ntc" takes r25 and beta; found beta missing'),
        ('kind = "ntc", r0 = "100 ohm", a = 1e-3', "found r25, beta missing and a, r0 given"),
        ('kind = "steinhart-hart", a = 1e-3, b = 2e-4', "takes a and b and c; found c missing"),
        ('kind = "steinhart-hart", a = 1e-3, b = 2e-4, c = -1e-7', "c: found -1e-07; right would be 0.0 or more"),
        ('kind = "steinhart-hart", a = 1.0, b = 2e-4, c = 1e-7', "a: found 1.0; right would be 0.1 or less"),
        ('kind = "steinhart-hart", a = 1e-3, b = 1e-8, c = 0.0', "make no thermistor: at 25 °C"),
        ('kind = "steinhart-hart", a = 5e-3, b = 2e-4, c = 0.0', "make no thermistor: at 25 °C"),
        ('kind = "type-j"', "found 'type-j'; right would be 'type-k', 'platinum', 'ntc' or 'steinhart-hart'"),
        ('kind = "ntc", r25 = "10 kohm", beta = "39.5 K"', "beta: found '39.5 K'"),
        ('kind = "ntc", r25 = "10", beta = "3950 K"', "r25: found '10'"),
        ('kind = "ntc", r25 = "10 kohm", betta = "3950 K"', "betta: there is no such key (found '3950 K'); did you"),
    ],
)
def test_a_probe_that_is_not_whole_is_refused_with_what_it_takes(probe: str, words: str) -> None:
    with pytest.raises(FileMistakes) as found:
        read_bench(with_probe("resistance", probe), "bench.toml")
    assert any(one.startswith("bench.toml: bay 1: temperature: probe") for one in found.value.mistakes)
    assert words in str(found.value)


# --- the simulated devices are a second witness ----------------------------------------------------


def test_the_simulated_probes_tables_are_not_our_functions_but_agree_with_them() -> None:
    for t_c, mv in probe_curves.TYPE_K_MV:
        assert mv == pytest.approx(type_k_mv(t_c), abs=0.00051)  # the table has three places
    for t_c, ohm in probe_curves.NTC_OHM:
        assert NTC.temperature_c(ohm) == pytest.approx(t_c, abs=2e-4)


@pytest.mark.parametrize("t_c", [-40.0, -7.0, 0.0, 3.0, 22.5, 25.0, 44.0, 61.7, 85.0, 119.0, 149.0])
def test_what_the_simulated_probes_give_is_read_as_their_temperature(t_c: float) -> None:
    """Within the tables' three places and straight lines: 0.5 µV and 0.5 µV at each end, over 40 µV/K."""
    measured_v = (probe_curves.type_k_mv(t_c) - probe_curves.type_k_mv(27.0)) / 1000.0
    assert TypeK().temperature_c(measured_v, 27.0) == pytest.approx(t_c, abs=0.05)
    assert NTC.temperature_c(probe_curves.ntc_ohm(t_c)) == pytest.approx(t_c, abs=2e-3)


# --- whole runs on virtual time -------------------------------------------------------------------

KINDS = ("thermometer-voltage", "thermometer-resistance")


def run_with(folder: Path, bay: BayScenario, **options: object) -> Done:
    return on_virtual_time(run_test(folder, bay, HERON, DISCHARGE, **{"soc": 0.5, **options}))  # type: ignore[arg-type]


@pytest.mark.parametrize("kind", KINDS)
def test_a_whole_run_reads_what_the_pack_has(tmp_path: Path, kind: str) -> None:
    """Every sample against the simulated pack's own probes: tables, meter's offset and noise below 0.3 K."""
    furthest_k, highest_c = [0.0], [0.0]
    places = ("middle", "joint", "ambient")

    def compare(bench: SimulatedBench, sample: Sample) -> None:
        assert sample.temperatures_age_s is not None
        if sample.temperatures_age_s > 0.1:
            return
        bay = bench.bays["left"]
        for place, value in zip(places, sample.temperatures_c, strict=True):
            assert value is not None
            furthest_k.append(abs(value - bay.temperature_c(place)))
            highest_c.append(value)

    done = run_with(tmp_path, LEFT.with_thermometer(kind), each=compare, soc=0.9)
    assert done.ending.how == "finished", done.ending
    assert done.off_confirmed
    assert list(done.run.events_named("missed")) == []
    assert len(furthest_k) > 1000
    assert max(furthest_k) < 0.3
    assert max(highest_c) > 26.0
    model = "SIM-TEMP-V" if kind == "thermometer-voltage" else "SIM-TEMP-R"
    kept = done.run.info.instruments["temperature"]
    assert kept["identity"]["model"] == model
    assert kept["probe"]["kind"] == ("type-k" if kind == "thermometer-voltage" else "ntc")


@pytest.mark.parametrize("kind", KINDS)
def test_a_probe_that_breaks_in_a_run_is_a_missing_one(tmp_path: Path, kind: str) -> None:
    """Faults 49 and 67: as with a thermometer that answers degrees, ten seconds may pass."""

    def break_it(bench: SimulatedBench) -> None:
        one = device(bench, "temperature")
        assert isinstance(one, ThermocoupleDevice | ThermistorDevice)
        one.broken.add(1)

    fault = Fault(break_it)
    done = run_with(tmp_path, LEFT.with_thermometer(kind), each=fault)
    assert fault.fired_s is not None
    assert_tripped(done, r"temperature middle_c has not been seen for 1\d\.\d s, allowed 10 s")
    assert_off_within(done, fault.fired_s, 10.0 + 2.0 + WAY_TO_OFF_S)


@pytest.mark.parametrize("terminals", [None, Meter(offset=150.0), Meter(offset=-60.0)])
def test_a_cold_junction_that_is_lost_in_a_run_takes_all_thermocouples_with_it(
    tmp_path: Path, terminals: Meter | None
) -> None:
    """Fault 67: no answer of the terminals, or one that no bench has."""

    def lose_it(bench: SimulatedBench) -> None:
        one = device(bench, "temperature")
        assert isinstance(one, ThermocoupleDevice)
        one.terminals = terminals

    fault = Fault(lose_it)
    done = run_with(tmp_path, LEFT.with_thermometer("thermometer-voltage"), each=fault)
    assert fault.fired_s is not None
    assert_tripped(done, r"temperature \w+_c has not been seen for 1\d\.\d s, allowed 10 s")
    assert_off_within(done, fault.fired_s, 10.0 + 2.0 + WAY_TO_OFF_S)
    missed = list(done.run.events_named("missed"))
    assert 4 <= len(missed) <= 8
    assert all("its terminals are at" in one["error"] for one in missed)


@pytest.mark.parametrize(
    ("kind", "spoil", "words"),
    [
        ("thermometer-resistance", lambda one: one.broken.add(2), "probe joint: no value; it is open or shorted"),
        ("thermometer-voltage", lambda one: one.broken.add(2), "probe joint: no value; it is open or shorted"),
        ("thermometer-voltage", lambda one: setattr(one, "terminals", None), "its terminals are at no value"),
        # Another thermistor than the bench file names, ten times as large: as cold as no room is.
        ("thermometer-resistance", lambda one: setattr(one, "meter", Meter(gain=199.0)), "probe middle: no value"),
    ],
)
def test_before_anything_flows_a_fault_of_a_probe_is_told(
    tmp_path: Path, kind: str, spoil: Callable[[object], object], words: str
) -> None:
    def before(bench: SimulatedBench) -> None:
        spoil(device(bench, "temperature"))

    done = run_with(tmp_path, LEFT.with_thermometer(kind), before=before)
    assert done.ending.how == "tripped"
    assert words in done.ending.why
    assert done.whole_journal == []


# --- slow ones ------------------------------------------------------------------------------------


def one_at_a_time(folder: Path) -> Callable[[str], str]:
    """Change a bench file so that its thermometer takes no two questions in one message."""
    path = own_map(folder, "thermometer-voltage", ('role = "temp', 'joint = ""\nrole = "temp'))

    def change(text: str) -> str:
        assert text.count('map = "thermometer-voltage"') == 1
        return with_timeout(text).replace('map = "thermometer-voltage"', f'map = "{path}"')

    return change


@pytest.mark.parametrize("joint", [True, False])
def test_slow_thermocouples_are_read_in_time(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, joint: bool) -> None:
    """The terminals are asked in the same exchange; where that cannot be, both count as one reading's time."""
    monkeypatch.setattr("benchwarden.drivers.address.MemoryLine", SlowLine)
    monkeypatch.setattr(SlowLine, "answer_s", 0.4)
    bay = LEFT.with_thermometer("thermometer-voltage")
    done = run_with(tmp_path, bay, change_bench=with_timeout if joint else one_at_a_time(tmp_path), soc=0.12)
    assert done.ending.how == "finished", done.ending
    assert list(done.run.events_named("missed")) == []
    asked = [text for _, text in placed(done.bench, "temperature").endpoint.log if "MEAS" in text]
    assert (COLD in asked) is not joint
    known = [sample for sample in done.run.samples if None not in sample.temperatures_c]
    assert len(known) == len(done.run.samples)


def test_two_questions_that_take_too_long_together_are_refused_before_anything_flows(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    class SlowThermometer(SlowLine):
        async def ask(self, text: str, timeout_s: float) -> str:
            if "TERM" in text or "VOLTage? (@1" in text:
                await asyncio.sleep(0.48)
            return await super().ask(text, timeout_s)

    monkeypatch.setattr("benchwarden.drivers.address.MemoryLine", SlowThermometer)
    done = run_with(tmp_path, LEFT.with_thermometer("thermometer-voltage"), change_bench=one_at_a_time(tmp_path))
    assert done.ending.how == "tripped"
    assert "left temperature answers after 0.96 s, and counts as silent after 1 s" in done.ending.why
    assert done.whole_journal == []
