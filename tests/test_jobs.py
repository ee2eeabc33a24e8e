"""What a command line asks for, worked out: one plan for each bay, or every mistake in every file."""

from importlib.resources import files
from pathlib import Path

import pytest

from benchwarden.daemon.planning.jobs import load_bench, prepare
from benchwarden.daemon.planning.run_info import run_info
from benchwarden.profiles.mistakes import FileMistakes
from tests.test_bay_faults import HERON
from tests.test_bench import BENCH, SECOND

PROFILE = """
title = "Short draw"
[[step]]
do = "discharge"
power = "2C"
stop_at = { group_voltage = "discharge cut-off" }
"""


@pytest.fixture
def shed(tmp_path: Path) -> Path:
    """A folder with a bench of two bays, a pack and a profile."""
    (tmp_path / "bench.toml").write_text(BENCH + "[[bay]]" + SECOND)
    (tmp_path / "heron.toml").write_text(HERON)
    (tmp_path / "draw.toml").write_text(PROFILE)
    return tmp_path


def refused(shed: Path, profile: str, **packs: Path) -> list[str]:
    with pytest.raises(FileMistakes) as found:
        prepare(load_bench(shed / "bench.toml"), shed / "bench.toml", profile, packs)
    return list(found.value.mistakes)


@pytest.mark.parametrize("profile", ["standard", "capacity", "burst"])
def test_a_shipped_profile_for_two_bays(shed: Path, profile: str) -> None:
    bench = load_bench(shed / "bench.toml")
    pack = shed / "heron.toml"
    jobs = prepare(bench, shed / "bench.toml", profile, {"left": pack, "right": pack})
    assert [job.entry.name for job in jobs] == ["left", "right"]
    assert {job.profile_name for job in jobs} == {profile}
    assert len({job.plan.fingerprint for job in jobs}) == 1  # the same test on the same kind of bay
    assert all(job.plan.steps for job in jobs)


def test_a_profile_file_is_named_by_its_file(shed: Path) -> None:
    bench = load_bench(shed / "bench.toml")
    [job] = prepare(bench, shed / "bench.toml", str(shed / "draw.toml"), {"left": shed / "heron.toml"})
    assert (job.profile_name, job.plan.title, job.pack.name) == ("draw", "Short draw", "Heron")


def test_what_run_json_says_of_a_job(shed: Path) -> None:
    bench = load_bench(shed / "bench.toml")
    [job] = prepare(bench, shed / "bench.toml", str(shed / "draw.toml"), {"left": shed / "heron.toml"})
    identities = {name: {"maker": "M", "model": "X", "serial": "1", "firmware": "2"} for name in job.entry.entries}
    info = run_info(bench, job, identities, 1.8e9)
    assert (info["bench"], info["bay"], info["profile"]["name"], info["series"]) == ("boat shed", "left", "draw", 6)
    assert info["fingerprint"] == job.plan.fingerprint
    assert info["instruments"]["load"]["identity"] == identities["load"]
    assert info["started_utc"] == "2027-01-15T08:00:00Z"
    assert (info["mass_kg"], info["rated_capacity_ah"], info["nominal_v"]) == (0.452, 5.0, pytest.approx(6 * 3.6))


def test_every_mistake_in_every_file_at_once(shed: Path) -> None:
    (shed / "bad.toml").write_text(HERON.replace('chemistry = "li-ion"', 'chemistry = "lead"').replace("452 g", "452"))
    (shed / "wrong.toml").write_text(PROFILE.replace('"2C"', '"2 A"') + "[[step]]\ndo = 'sleep'\n")
    found = refused(shed, str(shed / "wrong.toml"), left=shed / "bad.toml", attic=shed / "heron.toml")
    for what in ("wrong.toml: step 1", "wrong.toml: step 2", "bad.toml: chemistry", "bad.toml: mass"):
        assert sum(what in mistake for mistake in found) == 1, (what, found)
    [bay] = [mistake for mistake in found if "[[bay]]" in mistake]
    assert bay == f"{shed / 'bench.toml'}: [[bay]]: there is no bay 'attic'; known: left, right"
    assert len(found) == 5


def test_a_plan_that_is_refused_names_profile_pack_and_bay(shed: Path) -> None:
    (shed / "greedy.toml").write_text(PROFILE.replace('"2C"', '"90C"'))
    found = refused(shed, str(shed / "greedy.toml"), left=shed / "heron.toml")
    assert found
    assert all(mistake.startswith(f"greedy for {shed / 'heron.toml'} in bay left: ") for mistake in found)
    assert any("W" in mistake for mistake in found)


def test_a_profile_that_is_nowhere(shed: Path) -> None:
    [found] = refused(shed, "endurance", left=shed / "heron.toml")
    assert found.startswith("profile 'endurance': neither a file nor a shipped profile; shipped: ")
    assert all(name in found for name in ("standard", "capacity", "burst"))
    [found] = refused(shed, str(shed / "gone.toml"), left=shed / "heron.toml")
    assert found == f"{shed / 'gone.toml'}: the profile cannot be read: No such file or directory"


def test_files_that_cannot_be_read(shed: Path) -> None:
    (shed / "binary.toml").write_bytes(b"name = \xff")
    assert refused(shed, "capacity", left=shed / "gone.toml", right=shed / "binary.toml") == [
        f"{shed / 'gone.toml'}: the pack file cannot be read: No such file or directory",
        f"{shed / 'binary.toml'}: the pack file is not UTF-8 text (invalid start byte)",
    ]
    with pytest.raises(FileMistakes, match="the bench file cannot be read: No such file or directory"):
        load_bench(shed / "nowhere.toml")
    with pytest.raises(FileMistakes, match="the bench file cannot be read: Is a directory"):
        load_bench(shed)


@pytest.mark.parametrize(
    ("old", "new", "what"),
    [
        ('map = "load-function"', 'map = "load-funktion"', "load-funktion"),
        ('map = "load-function"', 'map = "supply"', "supply"),
        ('map = "scanner", channels = "101:106"', 'map = "scanner", channels = "one to six"', "channels"),
        ("ASRL/dev/serial/by-id/scanner::INSTR", "serial port 3", "serial port 3"),
        ("TCPIP::192.0.2.10::5025::SOCKET", "TCPIP::192.0.2.10::70000::SOCKET", "port 70000"),
    ],
)
def test_maps_and_addresses_are_checked_with_the_file(shed: Path, old: str, new: str, what: str) -> None:
    assert old in BENCH
    (shed / "bench.toml").write_text(BENCH.replace(old, new))
    with pytest.raises(FileMistakes) as found:
        load_bench(shed / "bench.toml")
    [mistake] = found.value.mistakes
    assert mistake.startswith(f"{shed / 'bench.toml'}: [[bay]] left: ")
    assert what in mistake


def test_a_map_beside_the_bench_file_is_found(shed: Path) -> None:
    own = (files("benchwarden.drivers") / "maps" / "load-function.toml").read_text("utf-8")
    (shed / "own.toml").write_text(own)
    (shed / "bench.toml").write_text(BENCH.replace('map = "load-function"', 'map = "own.toml"'))
    assert load_bench(shed / "bench.toml").bay[0].loads[0].map == "own.toml"
