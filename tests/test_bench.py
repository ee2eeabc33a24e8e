"""The bench file: every mistake at once, each with its table and key, and what the bays of the demo can do."""

import re

import pytest

from benchwarden.daemon.bench import OFF_A, Bench, read_bench
from benchwarden.daemon.running.instruments import Instruments
from benchwarden.profiles.mistakes import FileMistakes
from tests.virtual_bench import on_virtual_time

BENCH = """
name = "boat shed"
simulated = true
[[bay]]
name = "left"
taps = "each"
cooling = "fan"
load        = { at = "TCPIP::192.0.2.10::5025::SOCKET", map = "load-function", sense = "pack connector", limits = { voltage = "150 V", current = "120 A", power = "1500 W", min_voltage = "1.5 V" }, accuracy = { voltage = "0.05 % + 0.02 % of 150 V", current = "0.1 % + 0.05 % of 120 A" } }
supply      = { at = "TCPIP::192.0.2.11::5025::SOCKET", map = "supply", isolation = "relay", limits = { voltage = "60 V", current = "20 A" } }
cells       = { at = "ASRL/dev/serial/by-id/scanner::INSTR", map = "scanner", channels = "101:106" }
temperature = { at = "TCPIP::192.0.2.12::5025::SOCKET", map = "thermometer", sensors = { middle = 1, joint = 2, ambient = 3 } }
"""  # noqa: E501
SECOND = BENCH.replace("192.0.2", "192.0.3").split("[[bay]]")[1].replace('"left"', '"right"')


def mistakes_of(text: str) -> list[str]:
    with pytest.raises(FileMistakes) as found:
        read_bench(text, "bench.toml")
    return list(found.value.mistakes)


def swapped(old: str, new: str) -> str:
    assert old in BENCH
    return BENCH.replace(old, new)


def test_a_bench_file_says_what_its_bays_can_do() -> None:
    bench = read_bench(BENCH, "bench.toml")
    left = bench.find("left")
    assert left is not None
    assert bench.find("right") is None
    assert (bench.name, bench.runs, bench.simulated) == ("boat shed", "runs", True)
    assert list(left.entries) == ["load", "supply", "cells", "temperature"]
    can = left.abilities()
    assert (can.load_max_current_a, can.load_max_power_w, can.load_min_voltage_v) == (120.0, 1500.0, 1.5)
    assert (can.supply_max_voltage_v, can.supply_max_current_a, can.charge) == (60.0, 20.0, "supply")
    assert (can.group_channels, can.temperature_places, can.has_ambient) == (6, ("middle", "joint", "ambient"), True)
    # Twice the offset part of 0.05 % of 120 A is 120 mA; the supply says nothing, so the least counts.
    assert left.off_thresholds_a() == {"load": pytest.approx(0.12), "supply": OFF_A}


def test_loads_in_parallel_are_added_up_and_numbered() -> None:
    one = re.search(r"^load\s+= (.*)$", BENCH, re.M)
    assert one is not None
    two = f"[{one[1]}, {one[1].replace('2.10', '2.20')}]"
    left = read_bench(BENCH.replace(one[1], two), "bench.toml").bay[0]
    assert list(left.entries)[:2] == ["load 1", "load 2"]
    assert (left.abilities().load_max_current_a, left.abilities().load_max_power_w) == (240.0, 3000.0)
    # Each is judged by itself when it is to be off; together they may draw both their offsets.
    assert left.off_thresholds_a() == {
        "load 1": pytest.approx(0.12),
        "load 2": pytest.approx(0.12),
        "supply": OFF_A,
    }
    assert left.role_off_thresholds_a() == {"load": pytest.approx(0.24), "supply": OFF_A}


def test_the_weakest_of_loads_in_parallel_bounds_their_power() -> None:
    one = re.search(r"^load\s+= (.*)$", BENCH, re.M)
    assert one is not None
    weak = one[1].replace("2.10", "2.20").replace("1500 W", "600 W")
    left = read_bench(BENCH.replace(one[1], f"[{one[1]}, {weak}]"), "bench.toml").bay[0]
    assert left.abilities().load_max_power_w == pytest.approx(1200.0)  # both take half: 600 W each


