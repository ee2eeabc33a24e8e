"""Charging with nobody there: off by default, and what it needs; who confirmed the pack; a pack's first charge.

Common practice, no source: what an unattended charge needs, and 2.0 V as the lowest from which a group is brought back.
"""

import asyncio
import json
import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from benchwarden.daemon.bench import read_bench
from benchwarden.daemon.main import main
from benchwarden.daemon.planning import confirmed, may_run
from benchwarden.daemon.planning.jobs import Job, load_bench, prepare
from benchwarden.daemon.running.conductor import Ask
from benchwarden.daemon.running.limits import has_recovered, limits_by_state, limits_while_recovering
from benchwarden.daemon.safety import State
from benchwarden.daemon.serving.waiting_list import Fate, Stand
from benchwarden.daemon.worker import Orders, run_one
from benchwarden.daemon.worker import main as work
from benchwarden.profiles.attendance import Circumstances, attended, charges, refusals
from benchwarden.profiles.mistakes import FileMistakes
from benchwarden.profiles.pack import read_pack, resolved
from benchwarden.profiles.plan import Plan, work_out
from benchwarden.profiles.planned import PlannedCharge
from benchwarden.profiles.profile import read_profile
from benchwarden.results.folder import read_run
from benchwarden.results.sample import Sample
from benchwarden.simulators.meter import Meter
from benchwarden.simulators.pack import GroupModel
from benchwarden.simulators.start import SimulatedBench
from tests.ideal_bay import ideal_bay, linear_cell, pack_of, pack_toml
from tests.pretend_pack import heron, left_bay
from tests.service_bench import Board, serving
from tests.test_bay_faults import CHARGE, DISCHARGE, HERON, LEFT
from tests.test_bench import BENCH
from tests.virtual_bench import StandInGuardian, on_virtual_time, run_test

STORE = 'title = "Storage"\n[[step]]\ndo = "store"\n'
FINE = Circumstances(allowed=True, isolation="relay", supply_lacks=(), confirmed=True, charged_attended=True)


def plan(profile: str = CHARGE, **bay: Any) -> Plan:
    return work_out(read_profile(profile, "profile"), heron(), left_bay(**bay))


@pytest.mark.parametrize(
    ("profile", "bay", "charged"),
    [
        (CHARGE, {}, True),
        (CHARGE, {"charge": "operator"}, False),
        (STORE, {}, True),
        (STORE, {"charge": "operator"}, False),
        (DISCHARGE, {}, False),
    ],
)
def test_which_plans_charge(profile: str, bay: dict[str, Any], charged: bool) -> None:
    assert charges(plan(profile, **bay)) == charged


@pytest.mark.parametrize("profile", [CHARGE, STORE])
@pytest.mark.parametrize(
    ("missing", "words", "also_attended"),
    [
        ({"allowed": False}, ["charging unattended is off by default"], False),
        ({"isolation": "none"}, ['the supply\'s isolation is "none"'], False),
        ({"supply_lacks": ("over-voltage trip",)}, ["lacks: the supply's own over-voltage trip"], False),
        ({"charged_attended": False}, ["a pack's first charge is attended, and Heron has had none"], False),
        ({"confirmed": False}, ["nobody has confirmed that Heron is li-ion, 6 in series, full at 4.20 V"], True),
        ({"allowed": False, "confirmed": False}, ["off by default", "nobody has confirmed"], True),
    ],
)
def test_everything_has_to_be_there(
    profile: str, missing: dict[str, Any], words: list[str], also_attended: bool
) -> None:
    found = replace(FINE, **missing)
    assert refusals(plan(profile), FINE) == []
    said = refusals(plan(profile), found)
    assert len(said) == len(words)
    assert all(right in one for one, right in zip(said, words, strict=True))
    assert len(refusals(attended(plan(profile)), found)) == also_attended


def test_a_bay_without_groups_or_sensor_is_named() -> None:
    one_cell = work_out(
        read_profile(CHARGE, "profile"), heron(series=1), left_bay(group_channels=0, temperature_places=("pack",))
    )
    [why] = refusals(one_cell, FINE)
    assert why.endswith("lacks: group voltages (cells)")
    [why] = refusals(replace(one_cell, bay=left_bay(group_channels=1, temperature_places=("ambient",))), FINE)
    assert why.endswith("lacks: a temperature sensor on the pack")


