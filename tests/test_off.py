"""`benchwarden off`: every load and supply, by raw bytes, whatever any one of them does."""

import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from benchwarden.daemon.commands.off import BAD_INPUT, NOT_CONFIRMED, OFF, switch_off
from tests.test_bench import BENCH, SECOND
from tests.test_guardian import Box

LOAD = {"INPut?": "0", "MEASure:VOLTage?;:MEASure:CURRent?": "21.6;0.004"}
SUPPLY = {"OUTPut?": "0", "MEASure:VOLTage?;:MEASure:CURRent?": "0.0;0.000"}


class Shed:
    """A bench of two bays, each with a load and a supply that keep what they were sent."""

    def __init__(self, folder: Path) -> None:
        self.loads = [Box(dict(LOAD)), Box(dict(LOAD))]
        self.supplies = [Box(dict(SUPPLY)), Box(dict(SUPPLY))]
        text = BENCH + "[[bay]]" + SECOND
        for number, net in enumerate(("192.0.2", "192.0.3")):
            text = text.replace(f"TCPIP::{net}.10::5025::SOCKET", self.loads[number].address)
            text = text.replace(f"TCPIP::{net}.11::5025::SOCKET", self.supplies[number].address)
        self.bench = folder / "bench.toml"
        self.bench.write_text(text)


@pytest.fixture
def shed(tmp_path: Path) -> Iterator[Shed]:
    made = Shed(tmp_path)
    yield made
    for box in (*made.loads, *made.supplies):
        box.close()


def test_everything_is_switched_off_and_said(shed: Shed, capsys: pytest.CaptureFixture[str]) -> None:
    assert switch_off(shed.bench, None) == OFF
    lines = capsys.readouterr().out.splitlines()
    assert [line.split(" at ")[0] for line in lines] == ["left load", "left supply", "right load", "right supply"]
    assert all(line.endswith("off, read back; 0.00 A measured") for line in lines)
    for box in shed.loads:
        assert "INPut OFF" in box.lines
    for box in shed.supplies:
        assert "OUTPut OFF" in box.lines


def test_one_bay_leaves_the_other_alone(shed: Shed) -> None:
    assert switch_off(shed.bench, ["right"]) == OFF
    assert shed.loads[0].lines == shed.supplies[0].lines == []
    assert "INPut OFF" in shed.loads[1].lines


def test_one_that_stays_on_does_not_keep_the_others(shed: Shed, capsys: pytest.CaptureFixture[str]) -> None:
    shed.loads[0].answers["INPut?"] = "1"
    assert switch_off(shed.bench, None) == NOT_CONFIRMED
    out = capsys.readouterr().out
    assert out.count("unplug it") == 1
    assert out.count("off, read back") == 3
    assert "OUTPut OFF" in shed.supplies[1].lines


def test_one_that_cannot_be_reached_does_not_keep_the_others(shed: Shed, capsys: pytest.CaptureFixture[str]) -> None:
    shed.bench.write_text(shed.bench.read_text().replace(shed.loads[0].address, "USB0::1::2::INSTR"))
    assert switch_off(shed.bench, None) == NOT_CONFIRMED
    out = capsys.readouterr().out
    assert "NOT CONFIRMED (left load at USB0::1::2::INSTR: the guardian reaches " in out
    assert out.count("off, read back") == 3
    assert "OUTPut OFF" in shed.supplies[0].lines


def test_a_reader_that_has_gone_keeps_nothing_on(shed: Shed) -> None:
    """`off --all | head -1`: everything is off before anything is said."""
    reading, writing = os.pipe()
    os.close(reading)
    command = [sys.executable, "-m", "benchwarden.daemon.main", "off", "--all", "--bench", str(shed.bench)]
    environment = os.environ | {"PYTHONPATH": str(Path(__file__).parents[1] / "src")}
    with os.fdopen(writing, "wb") as out:
        done = subprocess.run(command, env=environment, stdout=out, stderr=subprocess.PIPE, check=False)
    assert (done.returncode, done.stderr) == (OFF, b"")
    assert all("INPut OFF" in box.lines for box in shed.loads)
    assert all("OUTPut OFF" in box.lines for box in shed.supplies)


def test_bad_input_switches_nothing(shed: Shed, capsys: pytest.CaptureFixture[str]) -> None:
    assert switch_off(shed.bench, ["left", "attic", "loft"]) == BAD_INPUT
    assert capsys.readouterr().err == f"{shed.bench}: there is no bay attic, loft; known: left, right\n"
    assert switch_off(shed.bench.with_name("none.toml"), None) == BAD_INPUT
    assert "the bench file cannot be read" in capsys.readouterr().err
    assert shed.loads[0].lines == []
