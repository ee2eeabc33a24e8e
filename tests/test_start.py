"""A whole simulated bench: its instruments, its bench file, its speed."""

import asyncio
import itertools
import signal
import socket
import subprocess
import sys
import time
import tomllib
from collections.abc import Coroutine
from dataclasses import replace
from pathlib import Path
from typing import Any, TypeVar

import pytest

from benchwarden.simulators.bench_file import MAPS
from benchwarden.simulators.clock import VirtualLoop
from benchwarden.simulators.scenario import demo_bench
from benchwarden.simulators.start import SimulatedBench, is_simulated

T = TypeVar("T")


def run(main: Coroutine[Any, Any, T]) -> T:
    with asyncio.Runner(loop_factory=VirtualLoop) as runner:
        return runner.run(main)


def exchange(port: int, text: str) -> str:
    with socket.create_connection(("127.0.0.1", port), timeout=5.0) as plain:
        plain.sendall(text.encode() + b"\n")
        answer = b""
        while not answer.endswith(b"\n"):
            more = plain.recv(4096)
            if not more:
                break
            answer += more
    return answer.decode().strip()


def test_every_instrument_answers_in_memory_with_its_own_identity() -> None:
    async def main() -> list[str]:
        bench = SimulatedBench()
        answers = [answer("*IDN?") for answer in bench.memory().values()]
        return [answer or "" for answer in answers]

    answers = run(main())
    assert len(set(answers)) == len(answers) == sum(len(bay.instruments) for bay in demo_bench())
    assert all(is_simulated(answer) for answer in answers)
    assert not is_simulated("ACME,LOAD,1,2")
    assert not is_simulated("BENCHWARDEN,LOAD,1,2")


def test_the_bench_file_names_every_instrument_at_its_address() -> None:
    async def main() -> tuple[str, dict[str, str]]:
        async with SimulatedBench() as bench:
            return bench.bench_toml(), dict(bench.addresses)

    text, addresses = run(main())
    bench = tomllib.loads(text)
    assert bench["simulated"] is True
    assert [bay["name"] for bay in bench["bay"]] == ["left", "middle", "right"]
    found = {}
    for bay in bench["bay"]:
        for role in ("load", "supply", "cells", "temperature", "voltmeter"):
            entry = bay.get(role)
            entries = entry if isinstance(entry, list) else [entry] if entry else []
            for number, one in enumerate(entries, 1):
                name = f"{role} {number}" if len(entries) > 1 else role
                found[f"{bay['name']}/{name}"] = one["at"]
                assert one["map"] in MAPS.values()
                assert one["accuracy"]
    assert found == addresses
    assert len(set(found.values())) == len(found)
    left = bench["bay"][0]
    assert left["cells"]["at"].startswith("ASRL/dev/")
    assert left["cells"]["channels"] == "101:106"
    assert left["temperature"]["sensors"] == {"middle": 1, "joint": 2, "ambient": 3}
    load = demo_bench()[0].instruments[0]
    assert {key: float(text.split()[0]) for key, text in left["load"]["limits"].items()} == {
        "voltage": load.max_voltage_v,
        "current": load.max_current_a,
        "power": load.max_power_w,
        "min_voltage": load.min_voltage_v,
    }
    assert left["supply"]["isolation"] == "relay"


def test_readings_lie_within_the_accuracies_that_the_bench_file_claims() -> None:
    async def main() -> None:
        bench = SimulatedBench(soc=0.8)
        say = bench.memory()
        say["left/load"]("CURR 50;:INP ON")
        for _ in range(50):
            await asyncio.sleep(1.0)
            volts, amps = (float(text) for text in (say["left/load"]("MEAS:VOLT?;:MEAS:CURR?") or "").split(";"))
            bay = bench.bays["left"]
            assert abs(volts - bay.load_voltage_v(0)) <= 0.0005 * volts + 0.0002 * 150.0
            assert abs(amps - 50.0) <= 0.001 * 50.0 + 0.0005 * 120.0
            groups = [float(text) for text in (say["left/cells"]("MEAS:VOLT? (@101:106)") or "").split(",")]
            for reading, true in zip(groups, bay.groups_v(), strict=True):
                assert abs(reading - true) <= 0.0002 * true + 0.001

    run(main())


