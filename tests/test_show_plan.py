"""What a plan shows: readable at 80 columns, everything as JSON, expected from earlier runs, and as a chart."""

import json
import re
import xml.etree.ElementTree as ET
from pathlib import Path
from typing import Any

import pytest

from benchwarden.daemon.commands.show_plan import as_data, as_text
from benchwarden.daemon.main import main
from benchwarden.daemon.planning.jobs import Job, load_bench, prepare
from benchwarden.daemon.planning.plan_facts import MANY_RELAYS, gather
from benchwarden.daemon.planning.plan_text import WIDTH
from benchwarden.daemon.safety import State
from benchwarden.profiles.shipped import library_names
from tests.test_bay_faults import HERON
from tests.test_bench import BENCH


@pytest.fixture
def shed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "bench.toml").write_text(BENCH.replace('power = "1500 W"', 'power = "3000 W"'))
    (tmp_path / "heron.toml").write_text(HERON)
    return tmp_path


def job(profile: str = "standard") -> Job:
    path = Path("bench.toml")
    [found] = prepare(load_bench(path), path, profile, {"left": Path("heron.toml")})
    return found


@pytest.mark.parametrize("profile", library_names())
@pytest.mark.parametrize("every_command", [False, True])
def test_every_line_fits_80_columns(shed: Path, profile: str, every_command: bool) -> None:
    """But for what is shown verbatim: an address and the bytes that are sent."""
    text = as_text([job(profile)], Path("bench.toml"), every_command=every_command)
    wide = [line for line in text.splitlines() if len(line) > WIDTH]
    assert wide == []
    assert not any(line.endswith((" 0", " 1", " 2.5")) for line in text.splitlines()), "a number without its unit"


def test_a_plan_says_what_ends_each_step_and_what_is_set(shed: Path) -> None:
    text = " ".join(as_text([job()], Path("bench.toml")).split())
    for words in (
        "0. test pulse, unless a group is too low for it; then 10 s of rest",
        "ends highest group full at 4.20 V and the current down to 0.25 A or 6 h, or 5.5 Ah put in: the run ends",
        "sets supply: at most 25.2 V, 2.5 A; may pause and go on; its own over-voltage trip at 25.5 V",
        "ends lowest group at 2.50 V, discharge cut-off or hottest sensor at 75 °C: the charge then reads at least",
        "sets load: power 540 W, ceiling 39.6 A; its own under-voltage trip at 13.2 V",
        "ends 30 min and the pack is below 35 °C or 3 h without that: the run ends",
        "drawing: load draws at most",
        "feeding: load at most 0.12 A either way, supply feeds at most 2.62 A",
        "part the pack from its instruments: no contactor",
        "measured nothing yet: no finished run of this pack in the runs folder",
        "resistance 86 mohm: typical of li-ion, not measured",
    ):
        assert words in text, words


def test_relays_are_counted_and_many_are_warned_of(shed: Path) -> None:
    """Six channels a second for the 7 h of a standard test are some 150,000; a short test closes few."""
    shown = gather(job(), Path("bench.toml"))
    assert shown.relay_operations == pytest.approx(6 * shown.forecast.duration_s, rel=0.001)
    assert (shown.relay_operations or 0) > MANY_RELAYS
    assert "WARNING: more than 100,000 in one night" in " ".join(as_text([job()], Path("bench.toml")).split())
    text = as_text([job("capacity")], Path("bench.toml"))
    assert "scanner: 6 channels each 1 s close about" in text
    assert "WARNING" not in text


def test_the_json_has_it_all(shed: Path) -> None:
    found = json.loads(json.dumps(as_data(job(), Path("bench.toml"))))
    numbers = [step["number"] for step in found["plan"]["steps"]]
    assert [int(number) for number in found["ends"]] == numbers
    assert all(found["ends"].values())
    assert [one["step"] for one in found["commands"]] == [0, *numbers]
    ladder = next(one for one in found["commands"] if one["step"] == 7)
    assert len(ladder["switchings"]) == len(found["plan"]["steps"][6]["rungs"])
    assert set(found["limits_by_state"]) == {State.READY.value, State.DRAWING.value, State.FEEDING.value}
    assert {one["name"] for one in found["guardian"]} == {"left load", "left supply"}
    assert found["guardian"][1]["off"] == "OUTPut OFF\n"
    expected = found["expected"]
    assert expected["duration_s"] == pytest.approx(sum(step["duration_s"] for step in expected["steps"]))
    assert len({len(column) for column in expected["points"].values()}) == 1
    assert found["lacks"] == ["supply: no timer of its own"]


