"""Reports in a browser: on a phone, on paper, and copied into a spreadsheet."""

import csv
from collections.abc import Iterator
from pathlib import Path

import pytest

pytest.importorskip("matplotlib")

from playwright.sync_api import Browser

from benchwarden.results.charts import main
from benchwarden.results.compare import ROWS
from tests.browser import SIZES, Complaints, chromium, context, faults_of, keep_picture, needs_chromium
from tests.test_reports import ACCURATE, run_of

pytestmark = needs_chromium

PACKS = ("Heron", "Tern", "Plover", "Curlew", "Sanderling", "Oystercatcher", "Redshank")
MORE_ACCURATE = {
    "cells": {"accuracy": {"voltage": {"of_reading": 0.0002, "absolute": 0.001, "unit": "V"}}},
    "temperature": {"accuracy": {"temperature": {"of_reading": 0.0, "absolute": 0.5, "unit": "K"}}},
}
"""With these, every figure of a standard test has its ± U, as in the demonstration."""
_FIRST = [name for name, *_ in ROWS].index("delivered_ah")
DEMONSTRATED = tuple(words for _, words, _, _ in ROWS[_FIRST : _FIRST + 12])
"""What a standard test shows of the rows; those of other profiles stand before."""
PAPER_PX = 688
"""Width of A4 less its margins of 14 mm, at 96 pixels an inch."""


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    folder = tmp_path_factory.mktemp("reports")
    accurate = ACCURATE | MORE_ACCURATE
    runs = [
        run_of(folder / name.lower() / "one", name, floor_v=4.04, instruments=accurate, simulated=True)
        for name in PACKS
    ]
    assert main([str(runs[0])]) == 0
    assert main([*map(str, runs), "--out", str(folder / "out")]) == 0
    assert main([*map(str, runs[:2]), "--out", str(folder / "of-two")]) == 0
    return [runs[0] / "report.html", folder / "out" / "comparison.html"]


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with chromium() as found:
        yield found


WIDE = """() => {
  const width = document.documentElement.clientWidth;
  return [...document.querySelectorAll("body *")].filter(one =>
    !one.closest(".wide") && !one.closest("figure") && one.getClientRects().length
    && one.getBoundingClientRect().right > width + 1).map(one => one.tagName + " " + one.className);
}"""
UNSEEN = """() => [...document.querySelectorAll(".wide")].filter(one =>
  one.scrollWidth > one.clientWidth && !getComputedStyle(one).backgroundImage.includes("gradient"))
  .map(one => one.closest("section")?.querySelector("h2")?.id)"""
EVERY_RUN = """() => {
  const cells = [...document.querySelectorAll("#runs ~ .wide th")].map(one => [one.scope, one.textContent]);
  return ["row", "col"].map(scope => [...new Set(cells.filter(one => one[0] === scope).map(one => one[1]))]
    .filter(text => text !== "figure"));
}"""
TOO_WIDE_FOR_PAPER = """() => [...document.querySelectorAll(".wide")]
  .filter(one => one.getClientRects().length && one.scrollWidth > one.clientWidth + 1)
  .map(one => one.closest("section")?.querySelector("h2")?.id)
"""


def test_on_a_phone_nothing_but_tables_is_wider_than_the_screen(browser: Browser, pages: list[Path]) -> None:
    with context(browser, "phone") as phone:
        page = phone.new_page()
        complaints = Complaints(page)
        for path in pages:
            page.goto(path.as_uri())
            assert page.evaluate("document.documentElement.scrollWidth === document.documentElement.clientWidth")
            assert page.evaluate(WIDE) == []
            # What is wider scrolls by itself, shows that it does, and text is not shrunk to fit.
            assert page.evaluate(UNSEEN) == []
            assert page.evaluate("parseFloat(getComputedStyle(document.querySelector('td')).fontSize)") >= 11
            assert page.evaluate("performance.getEntriesByType('resource').length") == 0
        assert complaints.said == []


FIGURES = """() => [...document.querySelectorAll(".means tbody tr")].map(row =>
  [...row.children].slice(1).map(cell => ({pack: getComputedStyle(cell, "::before").content,
    right: cell.getBoundingClientRect().right, value: cell.firstChild.getBoundingClientRect().left})))"""
VERDICTS = """() => [...document.querySelectorAll(".verdicts tbody tr")].filter(row => row.children[2].textContent)
  .map(row => [2, 3].map(place => {
    const seen = row.children[place].firstChild.getBoundingClientRect();
    return [seen.top, seen.left, seen.right];
  }))"""