def test_a_pack_without_a_mass_is_charged_with_somebody_there_only() -> None:
    """A probe that fell off shows the air, and only a known mass tells that it should show more."""
    bare = work_out(read_profile(CHARGE, "profile"), heron(mass=None), left_bay())
    [why] = refusals(bare, FINE)
    assert why.startswith("charging unattended also needs the mass of Heron")
    assert 'right would be mass = "… g" in its pack file, or `benchwarden run --attended' in why
    assert refusals(attended(bare), FINE) == []
    assert refusals(work_out(read_profile(DISCHARGE, "profile"), heron(mass=None), left_bay()), FINE) == []


def test_a_draw_with_nobody_there_needs_only_that_nothing_flows_back() -> None:
    bare = Circumstances(allowed=False, isolation="relay", supply_lacks=(), confirmed=False, charged_attended=False)
    assert refusals(plan(DISCHARGE), bare) == []
    [why] = refusals(plan(DISCHARGE), replace(bare, isolation="none"))
    assert "can feed back into it all night" in why
    assert refusals(attended(plan(DISCHARGE)), replace(bare, isolation="none")) == []


def test_an_attended_plan_is_the_same_test_and_may_bring_a_group_back() -> None:
    alone, there = plan(), attended(plan())
    assert (there.fingerprint, there.attended, alone.attended) == (alone.fingerprint, True, False)
    charge = there.steps[0]
    assert isinstance(charge, PlannedCharge)
    assert (charge.may_recover, charge.recover_current_a, charge.recover_below_v) == (True, 0.5, 2.5)
    assert (there.limits.recover_low_v, alone.limits.recover_low_v) == (2.0, None)
    assert attended(plan(DISCHARGE + CHARGE.split('"Short charge"')[1])).limits.recover_low_v is None  # it draws first
    lipo = work_out(read_profile(CHARGE, "p"), heron(chemistry="lipo"), left_bay())
    assert (lipo.limits.group_low_v, attended(lipo).limits.recover_low_v) == (2.7, 2.0)
    assert lipo.pack.recover_below_v == pytest.approx(2.75)  # clear of its own hard limit, or its rebound trips
    sheet = work_out(read_profile(CHARGE, "p"), heron(hard_low="2.3 V"), left_bay())
    assert attended(sheet).limits.recover_low_v is None  # a data sheet's limit holds then, too


# --- what was confirmed ---------------------------------------------------------------------------


def values(text: str = HERON) -> Any:
    return resolved(read_pack(text))


def test_a_confirmation_is_for_one_chemistry_series_and_full_voltage(tmp_path: Path) -> None:
    assert confirmed.confirmation(tmp_path, values()) is None
    confirmed.confirm(tmp_path, values(), "2026-11-25T21:04:11Z")
    found = confirmed.confirmation(tmp_path, values())
    assert found is not None
    assert (found.what, found.first_charge) == ("li-ion, 6 in series, full at 4.20 V per group (25.20 V)", None)
    confirmed.charged_attended(tmp_path, values(), "heron/one")
    confirmed.charged_attended(tmp_path, values(), "heron/two")
    confirmed.confirm(tmp_path, values(), "2026-11-26T21:04:11Z")  # again, of the same pack
    found = confirmed.confirmation(tmp_path, values(HERON.replace("452 g", "455 g")))
    assert found is not None
    assert found.first_charge == "heron/one"
    for old, new in (
        ('"li-ion"', '"lipo"'),
        ("series = 6", "series = 5"),
        ("series = 6", 'series = 6\ncharge_voltage = "4.15 V"'),
        ('"Heron"', '"Plover"'),
    ):
        changed = values(HERON.replace(old, new))
        assert confirmed.confirmation(tmp_path, changed) is None
        confirmed.charged_attended(tmp_path, changed, "heron/three")
        assert confirmed.confirmation(tmp_path, changed) is None
    confirmed.confirm(tmp_path, values(HERON.replace('"li-ion"', '"lipo"')), "2026-11-27T21:04:11Z")
    assert confirmed.confirmation(tmp_path, values()) is None  # only what was said last counts


def test_a_confirmation_that_cannot_be_read_is_no_confirmation(tmp_path: Path) -> None:
    (tmp_path / "confirmed").mkdir()
    for text in ("", "[]", '{"pack": "Heron"}'):
        (tmp_path / "confirmed" / "heron.json").write_text(text)
        with pytest.raises(FileMistakes, match=r"heron.json: not a pack's confirmation"):
            confirmed.confirmation(tmp_path, values())


