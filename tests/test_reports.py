"""Reports as single files: self-contained, everything people wrote is text, every figure with its trace."""

import json
import re
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import pytest

from benchwarden.daemon.main import main
from benchwarden.results.compare import compare, judged
from benchwarden.results.figures import figures
from benchwarden.results.html import Html, el
from benchwarden.results.reading import read_run
from benchwarden.results.report_compare import comparison_report
from benchwarden.results.report_parts import dof_words, name_words
from benchwarden.results.report_run import run_report
from tests.synthetic_run import Writer, discharge_run, ladder_plan, ladder_steps

EVIL = "<script>alert(1)</script> \"Tern\" & '$x$'"
ACCURATE = {
    "load": {
        "accuracy": {
            "voltage": {"of_reading": 0.0005, "absolute": 0.03, "unit": "V"},
            "current": {"of_reading": 0.001, "absolute": 0.06, "unit": "A"},
        },
        "identity": {"maker": "Shed", "model": "L1", "serial": "7", "firmware": "1"},
    }
}


class Page(HTMLParser):
    """The tags of a page, whether they are balanced, and its text."""

    EMPTY = frozenset({"meta", "br", "hr", "col"})

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.open: list[str] = []
        self.words = ""
        self.feed(text)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in self.EMPTY:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if self.open and self.open[-1] != "style":
            self.words += data


def run_of(folder: Path, name: str = "Heron", floor_v: float = 3.0, **more: object) -> Path:
    writer: Writer = discharge_run(every_s=5.0)
    writer.charge_c = 0.0
    ladder_steps(writer, 5, 8, floor_v)
    more = {"plan": ladder_plan(4, floor_v), "instruments": ACCURATE, "lacks": ["load: no timer of its own"]} | more
    return writer.finish(folder, writer.info(name, **more))


def nothing_is_fetched(page: Page) -> None:
    for tag, attributes in page.tags:
        assert tag not in ("script", "link", "img", "iframe", "object", "embed", "base", "form", "input"), tag
        for key, value in attributes.items():
            assert not key.startswith("on"), (tag, key)
            if key in ("href", "xlink:href", "src"):
                assert (value or "").startswith("#"), (tag, value)
    names = [attributes["id"] for _, attributes in page.tags if attributes.get("id")]
    assert len(names) == len(set(names))
    used = [(a.get("href") or a.get("xlink:href") or "#")[1:] for _, a in page.tags]
    assert set(filter(None, used)) <= set(names)


def test_a_run_s_report_is_one_file_with_every_figure_and_its_trace(tmp_path: Path) -> None:
    run = read_run(run_of(tmp_path / "heron" / "one"))
    found = figures(run)
    text = run_report(run, found, [])
    page = Page(text)
    nothing_is_fetched(page)
    assert "default-src 'none'" in text
    for name, figure in found.items():
        assert name in page.words
        assert f"{figure.from_samples[0]} to {figure.from_samples[1]}" in page.words
        assert figure.formula in page.words
    charge = found["delivered_ah"]
    assert charge.k is not None
    assert f"k = {charge.k:.2f}" in page.words
    assert charge.budget[0].input in page.words
    for words in (
        "Constant-power capacity",
        "still air",
        "pack connector",
        "0.05 % of reading + 30 mV",
        "Shed L1 7",
        "load: no timer of its own",
        "1 run",
        "ambient",
        *found.missing.values(),
    ):
        assert words in page.words, words


@pytest.mark.parametrize("charts", [False, True])
def test_what_people_wrote_is_text_and_nothing_else(tmp_path: Path, charts: bool) -> None:
    folders = [
        run_of(tmp_path / name, EVIL if name == "one" else "_Tern $1", cooling=EVIL, sense=EVIL, bench=EVIL)
        for name in ("one", "two")
    ]
    runs = [replace(run, events=[*run.events, {"event": "flag", "flag": EVIL}]) for run in map(read_run, folders)]
    comparison = compare(runs)
    drawn, drawn_both = [], []
    if charts:
        pytest.importorskip("matplotlib")
        from benchwarden.results.chart_compare import comparison_charts
        from benchwarden.results.chart_run import run_charts

        drawn = run_charts(runs[0], figures(runs[0]), tmp_path / "out")
        drawn_both = comparison_charts(comparison, tmp_path / "out")
        assert len(drawn) == 5
        assert len(drawn_both) == 5
    for text in (run_report(runs[0], figures(runs[0]), drawn), comparison_report(comparison, drawn_both)):
        assert "<script" not in text
        page = Page(text)
        nothing_is_fetched(page)
        assert EVIL in page.words


