import os
import re
import struct
import subprocess
import sys
from collections.abc import Callable
from dataclasses import replace
from itertools import combinations
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import numpy as np
import pytest

pytest.importorskip("matplotlib")

from benchwarden.results.chart_compare import comparison_charts
from benchwarden.results.chart_run import run_charts
from benchwarden.results.chart_style import COLOURS
from benchwarden.results.charts import main
from benchwarden.results.compare import Compared, Comparison
from benchwarden.results.figure import Figure, Figures
from benchwarden.results.figures import figures
from benchwarden.results.folder import read_run
from tests.synthetic_run import Writer, discharge_run, ladder_plan, ladder_steps


def standard(folder: Path, name: str = "Heron", **more: Any) -> Path:
    writer = discharge_run()
    writer.charge_c = 0.0
    ladder_steps(writer, 5, 17, 3.0)
    return writer.finish(folder / name.lower() / "2026-11-25T21-04-11Z_standard", info_of(writer, name, **more))


def info_of(writer: Writer, name: str, **more: Any) -> dict[str, Any]:
    return writer.info(name, plan=ladder_plan(4, 3.0), simulated=True, **more)


def png_size(path: Path) -> tuple[int, int]:
    # PNG (ISO/IEC 15948:2004), 5.2 signature and 11.2.2 IHDR: width and height as 32-bit big-endian.
    content = path.read_bytes()
    assert content[:8] == b"\x89PNG\r\n\x1a\n"
    width, height = struct.unpack(">II", content[16:24])
    return int(width), int(height)


