"""Reports in a browser: on a phone, on paper, and copied into a spreadsheet."""

import csv
from collections.abc import Iterator
from pathlib import Path

import pytest

pytest.importorskip("matplotlib")

from playwright.sync_api import Browser

from benchwarden.results.charts import main
from tests.browser import Complaints, chromium, context, needs_chromium
from tests.test_reports import run_of

pytestmark = needs_chromium

PAPER_PX = 688
"""Width of A4 less its margins of 14 mm, at 96 pixels an inch."""


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    folder = tmp_path_factory.mktemp("reports")
    runs = [run_of(folder / name.lower() / "one", name, simulated=True) for name in ("Heron", "Tern")]
    assert main([str(runs[0])]) == 0
    assert main([*map(str, runs), "--out", str(folder / "out")]) == 0
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
TOO_WIDE_FOR_PAPER = """() => [...document.querySelectorAll(".wide")]
  .filter(one => one.getClientRects().length && one.scrollWidth > one.clientWidth + 1)
  .map(one => one.closest("section")?.querySelector("h2")?.id)
"""


def test_on_a_phone_nothing_but_tables_and_charts_is_wider_than_the_screen(browser: Browser, pages: list[Path]) -> None:
    with context(browser, "phone") as phone:
        page = phone.new_page()
        complaints = Complaints(page)
        for path in pages:
            page.goto(path.as_uri())
            assert page.evaluate("document.documentElement.scrollWidth === document.documentElement.clientWidth")
            assert page.evaluate(WIDE) == []
            # What is wider scrolls by itself, and text is not shrunk to fit.
            assert page.evaluate("[...document.querySelectorAll('.wide')].every(one => one.scrollWidth >= 300)")
            assert page.evaluate("parseFloat(getComputedStyle(document.querySelector('td')).fontSize)") >= 11
            assert page.evaluate("performance.getEntriesByType('resource').length") == 0
        assert complaints.said == []


def test_on_paper_every_table_fits_and_what_is_for_screens_is_left_out(browser: Browser, pages: list[Path]) -> None:
    with context(browser) as desk:
        page = desk.new_page()
        page.set_viewport_size({"width": PAPER_PX, "height": 1000})
        page.emulate_media(media="print")
        for path in pages:
            page.goto(path.as_uri())
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