@pytest.fixture
def shed(tmp_path: Path) -> Path:
    (tmp_path / "bench.toml").write_text(BENCH)
    (tmp_path / "heron.toml").write_text(HERON)
    (tmp_path / "charge.toml").write_text(CHARGE)
    return tmp_path


def confirm(shed: Path, typed: str, pack: str = "heron.toml") -> int:
    return confirmed.ask_to_confirm(shed / "bench.toml", shed / pack, lambda: typed)


def test_a_person_is_shown_what_is_confirmed_and_says_yes(shed: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert confirm(shed, "\n") == 2
    shown = capsys.readouterr()
    assert "Heron (" in shown.out
    assert "li-ion, 6 in series, full at 4.20 V per group (25.20 V)" in shown.out
    assert "default, not from the data sheet" in shown.out
    assert "nothing was confirmed" in shown.err
    assert not (shed / "confirmed").exists()
    assert confirm(shed, "yes\n") == 0
    assert "Its first charge is attended" in capsys.readouterr().out
    kept = json.loads((shed / "confirmed" / "heron.json").read_text())
    assert kept["pack"] == "Heron"
    (shed / "dipper.toml").write_text('name = "Dipper"\nchemistry = "nimh"\nseries = 6\nrated_capacity = "2 Ah"\n')
    assert confirm(shed, "yes\n", "dipper.toml") == 2
    assert confirm(shed, "yes\n", "nowhere.toml") == 2
    assert confirmed.ask_to_confirm(shed / "attic.toml", shed / "heron.toml", lambda: "yes\n") == 2
    assert "attic.toml: there is no bench file" in capsys.readouterr().err


def job_of(shed: Path, profile: str = "charge") -> Job:
    path = shed / "bench.toml"
    [job] = prepare(load_bench(path), path, str(shed / f"{profile}.toml"), {"left": shed / "heron.toml"})
    return job


def test_what_the_files_beside_the_bench_decide(shed: Path) -> None:
    path = shed / "bench.toml"
    said = may_run.refusals(path, job_of(shed))
    assert [one.startswith(f"{path}: [[bay]] left, charge for Heron: ") for one in said] == [True, True, True]
    path.write_text(BENCH.replace('name = "left"', 'name = "left"\nunattended_charge = true'))
    confirmed.confirm(shed, values(), "2026-11-25T21:04:11Z")
    [why] = may_run.refusals(path, job_of(shed))
    assert "first charge is attended" in why
    confirmed.charged_attended(shed, values(), "heron/one")
    assert may_run.refusals(path, job_of(shed)) == []
    bare = Path(__file__).parents[1] / "drivers" / "maps" / "supply.toml"
    text = bare.read_text("utf-8")
    start, end = text.index("[protect.over_voltage]"), text.index("[protect.over_current]")
    (shed / "bare.toml").write_text(text[:start] + text[end:])
    path.write_text(path.read_text().replace('map = "supply"', 'map = "bare.toml"'))
    [why] = may_run.refusals(path, job_of(shed))
    assert why.endswith("lacks: the supply's own over-voltage trip")
    path.write_text(BENCH.replace('isolation = "relay"', 'isolation = "none"'))
    (shed / "charge.toml").write_text(DISCHARGE)
    [why] = may_run.refusals(path, job_of(shed))
    assert "feed back" in why


def test_run_refuses_with_exit_code_2_and_plan_only_says_so(shed: Path, capsys: pytest.CaptureFixture[str]) -> None:
    files = [str(shed / "charge.toml"), f"left={shed / 'heron.toml'}", "--bench", str(shed / "bench.toml")]
    assert main(["plan", *files]) == 0
    assert "will not be run unattended:" in capsys.readouterr().out
    orders = Orders(str(shed / "bench.toml"), str(shed / "charge.toml"), {"left": str(shed / "heron.toml")})
    for there, reasons in ((False, 3), (True, 1)):
        told = json.dumps({name: getattr(orders, name) for name in Orders.__slots__} | {"attended": there})
        assert work([told, "0"]) == 2
        said = capsys.readouterr().err.splitlines()
        assert len(said) == reasons
        assert "nobody has confirmed that Heron is li-ion" in said[-1]
    assert not (shed / "runs").exists()


# --- a first charge, on the simulated bench -------------------------------------------------------


def charge_once(
    shed: Path,
    *,
    there: bool,
    profile: str = "charge",
    soc: float = 0.9,
    spoil: Callable[[SimulatedBench], None] | None = None,
) -> str:
    """Run the charge on a simulated bench as the worker does and return how it ended."""

    async def carry_out() -> str:
        async with SimulatedBench([LEFT], soc=0.9) as bench:
            (shed / "bench.toml").write_text(bench.bench_toml())
            job = job_of(shed)
            job = replace(job, plan=attended(job.plan)) if there else job
            if spoil:
                asyncio.get_running_loop().call_later(120.0, spoil, bench)
            settings, guardian = load_bench(shed / "bench.toml"), StandInGuardian()
            ending, confirmed_off, *_ = await run_one(settings, job, shed / "runs", guardian, Board(), nobody)  # type: ignore[arg-type]
            assert confirmed_off
            return ending.how

    return on_virtual_time(carry_out())


nobody: Ask = None  # type: ignore[assignment]


def first_charge(shed: Path) -> str | None:
    found = confirmed.confirmation(shed, values())
    assert found is not None
    return found.first_charge


def test_a_first_charge_counts_only_if_it_ended_well_with_somebody_there(shed: Path) -> None:
    confirmed.confirm(shed, values(), "2026-11-25T21:04:11Z")

    def lose_the_thermometer(bench: SimulatedBench) -> None:
        bench.instruments["left/temperature"].endpoint.faults.deaf = True

    assert charge_once(shed, there=True, spoil=lose_the_thermometer) == "tripped"
    assert first_charge(shed) is None
    assert charge_once(shed, there=False) == "finished"
    assert first_charge(shed) is None
    assert charge_once(shed, there=True) == "finished"
    kept = first_charge(shed)
    assert kept is not None
    info = json.loads((shed / "runs" / kept / "run.json").read_text())
    assert (info["attended"], info["plan"]["attended"]) == (True, True)
    assert any(
        event["event"] == "output_on" and event["output"] == "supply" for event in read_run(shed / "runs" / kept).events
    )


# --- a group that rests too low, on the simulated bench -------------------------------------------

# The second group all but empty, at 0.4 V for each Ah: at 0.5 A it rises by 67 mV in 20 min.
SHORT = CHARGE.replace('current = "0.5C"', 'current = "0.5C"\nat_most = "20 min"')


def low_pack(lowest_v: float) -> Any:
    cell = linear_cell(4.2, 0.4, 0.02, capacity_ah=6.0)  # 1.8 V when empty
    group = GroupModel(soc=(lowest_v - 1.8) / 2.4)
    return pack_of(cell, GroupModel(soc=0.5), group, *[GroupModel(soc=0.5)] * 4)


def bring_back(folder: Path, lowest_v: float, *, there: bool, chemistry: str = "li-ion", **more: Any) -> Any:
    bay = ideal_bay(low_pack(lowest_v))
    text = pack_toml(6).replace("li-ion", chemistry)

    async def go() -> Any:
        bench = SimulatedBench([bay])
        entry = read_bench(bench.bench_toml(), "bench.toml").bay[0]
        worked = work_out(read_profile(SHORT, "profile"), read_pack(text), entry.abilities())
        job = Job(
            entry,
            read_pack(text),
            read_profile(SHORT, "profile"),
            "charge",
            attended(worked) if there else worked,
            pack_text=text,
            profile_text=SHORT,
        )
        return await run_test(folder, bay, text, SHORT, prepared=job, **more)

    return on_virtual_time(go())


def fed_a(done: Any) -> list[float]:
    return [sample.current_a for sample in done.run.samples if sample.output == "supply"]


def test_a_group_that_rests_too_low_is_brought_back_slowly_with_somebody_there(tmp_path: Path) -> None:
    done = bring_back(tmp_path, 2.45, there=True)
    assert done.off_confirmed
    slow = [sample.current_a for sample in done.run.samples if sample.phase == "charge: recovering"]
    assert len(slow) > 60
    assert max(slow[2:]) == pytest.approx(0.5, abs=0.01)  # a tenth of C
    assert max(fed_a(done)) == pytest.approx(2.5, abs=0.01)  # and half of it once it has recovered
    assert "lowest group 2 rests at 2.4" in " ".join(str(event) for event in done.run.events_named("flag"))


def test_with_nobody_there_it_is_refused_and_nothing_goes_on(tmp_path: Path) -> None:
    done = bring_back(tmp_path, 2.4, there=False)
    assert done.ending.how == "stopped"
    assert "charged only while somebody is beside it" in done.ending.why
    assert done.journal == []


@pytest.mark.parametrize(("chemistry", "low_v"), [("li-ion", 2.0), ("lipo", 2.0)])
def test_below_the_hard_limit_only_an_attended_charge_may_begin(tmp_path: Path, chemistry: str, low_v: float) -> None:
    alone = bring_back(tmp_path, 2.1, there=False, chemistry=chemistry)
    assert "group 2: 2.100 V, outside" in alone.ending.why
    assert alone.journal == []
    there = bring_back(tmp_path, 2.1, there=True, chemistry=chemistry)
    assert there.journal[0][1] == "supply on"
    assert max(fed_a(there)) == pytest.approx(0.5, abs=0.01)
    assert there.ending.how == "stopped"  # after 20 min, not recovered
    dead = bring_back(tmp_path, low_v - 0.01, there=True, chemistry=chemistry)
    assert "not as planned: group 2: 1.990 V, outside 2.00 to" in dead.ending.why
    assert dead.journal == []


def test_once_recovered_the_hard_limit_holds_again(tmp_path: Path) -> None:
    there = attended(plan())
    normal = limits_by_state(
        there.limits,
        6,
        ("middle",),
        ("load", "supply", "cells", "temperature", "voltmeter"),
        {"load": 0.1, "supply": 0.1},
    )
    low = limits_while_recovering(normal, there.limits, 6)
    assert low[State.DRAWING] == normal[State.DRAWING]
    for state in (State.READY, State.FEEDING):
        assert low[state]["cells", "group_2_v"].low == 2.0
        assert normal[state]["cells", "group_2_v"].low == 2.2
        assert low[state]["load", "voltage_v"].low == 12.0
        changed = {key for key in normal[state] if normal[state][key] != low[state][key]}
        assert {name for _, name in changed} == {f"group_{n}_v" for n in range(1, 7)} | {"voltage_v"}
    done = bring_back(tmp_path, 2.45, there=True)
    last = replace(done.run.samples[-1], groups_v=(3.0, 2.5, 3.0, 3.0, 3.0, 3.0))
    assert has_recovered(last, there.pack)
    assert not has_recovered(replace(last, groups_v=(3.0, None, 3.0, 3.0, 3.0, 3.0)), there.pack)
    assert not has_recovered(replace(last, groups_v=(3.0, 2.49, 3.0, 3.0, 3.0, 3.0)), there.pack)
    assert not has_recovered(replace(last, groups_v=(), voltage_v=None), there.pack)
    assert has_recovered(replace(last, groups_v=(), voltage_v=15.0), there.pack)


def test_a_group_that_falls_back_below_its_hard_limit_trips(tmp_path: Path) -> None:
    def fall_back(bench: SimulatedBench, sample: Sample) -> None:
        if sample.phase == "charge":
            scanner = bench.instruments["shore/cells"].endpoint.device
            scanner.meter = Meter(offset=-0.4)  # type: ignore[attr-defined]

    done = bring_back(tmp_path, 2.45, there=True, each=fall_back)
    assert done.ending.how == "tripped"
    assert re.search(r"cells group_2_v is 2\.[01]\d*, allowed 2\.2 to 4\.25", done.ending.why)


# --- the service, which nobody sits beside --------------------------------------------------------


def test_the_service_takes_no_charge_that_may_not_be_unattended(tmp_path: Path) -> None:
    async def go() -> None:
        async with serving(tmp_path) as one:
            (tmp_path / "charge.toml").write_text(CHARGE)
            said = await one.add("left", "heron", "charge")
            assert ["first charge is attended" in why for why in said["mistakes"]] == [True, False]
            assert "nobody has confirmed" in said["mistakes"][1]
            confirmed.confirm(tmp_path, values(), "2026-11-25T21:04:11Z")
            confirmed.charged_attended(tmp_path, values(), "heron/one")
            assert (await one.add("left", "heron", "charge"))["ok"]
            # What was confirmed is asked again before the test begins.
            (tmp_path / "confirmed" / "heron.json").unlink()
            await one.start("left")
            await one.until(lambda: one.stand("left") is Stand.STOPPED, 60)
            assert one.fates("left") == [Fate.REFUSED]
            assert "nobody has confirmed" in one.service.bays["left"].list.why
            assert one.drew("left") == []

    on_virtual_time(go())
