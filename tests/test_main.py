"""The command line: bad input is refused with every mistake, and showing a plan switches nothing on."""

import argparse
import json
import re
import subprocess
import sys
from pathlib import Path

import pytest

from benchwarden.daemon.main import GROUPS, _parser, main
from tests.test_bay_faults import HERON
from tests.test_bench import BENCH
from tests.test_guardian import Box

PROFILE = """
title = "Short draw"
[[step]]
do = "discharge"
power = "2C"
stop_at = { group_voltage = "discharge cut-off" }
"""
COMMANDS = [name for names in GROUPS.values() for name in names]


@pytest.fixture
def shed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "bench.toml").write_text(BENCH)
    (tmp_path / "heron.toml").write_text(HERON)
    (tmp_path / "draw.toml").write_text(PROFILE)
    return tmp_path


def test_help_lists_every_command(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        main(["--help"])
    assert ended.value.code == 0
    out = capsys.readouterr().out
    for command in COMMANDS:
        assert re.search(rf"^  {command}\s+\S", out, re.M), command
    assert "exit codes: 0 finished, 1 tripped, 2 bad input, 3 stopped, 4 the guardian had to switch off" in out
    assert "Lithium packs burn" in out


def test_every_command_stands_in_one_group() -> None:
    [action] = [one for one in _parser()._actions if isinstance(one, argparse._SubParsersAction)]
    assert sorted(COMMANDS) == sorted(action.choices)


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_explains_itself(command: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        main([command, "--help"])
    assert ended.value.code == 0
    assert f"usage: benchwarden {command}" in capsys.readouterr().out


@pytest.mark.parametrize("arguments", [[], ["charge"], ["plan"], ["run", "standard"], ["simulate", "--factor", "x"]])
def test_what_is_no_command_ends_with_2(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        main(arguments)
    assert ended.value.code == 2
    assert "usage: benchwarden" in capsys.readouterr().err


def test_a_plan_shows_absolute_figures_limits_and_the_guardian_s_bytes(
    shed: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["plan", "draw.toml", "left=heron.toml"]) == 0
    out = capsys.readouterr().out
    assert "Bay left, pack Heron" in out
    assert "216 W" in out  # 2 × 5 Ah per hour × 6 × 3.6 V
    assert "2.50 V" in out
    shown = " ".join(out.split())
    assert "left load at TCPIP::192.0.2.10::5025::SOCKET: sends b'SYSTem:REMote\\n" in shown
    assert "INPut OFF\\n', asks b'INPut?\\n', takes 0 or OFF and at most 0.12 A for off" in shown
    assert out.endswith("Nothing was switched on.\n")


def test_packs_may_be_named_before_and_after_an_option(shed: Path, capsys: pytest.CaptureFixture[str]) -> None:
    more = BENCH[BENCH.index("[[bay]]") :].replace('name = "left"', 'name = "middle"').replace("192.0.2", "198.51.100")
    (shed / "both.toml").write_text(f"{BENCH}\n{more}")
    (shed / "plover.toml").write_text(HERON.replace("Heron", "Plover"))
    assert main(["plan", "draw.toml", "left=heron.toml", "--bench", "both.toml", "middle=plover.toml"]) == 0
    out = capsys.readouterr().out
    assert "Bay left, pack Heron" in out
    assert "Bay middle, pack Plover" in out


@pytest.mark.parametrize(
    "arguments",
    [
        ["plan", "draw.toml", "left=heron.toml", "--bench", "bench.toml", "--nonsense"],
        ["off", "left", "--bench", "bench.toml", "right", "--every"],
        ["confirm", "heron.toml", "--bench", "bench.toml", "plover.toml"],
    ],
)
def test_what_no_command_takes_ends_with_2(
    shed: Path, arguments: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit) as ended:
        main(arguments)
    assert ended.value.code == 2
    assert "unrecognized arguments: " in capsys.readouterr().err


def test_a_plan_as_json(shed: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["plan", "standard", "left=heron.toml", "--json"]) == 0
    [job] = json.loads(capsys.readouterr().out)
    assert (job["bay"], job["pack"]) == ("left", "Heron")
    assert len(job["plan"]["steps"]) == 10  # nine of the profile, and the watch after the last current


def test_showing_a_plan_connects_to_nothing(shed: Path, capsys: pytest.CaptureFixture[str]) -> None:
    load, supply = Box(), Box()
    text = BENCH.replace("TCPIP::192.0.2.10::5025::SOCKET", load.address)
    (shed / "bench.toml").write_text(text.replace("TCPIP::192.0.2.11::5025::SOCKET", supply.address))
    assert main(["plan", "draw.toml", "left=heron.toml"]) == 0
    assert load.address in capsys.readouterr().out
    load.close()
    supply.close()
    assert load.lines == supply.lines == []


def test_a_map_beside_the_bench_file_serves_plan_and_off(shed: Path, capsys: pytest.CaptureFixture[str]) -> None:
    own = shed / "elsewhere"
    own.mkdir()
    whole = (Path(__file__).parents[1] / "drivers" / "maps" / "load-function.toml").read_text("utf-8")
    (own / "own.toml").write_text(whole.replace('off = "INPut OFF"', 'off = "INPut 0"'))
    (own / "bench.toml").write_text(BENCH.replace('map = "load-function"', 'map = "own.toml"'))
    assert main(["plan", "draw.toml", "left=heron.toml", "--bench", str(own / "bench.toml")]) == 0
    assert "INPut 0\\n" in capsys.readouterr().out


def test_a_load_that_the_guardian_cannot_reach_is_shown(shed: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (shed / "bench.toml").write_text(BENCH.replace("TCPIP::192.0.2.10::5025::SOCKET", "USB0::1::2::INSTR"))
    assert main(["plan", "draw.toml", "left=heron.toml"]) == 0
    assert "left load at USB0::1::2::INSTR: the guardian reaches TCPIP…::SOCKET and" in " ".join(
        capsys.readouterr().out.split()
    )


@pytest.mark.parametrize("command", ["plan", "run"])
def test_bad_packs_on_the_command_line_are_all_named(
    shed: Path, command: str, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit) as ended:
        main([command, "draw.toml", "left=heron.toml", "left=heron.toml", "heron.toml", "=x", "right="])
    assert ended.value.code == 2
    assert capsys.readouterr().err.splitlines() == [
        "command line: bay 'left' is named twice; one pack for each bay",
        *(
            f"command line: found {text!r}; right would be BAY=PACK, such as left=heron.toml"
            for text in ("heron.toml", "=x", "right=")
        ),
    ]


def test_every_mistake_of_every_file_ends_a_plan_with_2(shed: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (shed / "heron.toml").write_text(HERON.replace("452 g", "452").replace('"li-ion"', '"lead"'))
    (shed / "draw.toml").write_text(PROFILE.replace('power = "2C"', 'power = "2 V"\nspeed = 3'))
    with pytest.raises(SystemExit) as ended:
        main(["plan", "draw.toml", "left=heron.toml", "attic=heron.toml"])
    assert ended.value.code == 2
    error = capsys.readouterr().err
    for what in ("draw.toml: step 1: ", "heron.toml: mass: ", "heron.toml: chemistry: ", "bench.toml: [[bay]]: "):
        assert what in error, what
    assert "there is no bay 'attic'; known: left" in error
    assert "Traceback" not in error


def test_a_run_with_bad_files_ends_with_2_and_no_run_folder(shed: Path) -> None:
    """With the real guardian over a real worker: what the worker refuses is what the command ends with."""
    (shed / "heron.toml").write_text(HERON.replace("452 g", "452"))
    source = str(Path(__file__).parents[1] / "src")
    done = subprocess.run(
        [sys.executable, "-m", "benchwarden.daemon.main", "run", "draw.toml", "left=heron.toml"],
        env={"PYTHONPATH": source},
        cwd=shed,
        capture_output=True,
        text=True,
        check=False,
    )
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr.startswith("heron.toml: mass: ")
    assert "Traceback" not in done.stderr
    assert not (shed / "runs").exists()


@pytest.mark.parametrize("arguments", [["off"], ["off", "--all", "left"]])
def test_off_wants_bays_or_all(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        main(arguments)
    assert ended.value.code == 2
    assert capsys.readouterr().err == "command line: right would be `off --all`, or `off BAY …`\n"


@pytest.mark.parametrize("soc", ["-0.1", "1.1", "nan"])
def test_simulate_refuses_a_charge_that_no_pack_has(shed: Path, soc: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["simulate", "--soc", soc]) == 2
    assert capsys.readouterr().err == f"command line: --soc is {soc}; right would be 0 to 1\n"


@pytest.mark.parametrize("command", ["report", "compare"])
def test_a_run_folder_that_is_none_ends_with_2(shed: Path, command: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main([command, str(shed / "nothing"), str(shed)]) == 2
    assert str(shed / "nothing") in capsys.readouterr().err