def test_a_comparison_says_verdicts_flags_and_where_each_figure_comes_from(tmp_path: Path) -> None:
    names = [("Heron", "one"), ("Heron", "two"), ("Tern", "three"), ("Tern", "four")]
    benches = {"Heron": "shed", "Tern": "quay"}
    runs = [read_run(run_of(tmp_path / where, name, bench=benches[name])) for name, where in names]
    comparison = compare(runs)
    page = Page(comparison_report(comparison, []))
    nothing_is_fetched(page)
    assert "4 runs of 2 packs" in page.words
    assert "No difference that this bench can see" in page.words
    assert "different bench" in page.words
    assert "three specimens of each" in page.words
    assert page.words.count("∫ |I| dt, trapezoid") == 4
    assert "Shed L1 7" in page.words


@pytest.mark.parametrize(("packs", "more"), [(4, ""), (5, "And 4 more, under Verdicts.")])
def test_verdicts_that_do_not_fit_at_the_top_are_not_passed_over(tmp_path: Path, packs: int, more: str) -> None:
    """Four packs have six pairs, five have ten."""
    names = ["Heron", "Plover", "Tern", "Gannet", "Dunlin"][:packs]
    text = comparison_report(compare([read_run(run_of(tmp_path / name, name)) for name in names]), [])
    verdicts = el("p", "Heron", class_="verdict").partition("Heron")[0]
    assert text.count(verdicts) == 6
    assert (", under <a" in text) == bool(more)
    assert more in Page(text).words


def test_whatever_a_comparison_shows_can_be_traced(tmp_path: Path) -> None:
    pack = {"name": "Heron", "size": 0.225}
    runs = [read_run(run_of(tmp_path / name / "one", name, pack=pack | {"name": name})) for name in ("Heron", "Tern")]
    comparison = compare(runs)
    text = comparison_report(comparison, [])
    trace = text.partition('id="trace"')[2].partition("</section>")[0]
    judged_names = judged(comparison)
    assert {"energy_per_volume_wh_l", "temperature_rise_k", "peak_c"} <= judged_names.keys()
    drawn = [name for name in comparison.entries[0].figures if name.startswith(("group_1_ohm_", "leads_ohm_"))]
    assert drawn
    for entry in comparison.entries:
        for name in (*judged_names, *drawn):
            figure = entry.figures[name]
            [row] = [row for row in trace.split("<h3>")[1:] if row.startswith(entry.label)]
            [cells] = [line for line in row.split("<tr>") if f"<code>{name}</code>" in line]
            assert f"{figure.from_samples[0]} to {figure.from_samples[1]}" in cells, name
            assert el("td", figure.formula)[4:-5] in cells, name
    equal = text.partition('id="equal-energy"')[2].partition("</section>")[0]
    assert equal.count("÷ the charge that delivered them; samples ") == 2
    assert equal.count("linear between samples ") == 2


def test_a_comparison_says_at_which_power_each_pack_was_drawn(tmp_path: Path) -> None:
    runs = []
    for name, watts in (("Heron", 540.0), ("Tern", 555.0)):
        pack = {"rated_capacity_ah": 5.0, "nominal_v": watts / 150.0, "series": 6}
        steps = [{"number": 1, "kind": "discharge", "title": "discharge", "quantity": "power", "level": watts}]
        runs.append(read_run(run_of(tmp_path / name.lower() / "one", name, plan={"pack": pack, "steps": steps})))
    words = Page(comparison_report(compare(runs), [])).words
    assert "540 W (5C)" in words
    assert "555 W (5C)" in words


def test_figures_name_an_instrument_by_its_role_and_bay(tmp_path: Path) -> None:
    heron = read_run(run_of(tmp_path / "heron" / "one"))
    assert "current offset of load (" in Page(run_report(heron, figures(heron), [])).words
    other = {"load": ACCURATE["load"] | {"identity": {"maker": "Shed", "model": "L1", "serial": "71"}}}
    tern = read_run(run_of(tmp_path / "tern" / "one", "Tern", bay="right", instruments=other))
    words = Page(comparison_report(compare([heron, tern]), [])).words
    assert "current offset of load (bay left)" in words
    assert "current offset of load (bay right)" in words
    assert "current offset of Shed" not in words
    assert "Shed L1 71" in words  # among the instruments


def test_an_instrument_in_two_bays_and_two_in_one_place_keep_their_names(tmp_path: Path) -> None:
    heron = read_run(run_of(tmp_path / "heron" / "one"))
    moved = read_run(run_of(tmp_path / "tern" / "one", "Tern", bay="right"))
    assert "current offset of Shed L1 7" in Page(comparison_report(compare([heron, moved]), [])).words
    other = {"load": ACCURATE["load"] | {"identity": {"maker": "Shed", "model": "L1", "serial": "8"}}}
    replaced = read_run(run_of(tmp_path / "plover" / "one", "Plover", instruments=other))
    words = Page(comparison_report(compare([heron, replaced]), [])).words
    assert "current offset of Shed L1 7" in words
    assert "current offset of Shed L1 8" in words


