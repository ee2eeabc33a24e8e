"""The systemd unit: what it says, where it goes, and that systemd itself understands it."""

import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from benchwarden.daemon import guardian
from benchwarden.daemon.commands import install
from benchwarden.daemon.commands.install import MARK, Unit, unit_path
from benchwarden.daemon.main import main

PYTHON = Path(sys.executable)


def settings(text: str) -> dict[str, str]:
    return dict(line.split("=", 1) for line in text.splitlines() if "=" in line and not line.startswith("#"))


def test_the_unit_of_the_system() -> None:
    """Faults 33, 34, 38, 39: less likely killed, watched, idle after a restart, off once more at the end."""
    found = settings(Unit(PYTHON, Path("/srv/shed/bench.toml"), "heron", ("dialout",)).text())
    assert found["Type"] == "notify"
    assert found["WatchdogSec"] == "10"
    assert found["KillMode"] == "mixed"
    assert found["TimeoutStopSec"] == "150"
    assert found["Restart"] == "on-failure"
    assert found["OOMScoreAdjust"] == "-900"
    assert (found["User"], found["SupplementaryGroups"]) == ("heron", "dialout")
    assert found["ExecStart"].endswith("-m benchwarden.daemon.main serve --bench /srv/shed/bench.toml")
    assert found["ExecStopPost"].endswith("-m benchwarden.daemon.main off --all --bench /srv/shed/bench.toml")
    assert found["After"] == found["Wants"] == "network-online.target"
    assert (found["StartLimitBurst"], found["StartLimitIntervalSec"]) == ("5", "600")
    assert found["WantedBy"] == "multi-user.target"


def test_the_numbers_stand_in_their_order() -> None:
    """A missing sign of life is the guardian's before it is systemd's, and asserting off ends before a kill."""
    assert guardian.ALIVE_S * 2 < install.WATCHDOG_S
    assert guardian.SILENCE_S < install.WATCHDOG_S
    assert guardian.STOP_GRACE_S + guardian.ASSERT_OFF_S < install.STOP_S


def test_a_unit_of_a_user_has_no_user_in_it() -> None:
    found = settings(Unit(PYTHON, Path("/srv/shed/bench.toml"), None, ("dialout",)).text())
    assert not {"User", "OOMScoreAdjust", "SupplementaryGroups", "After"} & set(found)
    assert found["WantedBy"] == "default.target"


@pytest.mark.parametrize(
    ("path", "word"),
    [
        ("/srv/shed/bench.toml", "/srv/shed/bench.toml"),
        ("/srv/boat shed/bench.toml", '"/srv/boat shed/bench.toml"'),
        ("/srv/100%/$shed.toml", '"/srv/100%%/$$shed.toml"'),
        ('/srv/a"b\\c.toml', '"/srv/a\\"b\\\\c.toml"'),
    ],
)
def test_paths_are_one_word_each(path: str, word: str) -> None:
    assert settings(Unit(PYTHON, Path(path), "heron").text())["ExecStart"].endswith(f"--bench {word}")


def test_the_state_folder_is_named_where_it_is_not_beside_the_bench() -> None:
    unit = Unit(PYTHON, Path("/srv/shed/bench.toml"), "heron", state=Path("/var/lib/boat shed"))
    found = settings(unit.text())
    assert found["ExecStart"].endswith('serve --bench /srv/shed/bench.toml --state "/var/lib/boat shed"')
    assert found["ExecStopPost"].endswith("off --all --bench /srv/shed/bench.toml")  # off asks no folder


@pytest.mark.parametrize("user", ["heron", None])
@pytest.mark.parametrize("folder", ["shed", "boat shed 100% $x"])
def test_systemd_understands_it(tmp_path: Path, user: str | None, folder: str) -> None:
    if not shutil.which("systemd-analyze"):
        pytest.skip("there is no systemd-analyze here: the unit was not verified by systemd itself")
    bench = tmp_path / folder / "bench.toml"
    bench.parent.mkdir()
    bench.write_text("")
    unit = tmp_path / "benchwarden.service"
    unit.write_text(Unit(PYTHON, bench, user, state=bench.parent / "state of it").text())
    command = ["systemd-analyze", "verify", "--man=no", str(unit)]
    done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=60)
    about = [line for line in (done.stdout + done.stderr).splitlines() if "benchwarden" in line]
    assert about == []
    unit.write_text(Unit(PYTHON, bench, user).text().replace("KillMode=mixed", "KillMode=sometimes"))
    spoilt = subprocess.run(command, capture_output=True, text=True, check=False, timeout=60)
    assert "sometimes" in spoilt.stdout + spoilt.stderr  # it does complain where there is reason


def test_where_it_goes() -> None:
    assert unit_path({}, for_user=False) == Path("/etc/systemd/system/benchwarden.service")
    assert unit_path({"HOME": "/home/heron"}, for_user=True) == Path(
        "/home/heron/.config/systemd/user/benchwarden.service"
    )
    assert unit_path({"XDG_CONFIG_HOME": "/x"}, for_user=True) == Path("/x/systemd/user/benchwarden.service")


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    path = tmp_path / "bench.toml"
    path.write_text("")
    return path


def test_it_is_shown_and_not_written(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["install", "--user", "--bench", str(bench)]) == 0
    out = capsys.readouterr().out
    assert out.startswith(MARK)
    assert f"This would go to {bench.parent}/config/systemd/user/benchwarden.service; nothing was written." in out
    assert not (bench.parent / "config").exists()


def test_it_is_written_when_asked_and_again(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for _ in range(2):
        assert main(["install", "--user", "--write", "--bench", str(bench)]) == 0
    path = bench.parent / "config/systemd/user/benchwarden.service"
    assert capsys.readouterr().out.startswith(path.read_text())
    assert [one.name for one in path.parent.iterdir()] == ["benchwarden.service"]


def test_a_unit_of_somebody_else_is_left_alone(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = bench.parent / "config/systemd/user/benchwarden.service"
    path.parent.mkdir(parents=True)
    path.write_text("[Unit]\n")
    assert main(["install", "--user", "--write", "--bench", str(bench)]) == 2
    assert "not by this program" in capsys.readouterr().err
    assert path.read_text() == "[Unit]\n"


def test_root_and_a_missing_bench_are_refused(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["install", "--as", "root", "--bench", str(bench)]) == 2
    assert "needs no rights of root" in capsys.readouterr().err
    assert main(["install", "--as", "heron", "--bench", str(bench.parent / "no.toml")]) == 2
    assert "there is no such bench file" in capsys.readouterr().err
    assert main(["install", "--as", "heron", "--bench", str(bench)]) == 0
    assert "\nUser=heron\n" in capsys.readouterr().out
    assert main(["install", "--as", "heron", "--bench", str(bench), "--state", str(bench)]) == 2
    assert "is no folder; one of the service's own would be right" in capsys.readouterr().err
    assert main(["install", "--as", "heron", "--bench", str(bench), "--state", str(bench.parent / "lists")]) == 0
    assert f" --state {bench.parent}/lists\n" in capsys.readouterr().out