def an_earlier_run(shed: Path, name: str, **changes: Any) -> None:
    """As a finished run leaves it; 100 mohm are what its edge showed."""
    plan = job().plan
    info = {
        "pack": {"name": "Heron", "chemistry": "li-ion"},
        "series": 6,
        "rated_capacity_ah": 5.0,
        "fingerprint": plan.fingerprint,
        "started_unix_s": 1e9,
        **changes,
    }
    values = {"delivered_ah": 4.61, "delivered_wh": 93.2, "dc_resistance_ohm": 0.1, "temperature_rise_k": 38.0}
    figures = {key: {"value": value, "unit": ""} for key, value in values.items()}
    folder = shed / "runs" / "heron" / name
    folder.mkdir(parents=True)
    (folder / "run.json").write_text(json.dumps(info))
    (folder / "result.json").write_text(json.dumps({"partial": changes.get("partial", False), "figures": figures}))


def test_what_an_earlier_run_has_measured_takes_the_place_of_what_is_typical(
    shed: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    typical = gather(job(), Path("bench.toml"), Path("runs")).forecast
    an_earlier_run(shed, "one")
    shown = gather(job(), Path("bench.toml"), Path("runs"))
    # Four fifths of a pack's resistance show at an edge.
    assert shown.forecast.resistance_ohm == pytest.approx(0.1 / 0.8)
    assert shown.forecast.heat_wh > 1.2 * typical.heat_wh
    assert main(["plan", "standard", "left=heron.toml"]) == 0
    out = " ".join(capsys.readouterr().out.split())
    assert "measured heron/one; delivered 4.61 Ah, 93.2 Wh; warmed by 38 K; resistance 100.0 mohm at load-on" in out
    assert "(by the same procedure)" in out
    assert "not measured" not in out


@pytest.mark.parametrize(
    "changes",
    [{"pack": {"name": "Heron", "chemistry": "lipo"}}, {"series": 4}, {"rated_capacity_ah": 4.0}, {"partial": True}],
)
def test_runs_of_another_pack_or_cut_short_do_not_count(shed: Path, changes: dict[str, Any]) -> None:
    an_earlier_run(shed, "one", **changes)
    assert gather(job(), Path("bench.toml"), Path("runs")).earlier == ()


@pytest.mark.parametrize(
    "text", ["", "[", "[]", '{"figures": 3}', '{"figures": {"dc_resistance_ohm": {"value": "x"}}}']
)
def test_what_cannot_be_read_is_passed_over(shed: Path, text: str) -> None:
    an_earlier_run(shed, "one")
    (shed / "runs" / "heron" / "one" / "result.json").write_text(text)
    assert "typical" in " ".join(gather(job(), Path("bench.toml"), Path("runs")).forecast.assumed)


def test_the_newest_run_of_the_same_procedure_comes_first(shed: Path) -> None:
    an_earlier_run(shed, "old")
    an_earlier_run(shed, "new", started_unix_s=2e9, fingerprint="1-other")
    names = [(run.name, run.same) for run in gather(job(), Path("bench.toml"), Path("runs")).earlier]
    assert names == [("heron/new", False), ("heron/old", True)]
    assert "heron/old" in as_text([job()], Path("bench.toml"), Path("runs"))


def test_the_expected_course_is_drawn_in_a_child(shed: Path, capsys: pytest.CaptureFixture[str]) -> None:
    pytest.importorskip("matplotlib")
    assert main(["plan", "burst", "left=heron.toml", "--chart", "course.svg"]) == 0
    assert capsys.readouterr().out.endswith("chart: course.svg\n")
    # SVG 1.1 (W3C), 5.1.2: the root element.
    assert ET.parse("course.svg").getroot().tag == "{http://www.w3.org/2000/svg}svg"


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--chart", "course.pdf"], "found '.pdf'; right would be FILE.png or FILE.svg"),
        (["--chart", "nowhere/course.png"], "there is no folder"),
        (["right=heron.toml", "--chart", "course.png"], "--chart draws one bay's plan; found 2"),
    ],
)
def test_a_chart_that_cannot_be_drawn_is_refused(
    shed: Path, arguments: list[str], words: str, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit) as ended:
        main(["plan", "capacity", "left=heron.toml", *arguments])
    assert ended.value.code == 2
    assert words in capsys.readouterr().err


def test_a_plan_of_many_tries_says_first_how_long_one_takes(shed: Path) -> None:
    text = " ".join(as_text([job("rated-capacity")], Path("bench.toml")).split())
    found = re.search(r"takes with one cycle about ([\d.]+) h; with 5 about ([\d.]+) h: ([\d.]+) h in steps", text)
    assert found is not None, text
    one_h, all_h, flowing_h = map(float, found.groups())
    assert 9 <= one_h <= 10.5  # 5 h at 0.2C, the charge before, 90 min of rest, the storing, the watch
    assert 4 * one_h < all_h < 5 * one_h
    assert flowing_h < all_h
    assert "takes about" in " ".join(as_text([job("standard")], Path("bench.toml")).split())