def test_a_report_lists_a_repeat_s_steps_once(tmp_path: Path) -> None:
    steps = [{"number": number, "kind": "ask", "title": "look", "cycle": [1, number]} for number in range(1, 101)]
    repeat = {"place": 1, "times": 100, "at_most_s": 3600.0, "rated_capacity_ah": 5.0}
    last = {"number": 101, "kind": "ask", "title": "put away"}
    run = read_run(run_of(tmp_path / "one", plan={"steps": [*steps, last], "repeats": [repeat]}))
    text = run_report(run, figures(run), [])
    assert text.count(">look<") == 1
    assert "steps 1 to 1 are done 100 times" in text
    assert '<li value="101">put away' in text


def test_what_stood_out_in_one_run_stands_in_the_comparison(tmp_path: Path) -> None:
    # A counter that disagrees with the integral is noted; see test_figures.py.
    runs = [read_run(run_of(tmp_path / name.lower() / "one", name)) for name in ("Heron", "Tern")]
    comparison = compare(runs)
    assert "What stood out" not in comparison_report(comparison, [], "none")
    comparison.entries[1].figures.notes.append("group 4 has more than the others")
    page = Page(comparison_report(comparison, [], "none"))
    assert "What stood out" in page.words
    assert "Tern: group 4 has more than the others" in page.words


def test_cycles_and_age_stand_beside_the_figures(tmp_path: Path) -> None:
    known = {"name": "Heron", "chemistry": "li-ion", "cycles": 12, "made": "2026-03"}
    run = read_run(run_of(tmp_path / "heron" / "one", pack=known))
    assert "12 cycles before, made 2026-03" in Page(run_report(run, figures(run), [], "none")).words
    bare = read_run(run_of(tmp_path / "heron" / "two"))
    assert "cycles not known, age not known" in Page(run_report(bare, figures(bare), [], "none")).words


@pytest.mark.parametrize(
    ("dof", "words"),
    [(None, "∞"), (1.0, "1"), (12.34, "12.3"), (99.96, "100"), (340.2, "340"), (1000.0, "1000"), (2800.0, "over 1000")],
)
def test_degrees_of_freedom_are_read_at_a_glance(dof: float | None, words: str) -> None:
    assert dof_words(dof) == words


def test_html_is_escaped_unless_it_is_html() -> None:
    assert el("p", "a < b", el("b", "&"), None, ["x", Html("<br>")], title='"<') == (
        '<p title="&quot;&lt;">a &lt; b<b>&amp;</b>x<br></p>'
    )


def test_csv_and_json_print_every_figure_and_draw_nothing(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folders = [run_of(tmp_path / "heron" / "one"), run_of(tmp_path / "tern" / "two", "=Tern")]
    assert main(["report", "--json", str(folders[0])]) == 0
    [data] = json.loads(capsys.readouterr().out)
    found = figures(read_run(folders[0]))
    assert set(data["figures"]) == set(found)
    assert data["figures"]["delivered_ah"]["value"] == found["delivered_ah"].value
    assert main(["report", "--csv", *map(str, folders)]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert len(lines) == 1 + len(found) + len(figures(read_run(folders[1])))
    assert any(re.match(r"tern/two,'=Tern,,delivered_ah,", line) for line in lines)
    assert main(["compare", "--csv", *map(str, folders), "--out", str(tmp_path / "out")]) == 0
    head, *rows = capsys.readouterr().out.splitlines()
    assert head == "figure,unit,Heron,U of Heron,bound of Heron,'=Tern,U of =Tern,bound of =Tern"
    assert sum(row.startswith("delivered_wh,Wh,") for row in rows) == 1
    assert main(["compare", "--json", *map(str, folders), "--out", str(tmp_path / "out")]) == 0
    both = json.loads(capsys.readouterr().out)
    [verdict] = both["verdicts"]["delivered_wh"]
    assert (verdict["seen"], verdict["about"]) == ("none", "these runs")
    assert not (tmp_path / "out").exists()
    assert not list(tmp_path.rglob("*.html"))


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("delivered_ah", "charge delivered"),
        ("pack_ohm_1_s", "resistance of pack 1 s after load-on"),
        ("group_2_ohm_100_ms", "resistance of group 2 100 ms after load-on"),
        ("leads_burst_heat_w", "heat in leads at the burst current"),
        ("pulse_drawn_50_2c_10s_ohm", "resistance after 10 s at 2C, 50 % drawn"),
        ("cycle_3_wh", "energy of cycle 3"),
        ("median_voltage_v", "median voltage"),
    ],
)
def test_figures_have_names_in_words(name: str, words: str) -> None:
    assert name_words(name) == words