DRAWN = """() => [...document.querySelectorAll("figure")].map(figure => [...figure.querySelectorAll("svg")]
  .filter(svg => svg.getClientRects().length).map(svg => ({
    left: svg.getBoundingClientRect().left, right: svg.getBoundingClientRect().right,
    least: Math.min(...[...svg.querySelectorAll("text")].map(text => parseFloat(getComputedStyle(text).fontSize)
      * svg.getBoundingClientRect().width / svg.viewBox.baseVal.width))})))"""


def test_on_a_phone_every_pack_every_verdict_and_every_chart_is_seen_whole(browser: Browser, pages: list[Path]) -> None:
    width = SIZES["phone"][0]
    with context(browser, "phone") as phone:
        page = phone.new_page()
        page.goto(pages[1].as_uri())
        rows = page.evaluate(FIGURES)
        assert len(rows) > 8
        for row in rows:
            assert all(cell["right"] <= width and 0 < cell["value"] < width / 2 for cell in row)
        said = [cell["pack"] for cell in rows[0] + rows[len(rows) // 2]]
        # A style sheet's words for the eye, with none to be read aloud: the column's head says them already.
        assert said == [f'"{name}" / ""' for name in PACKS]
        verdicts = page.evaluate(VERDICTS)
        assert len(verdicts) > 20
        for number, words in verdicts:
            assert number[1] < words[1]
            assert number[0] - 4 < words[0] < number[0] + 4
            assert words[2] <= width
        for path in pages:
            page.goto(path.as_uri())
            charts = page.evaluate(DRAWN)
            assert len(charts) == 5
            for [shown] in charts:  # one of the two drawings
                assert 0 <= shown["left"] < shown["right"] <= width
                assert shown["least"] > 8


@pytest.mark.parametrize("size", ["phone", "desk"])
def test_tables_are_tables_to_a_screen_reader_where_they_look_like_lines(
    browser: Browser, pages: list[Path], size: str
) -> None:
    with context(browser, size) as device:
        page = device.new_page()
        for path in (pages[0], pages[1].parents[1] / "of-two" / pages[1].name):  # each rule once; axe-core reads long
            page.goto(path.as_uri())
            heads = page.evaluate("[...document.querySelectorAll('.lines thead th')].map(one => one.textContent)")
            cells = page.evaluate("document.querySelectorAll('.lines td').length")
            others = page.evaluate("document.querySelectorAll('.wide:not(.lines) td').length")
            tree = device.new_cdp_session(page).send("Accessibility.getFullAXTree")["nodes"]
            seen = [(one["role"]["value"], one["name"].get("value", "")) for one in tree if not one["ignored"]]
            spoken = [name for role, name in seen if role == "columnheader"]
            assert len(heads) > 20
            assert set(heads) <= set(spoken)
            assert sum(role in ("cell", "gridcell") for role, _ in seen) == cells + others
            assert faults_of(page) == []
            keep_picture(page, f"report-{path.stem}", "light", whole=True)


def test_on_paper_every_table_fits_and_what_is_for_screens_is_left_out(browser: Browser, pages: list[Path]) -> None:
    with context(browser) as desk:
        page = desk.new_page()
        page.set_viewport_size({"width": PAPER_PX, "height": 1000})
        page.emulate_media(media="print")
        for path in pages:
            page.goto(path.as_uri())
            if path.stem == "comparison":
                assert page.evaluate(EVERY_RUN) == [list(DEMONSTRATED), list(PACKS)]
            assert page.evaluate("document.documentElement.scrollWidth") <= PAPER_PX
            assert page.evaluate(TOO_WIDE_FOR_PAPER) == []
            assert page.evaluate("[...document.querySelectorAll('nav, .screen')].every(one => !one.offsetHeight)")


SELECT = """() => {
  const table = document.querySelector("#spreadsheet ~ .wide table");
  const range = document.createRange();
  range.selectNode(table);
  getSelection().removeAllRanges();
  getSelection().addRange(range);
  return getSelection().toString();
}"""


def test_the_table_for_a_spreadsheet_is_copied_as_cells(browser: Browser, pages: list[Path]) -> None:
    with context(browser) as desk:
        page = desk.new_page()
        page.goto(pages[1].as_uri())
        copied = [line.split("\t") for line in page.evaluate(SELECT).splitlines() if line]
    with (pages[1].parent / "comparison.csv").open(newline="", encoding="utf-8") as file:
        written = list(csv.reader(file))
    # What a browser puts on the clipboard as text has a tab between cells; the CSV beside it holds the same.
    assert [[cell.strip() for cell in row] for row in copied] == written
    energy = next(row for row in copied if row[0] == "delivered_wh")
    assert float(energy[2]) > 0
    assert float(energy[3]) > 0
