import io
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from rich.console import Console

from benchwarden.profiles.profile import every_step, read_profile
from benchwarden.profiles.shipped import library_names, library_text
from benchwarden.results.compare import (
    Compared,
    Comparison,
    ComparisonRefused,
    compare,
    headline,
    headlines,
    judged,
    table,
    verdicts,
)
from benchwarden.results.figure import Figure, Figures
from benchwarden.results.figures import figures
from benchwarden.results.folder import read_run
from benchwarden.results.run import Run
from benchwarden.results.summary import summary
from benchwarden.results.uncertain import Part
from benchwarden.results.verdict import phrase
from tests.own_figures import OWN
from tests.synthetic_run import Writer, discharge_run, ladder_steps

PARTS = {
    "scheme": 1,
    "sense": "pack connector",
    "cooling": "still air",
    "steps": [{"do": "rest", "at_least_s": 1800.0}],
}
PLAN = {
    "steps": [
        {"number": 2, "kind": "discharge", "cut_off_v": 3.2},
        {"number": 4, "kind": "ladder", "hold_s": 5.0, "floor_v": 2.5, "bound": "load power"},
    ]
}

Make = Callable[..., Run]


@pytest.fixture
def make(tmp_path: Path) -> Make:
    def build(
        name: str, *, mass_kg: float | None = 0.452, warmer_k: float = 0.0, ladder: bool = False, **info: Any
    ) -> Run:
        writer: Writer = discharge_run()
        writer.charge_c = 0.0
        if ladder:
            ladder_steps(writer, 5, 6, 2.5)
        if warmer_k:
            for index, sample in enumerate(writer.samples):
                warm = tuple(None if t is None else t + warmer_k for t in sample.temperatures_c)
                writer.samples[index] = replace(sample, temperatures_c=warm)
        data = writer.info(name, mass_kg=mass_kg, plan=PLAN, fingerprint_parts=PARTS, **info)
        return read_run(writer.finish(tmp_path / name.lower() / "2026-11-25T21-04-11Z_capacity", data))

    return build


def text_of(runs: list[Run], width: int = 120) -> str:
    console = Console(width=width, file=io.StringIO())
    with console.capture() as captured:
        console.print(table(compare(runs)))
    return captured.get()


def test_runs_with_one_fingerprint_stand_beside_each_other(make: Make) -> None:
    comparison = compare([make("Heron"), make("Tern", mass_kg=0.61)])
    assert [entry.label for entry in comparison.entries] == ["Heron", "Tern"]
    heron, tern = (entry.figures["energy_per_mass_wh_kg"].value for entry in comparison.entries)
    assert heron / tern == pytest.approx(0.61 / 0.452)
    # Without an accuracy there is no verdict, and nothing that a design could be confused with.
    assert comparison.flags == ()
    accurate = compare([make("Plover", instruments={"load": LOAD}), make("Knot", instruments={"load": LOAD})])
    # Three specimens of each before anything is said of a design: common practice, no source.
    assert accurate.flags == ("a verdict on what was tested, not on a design: that takes three specimens of each",)


def test_other_fingerprints_are_refused_in_words(make: Make) -> None:
    other = {**PARTS, "steps": [{"do": "rest", "at_least_s": 3600.0}]}
    changed = make("Tern")
    info = replace(changed.info, fingerprint="1-ffff", fingerprint_parts=other)
    changed = replace(changed, info=info)
    with pytest.raises(ComparisonRefused) as refused:
        compare([make("Heron"), changed])
    assert len(refused.value.reasons) == 1
    assert "rest" in refused.value.reasons[0]
    assert "30 min / 60 min" in refused.value.reasons[0]


def test_other_fingerprints_without_parts_are_refused_too(make: Make) -> None:
    one, other = make("Heron"), make("Tern", fingerprint="1-ffff")
    with pytest.raises(ComparisonRefused, match="do not say why"):
        compare([one, other])


@pytest.mark.parametrize("count", [0, 1])
def test_fewer_than_two_runs_are_refused(make: Make, count: int) -> None:
    with pytest.raises(ComparisonRefused, match="two or more"):
        compare([make("Heron")] * count)


def test_one_run_twice_and_a_run_without_fingerprint_are_refused(make: Make) -> None:
    heron = make("Heron")
    with pytest.raises(ComparisonRefused, match="given twice"):
        compare([heron, heron])
    with pytest.raises(ComparisonRefused, match="names no fingerprint"):
        compare([heron, make("Tern", fingerprint=None)])