@pytest.mark.parametrize(
    ("old", "new", "mistake"),
    [
        ('name = "boat shed"', "", "bench.toml: name: missing; it must be given"),
        ('name = "boat shed"', 'name = ""', "bench.toml: name: found ''; right would be a text of at least 1 char"),
        ("simulated = true", "simulated = maybe", r"bench.toml: not TOML: "),
        (
            "simulated = true",
            "simulate = true",
            'bench.toml: simulate: there is no such key (found True); did you mean "simulated"? known here: name, '
            "runs, simulated, alarms, mqtt, page, bay",
        ),
        (
            'name = "left"',
            'name = "left side"',
            "bay 1: name: found 'left side'; right would be a text that fits",
        ),
        ('"fan"', '"wind"', "bay 1: cooling: found 'wind'; right would be 'still air', 'fan' or 'box'"),
        (
            'taps = "each"',
            'taps = "all"',
            "bay 1: taps: found 'all'; right would be 'each' or 'cumulative'",
        ),
        ('sense = "pack connector", ', "", "bench.toml: bay 1: load 1: sense: missing; it must be given"),
        (', power = "1500 W"', "", "bench.toml: bay 1: load 1: limits: power is missing; a load's rating says it"),
        ('"120 A", power', '"120 V", power', "bench.toml: bay 1: load 1: limits: current: found '120 V'"),
        (
            'isolation = "relay"',
            'isolation = "rely"',
            "bench.toml: bay 1: supply: isolation: found 'rely'; right would be 'diode', 'relay' or 'none'; "
            'did you mean "relay"?',
        ),
        (', channels = "101:106"', "", "bench.toml: bay 1: cells: channels: missing; it must be given"),
        (
            "middle = 1, joint = 2, ambient = 3",
            "ambient = 3",
            'bench.toml: bay 1: temperature: sensors: only "ambient" is named',
        ),
        ("middle = 1,", '"top side" = 1,', "bench.toml: bay 1: temperature: sensors: places ['top side']"),
        ("middle = 1,", 'middle = "one",', "bench.toml: bay 1: temperature: sensors: middle: "),
        (
            'map = "supply",',
            'map = "supply", timeout = "2 s",',
            "bench.toml: bay 1: supply: timeout is 2 s; one missed reply and a new connection must fit into the 3 s",
        ),
        ('map = "supply",', 'map = "supply", baud = 1,', "bench.toml: bay 1: supply: baud: "),
        ('map = "supply",', 'map = "supply", via = "wire",', "bench.toml: bay 1: supply: via: "),
        (
            'map = "supply",',
            'map = "supply", maps = "x",',
            "bay 1: supply: maps: there is no such key (found 'x'); did you mean \"map\"? known here: at, map,",
        ),
        (
            "192.0.2.11",
            "192.0.2.10",
            "addresses used twice for a load, supply or contactor: TCPIP::192.0.2.10::5025::SOCKET",
        ),
    ],
)
def test_a_mistake_is_named_with_its_table_and_key(old: str, new: str, mistake: str) -> None:
    [found] = mistakes_of(swapped(old, new))
    assert mistake in found
    assert found.startswith("bench.toml: ")


def test_a_bay_that_charges_without_a_supply() -> None:
    text = re.sub(r"^supply .*$", 'charge = "supply"', BENCH, flags=re.M)
    assert mistakes_of(text) == [
        'bench.toml: bay 1: charge is "supply", but the bay has none; name one or say charge = "operator"'
    ]
    operator = text.replace('"supply"', '"operator"')
    assert read_bench(operator, "bench.toml").bay[0].abilities().charge == "operator"


def test_a_bay_without_a_load() -> None:
    [found] = mistakes_of(re.sub(r"^load .*$", "load = []", BENCH, flags=re.M))
    assert found.startswith("bench.toml: bay 1: load: ")
    [found] = mistakes_of(re.sub(r"^load .*$", "", BENCH, flags=re.M))
    assert found == "bench.toml: bay 1: load: missing; it must be given"
    [found] = mistakes_of(re.sub(r"^load .*$", 'load = "big one"', BENCH, flags=re.M))
    assert found.startswith("bench.toml: bay 1: load: ")