def test_one_run_leaves_its_charts_and_its_report(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    run = standard(tmp_path)
    assert main([str(run)]) == 0
    paths = [Path(line) for line in capsys.readouterr().out.split()]
    names = ["overview", "sag", "groups", "ladder", "resistance"]
    assert [path.name for path in paths] == [
        *(f"{name}.{kind}" for name in names for kind in ("png", "svg")),
        "report.html",
    ]
    # Two columns of a printed page, 183 mm, at 300 dots an inch.
    assert all(png_size(path)[0] == 2160 for path in paths if path.suffix == ".png")


def test_several_runs_leave_a_comparison(tmp_path: Path) -> None:
    runs = [standard(tmp_path, name) for name in ("Heron", "Tern")]
    assert main([*map(str, runs), "--out", str(tmp_path / "out")]) == 0
    charts = ["bars", "power", "resistance", "temperature", "voltage"]
    assert sorted(path.name for path in (tmp_path / "out").iterdir()) == [
        *(f"compare-{name}.{kind}" for name in charts for kind in ("png", "svg")),
        "comparison.csv",
        "comparison.html",
    ]


def test_runs_that_may_not_be_compared_leave_nothing(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    runs = [standard(tmp_path, "Heron"), standard(tmp_path, "Tern", fingerprint="1-ffff")]
    assert main([*map(str, runs), "--out", str(tmp_path / "out")]) == 2
    assert "may not be compared" in capsys.readouterr().err
    assert not (tmp_path / "out").exists()
    assert main([str(tmp_path / "nothing")]) == 2


def test_a_comparison_needs_a_directory(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        main([str(tmp_path), str(tmp_path)])
    assert "--out" in capsys.readouterr().err


@pytest.mark.parametrize("case", ["empty", "one sample", "nothing measured", "no groups, no sensors"])
def test_a_poor_run_gives_fewer_charts_and_no_error(tmp_path: Path, case: str) -> None:
    writer = Writer()
    writer.begin("discharge")
    writer.draw(current_a=10.0, at_most_s=0.0 if case == "one sample" else 20.0)
    if case == "empty":
        writer.samples = []
    for index, sample in enumerate(writer.samples):
        if case == "nothing measured":
            sample = replace(sample, voltage_v=None, current_a=None, groups_v=(None,) * 6)
        if case == "no groups, no sensors":
            sample = replace(sample, groups_v=(None,) * 6, temperatures_c=(None,) * 3)
        writer.samples[index] = sample
    run = read_run(writer.finish(tmp_path, how=None))
    names = [chart.name for chart in run_charts(run, figures(run), tmp_path / "out")]
    expected = {
        "empty": [],
        "one sample": ["overview", "groups"],
        "nothing measured": ["overview"],
        "no groups, no sensors": ["overview", "sag"],
    }
    assert names == expected[case]


def test_colours_differ_in_lightness() -> None:
    # Relative luminance after WCAG 2.2 (from memory): neighbours in the palette are told apart without hue.
    def luminance(colour: str) -> float:
        parts = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
        linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    first_three = sorted(luminance(colour) for colour in COLOURS[:3])
    assert all(luminance(colour) < 0.6 for colour in COLOURS)
    assert len({round(luminance(colour), 3) for colour in COLOURS}) == len(COLOURS)
    assert first_three[1] - first_three[0] > 0.1


# Machado, Oliveira and Fernandes, A Physiologically-based Model for Simulation of Color Vision Deficiency (2009), full
# severity, for linear sRGB; as many open-source programs have them.
BLINDNESS = {
    "protanopia": ((0.152286, 1.052583, -0.204868), (0.114503, 0.786281, 0.099216), (-0.003882, -0.048116, 1.051998)),
    "deuteranopia": ((0.367322, 0.860646, -0.227968), (0.280085, 0.672501, 0.047413), (-0.011820, 0.042940, 0.968881)),
    "tritanopia": ((1.255528, -0.076749, -0.178779), (-0.078411, 0.930809, 0.147602), (0.004733, 0.691367, 0.303900)),
}
# sRGB to CIE XYZ with D65 (IEC 61966-2-1), and XYZ to CIELAB (CIE 15).
XYZ = ((0.4124564, 0.3575761, 0.1804375), (0.2126729, 0.7151522, 0.0721750), (0.0193339, 0.1191920, 0.9503041))


def lab(colour: str, blindness: Any) -> Any:
    parts = np.array([int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)])
    linear = np.where(parts <= 0.04045, parts / 12.92, ((parts + 0.055) / 1.055) ** 2.4)
    ratio = np.array(XYZ) @ np.clip(np.array(blindness) @ linear, 0.0, 1.0) / np.array([0.95047, 1.0, 1.08883])
    f = np.where(ratio > 216 / 24389, np.cbrt(ratio), (24389 / 27 * ratio + 16) / 116)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


@pytest.mark.parametrize("kind", BLINDNESS)
def test_colours_stay_apart_for_the_colour_blind(kind: str) -> None:
    seen = [lab(colour, BLINDNESS[kind]) for colour in COLOURS]
    # A difference of 2.3 is just noticed (from memory); curves and bars differ in dash and hatching besides.
    assert min(float(np.linalg.norm(a - b)) for a, b in combinations(seen, 2)) >= 15.0
    assert min(float(np.linalg.norm(a - b)) for a, b in combinations(seen[:3], 2)) >= 35.0


def words_of(svg: Path) -> list[str]:
    return ["".join(node.itertext()).strip() for node in ElementTree.parse(svg).iter() if node.tag.endswith("}text")]


UNITS = r"Ah|Wh|V|A|W|°C|K|mΩ|min|s|h|mV|C|%|Wh/kg|W/kg|V per group"


def test_every_chart_has_units_runs_procedure_and_ambient(tmp_path: Path) -> None:
    runs = [standard(tmp_path, name) for name in ("Heron", "Tern")]
    assert main([str(runs[0])]) == 0
    assert main([*map(str, runs), "--out", str(tmp_path / "out")]) == 0
    drawn = [*runs[0].glob("*.svg"), *(tmp_path / "out").glob("*.svg")]
    assert len(drawn) == 10
    for path in drawn:
        words = words_of(path)
        said = " ".join(words)
        count = "2 runs" if path.parent.name == "out" else "1 run"
        assert f"{count} · Constant-power capacity · ambient 23.0 °C" in said, path.name
        labels = [text for text in words if re.search(rf", ({UNITS})$", text)]
        # Each chart has an axis with a unit for each quantity that it draws: two of them, but for bars over groups.
        assert len(labels) >= (1 if "resistance" in path.name or "ladder" in path.name else 2), (path.name, words)


def own(**several: tuple[float, str]) -> Figures:
    found = Figures()
    for name, (value, unit) in several.items():
        found[name] = Figure(value, unit, (0, 1), u=0.01 * value, k=1.96, U=0.0196 * value)
    return found


def pulses(scale: float) -> Figures:
    states = {
        f"pulse_drawn_{percent}_{rate}c_{time}s_ohm": (0.06 * scale, "Ω")
        for percent in (10, 50, 90)
        for rate in (1, 3)
        for time in ("0.1", "10")
    }
    return own(**states, **{f"pulse_drawn_{percent}_power_w": (1000.0 / scale, "W") for percent in (10, 50, 90)})


def cycles(scale: float) -> Figures:
    """Three cycles, of which the third was broken off."""
    found = own(cycle_1_ah=(5.0 * scale, "Ah"), cycle_2_ah=(4.9 * scale, "Ah"), cycle_3_ah=(0.1, "Ah"))
    found["cycle_3_ah"] = replace(found["cycle_3_ah"], at_least=True)
    return found


@pytest.mark.parametrize(("kind", "make"), [("pulses", pulses), ("cycles", cycles)])
def test_what_one_profile_measures_has_a_chart_for_one_run_and_for_several(
    tmp_path: Path, kind: str, make: Callable[[float], Figures]
) -> None:
    runs = [read_run(standard(tmp_path, name)) for name in ("Heron", "Tern")]
    drawn = {chart.name: chart for chart in run_charts(runs[0], make(1.0), tmp_path / "one")}
    entries = tuple(Compared(run.info.pack_name, run, make(scale)) for run, scale in zip(runs, (1.0, 0.8), strict=True))
    both = {chart.name: chart for chart in comparison_charts(Comparison("1-0", "x", entries, ()), tmp_path / "both")}
    for chart, count in ((drawn[kind], "1 run"), (both[f"compare-{kind}"], "2 runs")):
        words = words_of(chart.svg)
        said = " ".join(words)
        assert f"{count} · Constant-power capacity · ambient 23.0 °C" in said
        assert "± U, 95 %" in said
        assert len([text for text in words if re.search(rf", ({UNITS})$", text)]) >= (2 if kind == "pulses" else 1)
    assert {"Heron, 1 run", "Tern, 1 run"} <= set(words_of(both[f"compare-{kind}"].svg))
    # The cycle that something else ended is no point of the curve.
    assert not any(text.startswith("0.") for text in words_of(drawn[kind].svg)) or kind == "pulses"


def test_a_hundred_cycles_are_a_line_with_a_band(tmp_path: Path) -> None:
    run = read_run(standard(tmp_path))
    found = own(**{f"cycle_{number}_ah": (5.0 - 0.01 * number, "Ah") for number in range(1, 101)})
    [chart] = [one for one in run_charts(run, found, tmp_path / "out") if one.name == "cycles"]
    # Bars of a hundred cycles would be a wall: no caps, and one band.
    assert chart.svg.read_text(encoding="utf-8").count("FillBetweenPolyCollection") == 1


def test_the_module_runs_as_a_process_and_reading_needs_no_numpy(tmp_path: Path) -> None:
    run = standard(tmp_path)
    environment = {**os.environ, "MPLCONFIGDIR": str(tmp_path)}
    made = subprocess.run(
        [sys.executable, "-m", "benchwarden.results.charts", str(run)],
        capture_output=True,
        text=True,
        env=environment,
        check=False,
        timeout=120,
    )
    assert (made.returncode, made.stderr) == (0, "")
    assert (run / "overview.png").exists()
    words = (
        "import sys, benchwarden.results.columns, benchwarden.results.folder\n"
        "found = {'numpy', 'matplotlib', 'rich', 'pydantic', 'scipy'} & set(sys.modules)\n"
        "sys.exit(f'imported {found}' if found else 0)"
    )
    plain = subprocess.run([sys.executable, "-c", words], capture_output=True, text=True, check=False, timeout=60)
    assert (plain.returncode, plain.stderr) == (0, "")