def test_the_same_seed_gives_the_same_night_and_the_bays_differ() -> None:
    async def main() -> list[str | None]:
        bench = SimulatedBench()
        say = bench.memory()
        say["right/load 1"]("POW 300;FUNC POW;INP ON")
        answers = []
        for _ in range(20):
            await asyncio.sleep(1.0)
            answers += [say[f"{bay}/cells"]("MEAS:VOLT? (@101:106)") for bay in ("middle", "right")]
        return answers

    first, second = run(main()), run(main())
    assert first == second
    assert len(set(first)) > 30


def test_the_journal_is_the_witness_of_what_was_switched() -> None:
    async def main() -> dict[str, list[tuple[float, str]]]:
        bench = SimulatedBench(soc=0.8)
        say = bench.memory()
        await asyncio.sleep(10.0)
        say["left/load"]("CURR 5;:INP:TIM 5;:INP:TIM:STAT ON;:INP ON")
        say["middle/load"]("MODE CURR;:CURR 5;:LOAD ON")
        await asyncio.sleep(20.0)
        say["middle/load"]("LOAD OFF")
        return bench.journals()

    journals = run(main())
    assert [round(at, 6) for at, _ in journals["left"]] == [1010.0, 1015.0, *[1015.0] * (len(journals["left"]) - 2)]
    assert [round(at, 6) for at, _ in journals["middle"]] == [1010.0, 1030.0]
    assert journals["right"] == []


def test_cumulative_taps_are_read_one_by_one_upwards() -> None:
    async def main() -> list[float]:
        bench = SimulatedBench([replace(bay, taps="cumulative") for bay in demo_bench()[:1]])
        answer = bench.memory()["left/cells"]("MEAS:VOLT? (@101:106)")
        return [float(text) for text in (answer or "").split(",")]

    taps = run(main())
    assert all(3.0 < high - low < 4.2 for low, high in itertools.pairwise([0.0, *taps]))


def test_an_hour_of_one_bay_in_memory_is_fast() -> None:
    async def main() -> None:
        bench = SimulatedBench(demo_bench()[:1], soc=1.0)
        say = bench.memory()
        say["left/load"]("POW 100;FUNC POW;INP ON")
        for _ in range(3600):
            await asyncio.sleep(1.0)
            say["left/load"]("MEAS:VOLT?;:MEAS:CURR?")
            say["left/supply"]("MEAS:VOLT?;:MEAS:CURR?")
            say["left/cells"]("MEAS:VOLT? (@101:106)")
            say["left/temperature"]("MEAS:TEMP? (@1,2,3)")
            say["left/voltmeter"]("MEAS:VOLT?")

    began = time.process_time()
    run(main())
    assert time.process_time() - began < 6.0  # about 1 s on an idle machine


def test_an_unknown_kind_of_instrument_is_refused() -> None:
    async def main() -> None:
        bay = demo_bench()[0]
        odd = replace(bay.instruments[0], kind="oven")
        SimulatedBench([replace(bay, instruments=(odd,))])

    with pytest.raises(ValueError, match=r"left.*L-left-1.*oven.*load-function"):
        run(main())


@pytest.mark.realtime
def test_a_bench_in_its_own_process_answers_a_plain_socket_and_ends_on_sigterm(tmp_path: Path) -> None:
    bench_path = tmp_path / "bench.toml"
    code = (
        "import pathlib, sys; from benchwarden.simulators.start import simulate; "
        "simulate(pathlib.Path(sys.argv[1]), soc=0.5, say=lambda line: print(line, flush=True))"
    )
    process = subprocess.Popen([sys.executable, "-c", code, str(bench_path)], stdout=subprocess.PIPE, text=True)
    try:
        assert process.stdout is not None
        lines = []
        for line in process.stdout:
            lines.append(line.strip())
            if line.startswith("bench file"):
                break
        bench = tomllib.loads(bench_path.read_text(encoding="utf-8"))
        port = int(bench["bay"][0]["load"]["at"].split("::")[2])
        assert is_simulated(exchange(port, "*IDN?"))
        assert exchange(port, "CURR 2;:INP ON;:INP?") == "1"
        assert float(exchange(port, "MEAS:CURR?")) == pytest.approx(2.0, abs=0.06)
        assert exchange(port, "INP OFF;:INP?") == "0"
        process.send_signal(signal.SIGTERM)
        assert process.wait(60) == 0
    finally:
        process.kill()
        process.wait(60)
        if process.stdout is not None:
            process.stdout.close()