def test_start_temperatures_cooling_and_sense_are_flagged(make: Make) -> None:
    runs = [make("Heron"), make("Tern", warmer_k=2.5, cooling="fan", sense="instrument terminals")]
    flags = compare(runs).flags
    assert flags[0] == "the discharge began at 23.0 °C in Heron and at 25.5 °C in Tern: more than 2 K apart"
    assert flags[1] == "different cooling (Heron: still air, Tern: fan)"
    assert flags[2].startswith("different sense point")


@pytest.mark.parametrize(
    ("ours", "theirs", "flagged"),
    [
        ({}, {}, None),
        ({}, {"rated_capacity_ah": 5.4}, None),
        ({}, {"rated_capacity_ah": 10.0}, "Tern, imported at 300 W (1.4C), Heron at 300 W (2.8C)"),
        ({"nominal_v": None}, {"rated_capacity_ah": 10.0}, "Tern, imported at 300 W (1.4C), Heron at 300 W (2.7C)"),
        ({"rated_capacity_ah": None}, {"rated_capacity_ah": 10.0}, None),
    ],
)
def test_an_imported_run_drawn_at_another_power_is_flagged(
    make: Make, ours: dict[str, Any], theirs: dict[str, Any], flagged: str | None
) -> None:
    imported = make("Tern", imported={"from": "tern.csv"}, **theirs)
    flags = [flag for flag in compare([imported, make("Heron", **ours)]).flags if "mean powers" in flag]
    assert flags == ([] if flagged is None else [f"drawn at different mean powers: {flagged}"])


def test_own_runs_have_their_power_from_the_fingerprint_and_are_not_asked_again(make: Make) -> None:
    flags = compare([make("Heron"), make("Tern", rated_capacity_ah=10.0)]).flags
    assert not any("mean powers" in flag for flag in flags)


def test_what_is_not_in_order_in_a_folder_stands_among_the_flags(make: Make) -> None:
    run = replace(make("Heron"), problems=["samples-001.csv, line 21: left out"])
    console = Console(width=120, file=io.StringIO())
    with console.capture() as captured:
        console.print(summary(run, figures(run)))
    for text in (captured.get(), text_of([run, make("Tern")])):
        [flags] = [line for line in text.splitlines() if line.startswith("│ flags")]
        assert "line 21: left out" in flags


def test_table_shows_lower_bounds_missing_figures_and_cut_offs(make: Make) -> None:
    text = text_of([make("Heron", ladder=True), make("Tern", mass_kg=None)])
    rows = {line.split("│")[1].strip(): line for line in text.splitlines() if line.startswith("│")}
    assert "≥ 6.0" in rows["peak, C"]
    assert rows["peak, C"].count("–") == 1
    assert rows["energy per mass, Wh/kg"].count("–") == 1
    assert rows["discharge cut-off, V per group"].count("3.200") == 2
    assert "4.740" in rows["delivered, Ah"]
    assert "discharge ended by" in rows
    assert "bounded by load power" in " ".join(text.replace("│", " ").split())


def test_two_runs_of_one_pack_get_labels_of_their_own(make: Make, tmp_path: Path) -> None:
    first = make("Heron")
    first.path.parent.rename(tmp_path / "earlier")
    again = make("Heron", started_utc="2026-11-26T20:00:00Z")
    moved = read_run(tmp_path / "earlier" / first.path.name)
    labels = [entry.label for entry in compare([moved, again]).entries]
    assert labels == ["Heron, 2026-11-25T21:04:11Z", "Heron, 2026-11-26T20:00:00Z"]


LOAD = {
    "accuracy": {"voltage": "0.05 % + 30 mV", "current": "0.1 % + 60 mA"},
    "identity": {"maker": "Boat Shed", "model": "L1", "serial": "17"},
}


def test_table_shows_intervals_and_the_verdict(make: Make, tmp_path: Path) -> None:
    instruments = {"instruments": {"load": LOAD}, "sources": {"pack": 'mass = "452 g"\n'}}
    text = " ".join(text_of([make("Heron", **instruments), make("Tern", mass_kg=0.61, **instruments)]).split())
    # U of 1.4 Wh/kg by hand from the load's limits: see tests/test_uncertainty_of_figures.py.
    assert "231.6 ± 1.4" in text
    assert "± U, 95 %, k = 1.96" in text
    assert "in one run each, Heron delivers 34.96 ± 0.4" in text
    assert "not stated: bench.toml:" in text