def test_two_bays_of_one_name() -> None:
    assert mistakes_of(BENCH + "[[bay]]" + SECOND.replace('"right"', '"left"')) == [
        "bench.toml: the file: bays named twice: left; each needs a name of its own"
    ]


def test_every_mistake_of_a_file_is_reported_at_once_and_once() -> None:
    text = """
name = ""
colour = "red"
[[bay]]
name = "left side"
cooling = "water"
load = { at = "", map = "load-function", sense = "here", limits = { voltage = "150 A", current = "120 W" }, tiemout = "1 s" }
supply = { at = "A", map = "supply", limits = { voltage = "60 V" } }
[[bay]]
name = "right"
load = []
"""  # noqa: E501
    places = [mistake.split(" (found")[0] for mistake in mistakes_of(text)]
    keys = [re.match(r"bench\.toml: ((?:(?:bay \d|load \d|\w+): )*)", place)[1] for place in places]  # type: ignore[index]
    assert sorted(keys) == sorted(
        f"{key}: "
        for key in (
            "name",
            "colour",
            "bay 1: name",
            "bay 1: cooling",
            "bay 1: load 1: at",
            "bay 1: load 1: sense",
            "bay 1: load 1: limits: voltage",
            "bay 1: load 1: limits: current",
            "bay 1: load 1: tiemout",
            "bay 1: supply: isolation",
            "bay 1: supply: limits: current",
            "bay 2: cooling",
            "bay 2: load",
        )
    )


def test_no_mistake_shows_how_the_file_is_read() -> None:
    for text in (swapped('sense = "pack connector", ', ""), swapped("current = ", "curent = ")):
        for mistake in mistakes_of(text):
            assert not re.search(r"function-|LoadEntry|union|list\[|pydantic", mistake), mistake


def test_the_instruments_of_a_bay_are_built_without_touching_them() -> None:
    async def work() -> None:
        bench: Bench = read_bench(BENCH, "bench.toml")
        instruments = Instruments(bench.bay[0])
        assert set(instruments.watched) == {"load", "supply", "cells", "temperature"}
        plans = instruments.off_plans()
        assert [plan.name for plan, _ in plans] == ["left load", "left supply"]
        assert [round(threshold_a, 3) for _, threshold_a in plans] == [0.12, 0.05]
        assert plans[0][0].address == "TCPIP::192.0.2.10::5025::SOCKET"

    on_virtual_time(work())


def test_the_path_between_taps_and_meter_is_five_milliohms_unless_told() -> None:
    assert read_bench(BENCH, "bench.toml").bay[0].path_ohm == 0.005
    told = BENCH.replace('taps = "each"', 'taps = "each"\npath_resistance = "12 mΩ"', 1)
    assert told != BENCH
    assert read_bench(told, "bench.toml").bay[0].path_ohm == 0.012


def test_only_a_simulated_pack_may_rest_for_less_than_ten_seconds_after_the_test_pulse() -> None:
    assert read_bench(BENCH, "bench.toml").bay[0].pulse_recovery_s == 10.0

    def with_recovery(text: str) -> str:
        return swapped('taps = "each"', f'taps = "each"\npulse_recovery = "{text}"')

    assert read_bench(with_recovery("1 s"), "bench.toml").bay[0].pulse_recovery_s == 1.0
    real = with_recovery("9 s").replace("simulated = true\n", "")
    assert mistakes_of(real) == [
        "bench.toml: the file: pulse_recovery is too short in left (9 s); 10 s or longer is right where the bench "
        "is not simulated"
    ]
    assert read_bench(real.replace("9 s", "10 s"), "bench.toml").bay[0].pulse_recovery_s == 10.0
    assert "pulse_recovery" in mistakes_of(with_recovery("0.5 s"))[0]
    assert "pulse_recovery" in mistakes_of(with_recovery("11 min"))[0]
