"""Reports in a browser: on a phone, on paper, and copied into a spreadsheet."""

import csv
from collections.abc import Iterator
from pathlib import Path

import pytest

pytest.importorskip("matplotlib")

from benchwarden.results.charts import main
from tests.browser import ABSENT, THERE, Browser, browser
from tests.test_reports import run_of

pytestmark = pytest.mark.skipif(not THERE, reason=ABSENT)

PHONE, PAPER_PX = 390, 688
"""Width of a usual phone in its own pixels, and of A4 less its margins of 14 mm at 96 pixels an inch."""


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    folder = tmp_path_factory.mktemp("reports")
    runs = [run_of(folder / name.lower() / "one", name, simulated=True) for name in ("Heron", "Tern")]
    assert main([str(runs[0])]) == 0
    assert main([*map(str, runs), "--out", str(folder / "out")]) == 0
    return [runs[0] / "report.html", folder / "out" / "comparison.html"]


@pytest.fixture(scope="module")
def window(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Browser]:
    with browser(tmp_path_factory.mktemp("browser")) as found:
        yield found


WIDE = """
const width = document.documentElement.clientWidth;
return [...document.querySelectorAll("body *")].filter(one =>
  !one.closest(".wide") && !one.closest("figure") && one.getClientRects().length
  && one.getBoundingClientRect().right > width + 1).map(one => one.tagName + " " + one.className);
"""


def test_on_a_phone_nothing_but_tables_and_charts_is_wider_than_the_screen(window: Browser, pages: list[Path]) -> None:
    for path in pages:
        window.look(PHONE, 844, phone=True)
        window.go(path.as_uri())
        assert window.run("return document.documentElement.scrollWidth") == PHONE
        assert window.run(WIDE) == []
        # What is wider scrolls by itself, and text is not shrunk to fit.
        assert window.run("return [...document.querySelectorAll('.wide')].every(one => one.scrollWidth >= 300)")
        assert window.run("return parseFloat(getComputedStyle(document.querySelector('td')).fontSize)") >= 11
        assert window.run("return performance.getEntriesByType('resource').length") == 0
        assert window.complaints() == []


def test_on_paper_every_table_fits_and_what_is_for_screens_is_left_out(window: Browser, pages: list[Path]) -> None:
    for path in pages:
        window.look(PAPER_PX, 1000)
        window.devtools("Emulation.setEmulatedMedia", media="print")
        window.go(path.as_uri())
        assert window.run("return document.documentElement.scrollWidth") <= PAPER_PX
        assert (
            window.run(
                "return [...document.querySelectorAll('.wide')].filter(one => one.getClientRects().length"
                " && one.scrollWidth > one.clientWidth + 1).map(one => one.closest('section')?.querySelector('h2')?.id)"
            )
            == []
        )
        shown = window.run("return [...document.querySelectorAll('nav, .screen')].filter(o => o.offsetHeight).length")
        assert shown == 0
        window.devtools("Emulation.setEmulatedMedia", media="")


SELECT = """
const table = document.querySelector("#spreadsheet ~ .wide table");
const range = document.createRange();
range.selectNode(table);
getSelection().removeAllRanges();
getSelection().addRange(range);
return getSelection().toString();
"""


def test_the_table_for_a_spreadsheet_is_copied_as_cells(window: Browser, pages: list[Path]) -> None:
    window.look(1280, 900)
    window.go(pages[1].as_uri())
    copied = [line.split("\t") for line in window.run(SELECT).splitlines() if line]
    with (pages[1].parent / "comparison.csv").open(newline="", encoding="utf-8") as file:
        written = list(csv.reader(file))
    # What a browser puts on the clipboard as text has a tab between cells; the CSV beside it holds the same.
    assert [[cell.strip() for cell in row] for row in copied] == written
    energy = next(row for row in copied if row[0] == "delivered_wh")
    assert float(energy[2]) > 0
    assert float(energy[3]) > 0