def test_verdicts_compare_packs_and_designs_from_three_specimens(make: Make) -> None:
    def of(name: str, design: str, mass_kg: float) -> Run:
        pack = {"name": name, "design": design, "mass_accuracy": 0.0001}
        return make(name, mass_kg=mass_kg, instruments={"load": LOAD}, pack=pack)

    herons = [of(f"Heron {n}", "Heron", 0.450 + 0.001 * n) for n in range(3)]
    terns = [of(f"Tern {n}", "Tern", 0.470 + 0.001 * n) for n in range(3)]
    comparison = compare([*herons, *terns])
    assert not any("not on a design" in flag for flag in comparison.flags)
    (found,) = verdicts(comparison, "energy_per_mass_wh_kg")
    assert found.about == "these designs"
    assert found.seen == "more"
    assert found.words == "Heron delivers 4.43 ± 0.51 % more energy per gram than Tern"
    few = compare([*herons, *terns[:2]])
    assert any("not on a design" in flag for flag in few.flags)
    assert len(verdicts(few, "energy_per_mass_wh_kg")) == 10
    assert verdicts(few, "peak_c") == []


def measured(value: float, U: float = 0.01, *, at_least: bool = False, unit: str = "1") -> Figure:
    part = Part("gain", value * U / 1.96, None, "run")
    return Figure(value, unit, (0, 1), at_least=at_least, u=value * U / 1.96, k=1.96, U=value * U, budget=(part,))


def of_figures(make: Make, **several: dict[str, Figure]) -> Comparison:
    entries = []
    for name, own in several.items():
        found = Figures()
        found.update(own)
        entries.append(Compared(name, make(name), found))
    return Comparison("1-0123456789abcdef", "DC resistance", tuple(entries), ())


@pytest.mark.parametrize("name", library_names())
def test_every_shipped_profile_is_compared_by_what_it_measures(make: Make, name: str) -> None:
    # On the way to what it measures, a profile may deliver some of the charge.
    by_the_way = {
        "delivered_wh": measured(60.0, at_least=True),
        "energy_per_mass_wh_kg": measured(130.0, at_least=True),
    }
    profile = read_profile(library_text(name), name)
    if not any(step.do in ("discharge", "pulse") for _, step in every_step(profile)):
        by_the_way = {}
    own = {OWN[name]: measured(0.20)}
    comparison = of_figures(make, Heron=by_the_way | own, Plover=by_the_way | {OWN[name]: measured(0.30)})
    found = judged(comparison)
    assert headline(found) == OWN[name]
    [verdict] = found[OWN[name]]
    assert verdict.seen == "less"
    verb, _, less = phrase(OWN[name])
    assert verdict.words.startswith(f"in one run each, Heron {verb} ")
    assert verdict.words.endswith(f"{less} than Plover")
    assert OWN[name] not in less, "in words, and not by its name"
    assert headlines(comparison.entries[0].figures)[0] == OWN[name]


def test_of_a_pulse_series_every_power_is_judged_and_one_resistance(make: Make) -> None:
    def series(scale: float) -> dict[str, Figure]:
        found: dict[str, Figure] = {}
        for percent in (40, 60, 80):
            found |= {f"pulse_drawn_{percent}_{c}_ohm": measured(0.06 * scale) for c in ("1c_10s", "3c_1s", "3c_10s")}
            found[f"pulse_drawn_{percent}_power_w"] = measured(1000.0 / scale)
        return found

    found = judged(of_figures(make, Heron=series(1.0), Plover=series(1.1)))
    assert list(found) == [*(f"pulse_drawn_{n}_power_w" for n in (40, 60, 80)), "pulse_drawn_40_3c_10s_ohm"]
    assert headline(found) == "pulse_drawn_40_power_w"
    [verdict] = found["pulse_drawn_40_power_w"]
    assert verdict.words == "in one run each, Heron gives, 40 % drawn, 10.0 ± 1.6 % more pulse power than Plover"
    [verdict] = found["pulse_drawn_40_3c_10s_ohm"]
    assert verdict.words.endswith("% less resistance after 10 s at 3C than Plover")


def test_a_comparison_of_bounds_alone_names_both_and_says_so_in_the_table(make: Make) -> None:
    bound = {"energy_per_mass_wh_kg": measured(130.0, at_least=True)}
    found = judged(of_figures(make, Heron=bound, Plover=bound))
    assert headline(found) == "energy_per_mass_wh_kg"
    [verdict] = found["energy_per_mass_wh_kg"]
    assert verdict.words == "no verdict on Heron and Plover: of Heron and Plover there are lower bounds only"
