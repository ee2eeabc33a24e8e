"""Two controllers (fault 37): one program for each instrument that is switched, whoever and whatever started it."""

import os
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from benchwarden.daemon.guard import instrument_lock
from benchwarden.daemon.guard.instrument_lock import InstrumentsTaken, held, holders, normalised, switched
from benchwarden.daemon.main import main
from tests.shed import ENVIRONMENT
from tests.test_bench import BENCH, SECOND

HOLD = (
    "import sys; from pathlib import Path; from benchwarden.daemon.guard import instrument_lock as lock\n"
    "with lock.held(Path(sys.argv[1]), None, [Path(sys.argv[2])]): print('held', flush=True); sys.stdin.read()"
)

WITH_WORKER = (
    HOLD.replace("print('held'", "print('held', W.Popen(['sleep', '1'], pass_fds=found).pid, sep='\\n'")
    .replace("):", ") as found:")
    .replace("import sys;", "import subprocess as W, sys;")
)


@contextmanager
def another(bench: Path, folder: Path, program: str = HOLD) -> Iterator["subprocess.Popen[str]"]:
    """Another program that holds all of a bench."""
    command = [sys.executable, "-c", program, str(bench), str(folder)]
    other = subprocess.Popen(command, env=ENVIRONMENT, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
    try:
        assert other.stdout
        assert other.stdout.readline() == "held\n"
        yield other
    finally:
        other.communicate(timeout=60)


@pytest.fixture
def bench(tmp_path: Path) -> Path:
    path = tmp_path / "bench.toml"
    path.write_text(BENCH + "[[bay]]" + SECOND)
    (tmp_path / "locks").mkdir()
    return path


def test_what_is_switched_has_a_lock_and_what_only_looks_has_none(bench: Path) -> None:
    assert switched(bench, ["left"]) == {
        "left load": "TCPIP::192.0.2.10::5025::SOCKET",
        "left supply": "TCPIP::192.0.2.11::5025::SOCKET",
    }
    assert set(switched(bench, None)) == {"left load", "left supply", "right load", "right supply"}


def test_loads_in_parallel_and_a_contactor_are_switched_too(bench: Path) -> None:
    bench.write_text(
        '[[bay]]\nname = "left"\nload = [{ at = "USB0::1::2::INSTR" }, { at = "GPIB0::3::INSTR" }, { at = 3 }]\n'
        'contactor = { at = "ASRL/dev/ttyUSB0::INSTR" }\nsupply = { at = "MEMORY::supply" }\n'
    )
    assert list(switched(bench, None)) == ["left load 1", "left load 2", "left contactor"]


@pytest.mark.parametrize("text", [None, "[[bay", "bay = 3", '[[bay]]\nload = "x"'])
def test_a_file_with_mistakes_is_for_somebody_else_to_complain_of(tmp_path: Path, text: str | None) -> None:
    if text is not None:
        (tmp_path / "bench.toml").write_text(text)
    assert switched(tmp_path / "bench.toml", None) == {}


@pytest.mark.parametrize(
    ("one", "other", "same"),
    [
        ("TCPIP::192.0.2.10::5025::SOCKET", "tcpip0::192.0.2.10::05025::socket", True),
        ("TCPIP::Load.example::5025::SOCKET", "TCPIP::load.example::5025::SOCKET", True),
        ("TCPIP::localhost::5025::SOCKET", "TCPIP::127.0.0.1::5025::SOCKET", True),
        ("TCPIP::[2001:db8::1]::5025::SOCKET", "TCPIP::[2001:DB8:0::1]::5025::SOCKET", True),
        ("TCPIP::192.0.2.10::5025::SOCKET", "TCPIP::192.0.2.10::5026::SOCKET", False),
        ("USB0::0x1::0x2::A::INSTR", "USB::0X1::0x2::a::INSTR", True),
        ("GPIB0::3::INSTR", "GPIB1::3::INSTR", False),
    ],
)
def test_one_instrument_has_one_name(one: str, other: str, same: bool) -> None:
    """VISA resource strings: letters' case does not matter, a missing board number is 0 (VPP-4.3, from memory)."""
    assert (normalised(one) == normalised(other)) is same


def test_a_serial_port_is_the_same_by_any_of_its_names(tmp_path: Path) -> None:
    (tmp_path / "ttyUSB7").write_text("")
    (tmp_path / "by-id").symlink_to(tmp_path / "ttyUSB7")
    assert normalised(f"ASRL{tmp_path}/by-id::INSTR") == normalised(f"ASRL{tmp_path}/ttyUSB7::INSTR")


def test_who_comes_second_is_told_who_came_first(bench: Path, tmp_path: Path) -> None:
    locks = tmp_path / "locks"
    copy = tmp_path / "copy.toml"  # another bench file, another bay's name, the same load
    copy.write_text(bench.read_text().replace('"left"', '"top"').replace("192.0.3", "192.0.4"))
    assert holders(bench, None, [locks]) == []
    with another(copy, locks) as other:
        with pytest.raises(InstrumentsTaken) as found, held(bench, None, [locks]):
            pass
        [line] = str(found.value).splitlines()
        assert line.startswith(f"process {other.pid} since 20")
        assert f" (benchwarden {copy} {locks}, in {os.getcwd()}) holds left load at TCPIP::192.0.2.10::5025::S" in line
        assert ", left supply at TCPIP::192.0.2.11::5025::SOCKET" in line
        assert "right" not in line.partition(" holds ")[2]
        [who] = holders(bench, None, [locks])
        assert who.startswith(f"process {other.pid} since ")
        with held(bench, ["right"], [locks]):  # nobody has that one
            assert len(list(locks.iterdir())) == 6
    with held(bench, None, [locks]):
        pass
    assert list(locks.iterdir()) == []


def test_a_program_that_was_killed_holds_nothing(bench: Path, tmp_path: Path) -> None:
    locks = tmp_path / "locks"
    with another(bench, locks) as other:
        other.kill()
        other.wait(60)
        assert len(list(locks.iterdir())) == 4
        with held(bench, ["left"], [locks]) as hold:
            assert len(hold) == 2
            assert len(list(locks.iterdir())) == 2  # the names that it left are swept away, ours are not
            assert holders(bench, ["left"], [locks])


def test_a_worker_that_outlives_its_guardian_keeps_them_until_it_ends(bench: Path, tmp_path: Path) -> None:
    """The next start waits for it, since who is named as the holder has ended."""
    locks = tmp_path / "locks"
    with another(bench, locks, WITH_WORKER) as other:
        assert other.stdout
        worker = int(other.stdout.readline())
        other.kill()
        other.wait(60)
        assert holders(bench, None, [locks])
        with held(bench, None, [locks]):
            assert not Path(f"/proc/{worker}/stat").exists() or " Z " in Path(f"/proc/{worker}/stat").read_text()


def test_two_bays_with_one_supply_are_held_once(bench: Path, tmp_path: Path) -> None:
    bench.write_text(bench.read_text().replace("192.0.3.11", "192.0.2.11"))
    with held(bench, None, [tmp_path / "locks"]) as hold:
        assert len(hold) == 3


def test_a_link_or_a_folder_in_the_way_is_not_followed_and_said(
    bench: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    locks, precious = tmp_path / "locks", tmp_path / "precious"
    precious.write_text("keep me")
    with held(bench, None, [locks]):
        names = [path.name for path in locks.iterdir()]
    for name in names:
        (locks / name).symlink_to(precious)
    with held(bench, None, [locks]) as hold:
        assert hold == []
    assert "nothing keeps another program off this bench" in capsys.readouterr().err
    assert precious.read_text() == "keep me"
    with held(bench, None, [locks, tmp_path]) as hold:  # another folder that takes files is enough
        assert len(hold) == 4
    with held(bench, None, [tmp_path / "not there"]) as hold:
        assert hold == []


def test_run_drill_and_serve_are_refused_with_2_and_off_never_is(
    bench: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    locks = tmp_path / "locks"
    for name in ("held", "holders"):
        whole = getattr(instrument_lock, name)
        monkeypatch.setattr(instrument_lock, name, lambda path, bays, whole=whole: whole(path, bays, [locks]))
    (tmp_path / "bench.toml").write_text(BENCH.replace("192.0.2.1", "127.0.0.1"))
    with another(bench, locks) as other:
        for command in (["run", "capacity", "left=heron.toml"], ["drill", "left"], ["serve"]):
            assert main([*command, "--bench", str(bench)]) == 2
            said = capsys.readouterr().err
            assert said.startswith(f"process {other.pid} since")
            assert "end that one first" in said
        assert main(["off", "--all", "--bench", str(bench)]) == 1  # nothing answers there; but it was tried
        out = capsys.readouterr().out
        assert out.count("NOT CONFIRMED") == 2
        assert out.splitlines()[-1].startswith(f"process {other.pid} since ")
        assert out.endswith("has this bench, and now finds it switched off\n")
