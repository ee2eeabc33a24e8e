"""Reports and comparisons on the page: shown under a policy of their own, made only of runs that are there."""

import shutil
from pathlib import Path

import pytest

from benchwarden.daemon.front.page_compare import KEPT, Comparisons, NotCompared
from benchwarden.daemon.front.page_guard import REPORT_POLICY
from benchwarden.daemon.front.page_runs import NoSuchRun, Record
from tests.page_bench import RUN, VIEW, page_on, run
from tests.synthetic_run import discharge_run

OTHER = "tern/2026-11-26T08-00-00Z_capacity"
FOREIGN = "tern/2026-11-27T08-00-00Z_burst"


def add(folder: Path, name: str = OTHER, **more: str) -> None:
    writer = discharge_run(every_s=10.0)
    writer.finish(folder / "runs" / name, writer.info("Tern", **more))


def test_a_run_s_report_is_shown_and_can_do_nothing(tmp_path: Path) -> None:
    async def work() -> None:
        async with page_on(tmp_path) as page:
            missing = await page.get(f"/api/runs/{RUN}/report")
            assert missing.status_code == 404
            assert (await page.get("/api/runs")).json()["runs"][0]["report"] is False
            (tmp_path / "runs" / RUN / "report.html").write_text("<!doctype html><p>Heron</p>")
            assert (await page.get("/api/runs")).json()["runs"][0]["report"] is True
            answer = await page.get(f"/api/runs/{RUN}/report")
            assert answer.text == "<!doctype html><p>Heron</p>"
            assert answer.headers["content-type"] == "text/html; charset=utf-8"
            policy = answer.headers["content-security-policy"]
            assert policy == REPORT_POLICY
            # A report has its style in it; nothing else may come with it, and no script runs.
            assert "default-src 'none'" in policy
            assert "script-src" not in policy
            assert "frame-ancestors 'none'" in policy
            for name in ("x-content-type-options", "x-frame-options", "referrer-policy", "cache-control"):
                assert answer.headers[name] == missing.headers[name]

    run(work())


def test_ticked_runs_are_compared_once_and_shown(tmp_path: Path) -> None:
    pytest.importorskip("matplotlib")

    async def work() -> None:
        async with page_on(tmp_path, tokens=True) as page:
            add(tmp_path)
            runs = {"runs": [RUN, OTHER]}
            assert (await page.post("/api/comparisons", runs)).status_code == 401
            made = await page.post("/api/comparisons", runs, VIEW)
            assert made.status_code == 200, made.text
            at = made.json()["at"]
            assert (await page.get(at)).status_code == 401
            shown = await page.get(at, VIEW)
            assert "Heron and Tern" in shown.text
            assert "<svg" in shown.text
            assert shown.headers["content-security-policy"] == REPORT_POLICY
            table = await page.get(f"{at}/files/comparison.csv", VIEW)
            assert table.headers["content-disposition"] == 'attachment; filename="comparison.csv"'
            # Nothing went into the run folders, and the same again is not made again.
            assert not list((tmp_path / "runs").rglob("*.html"))
            place = tmp_path / "state" / "comparisons" / made.json()["comparison"] / "comparison.html"
            place.write_text("kept")
            assert (await page.post("/api/comparisons", runs, VIEW)).json() == made.json()
            assert (await page.get(at, VIEW)).text == "kept"
            for path in ("../../bench.toml", "%2e%2e/x", "x.html", "notes.json"):
                assert (await page.get(f"{at}/files/{path}", VIEW)).status_code == 404

    run(work())


def test_what_cannot_be_compared_is_refused_in_words(tmp_path: Path) -> None:
    async def work() -> None:
        async with page_on(tmp_path) as page:
            add(tmp_path, FOREIGN, fingerprint="1-ffff")
            for runs, status, words in (
                ([RUN, FOREIGN], 409, "may not be compared"),
                ([RUN], 409, "1 runs; 2 to"),
                ([RUN, RUN], 409, "1 runs; 2 to"),
                ("all", 409, "a list of names"),
                ([1, 2], 409, "a list of names"),
                ([RUN, "../state"], 404, "names no run"),
                ([RUN, "../../etc"], 404, "names no run"),
                ([RUN, "tern/none"], 404, "there is no run tern/none"),
            ):
                answer = await page.post("/api/comparisons", {"runs": runs})
                assert (answer.status_code, words in answer.json()["error"]) == (status, True), answer.text
            assert list((tmp_path / "state" / "comparisons").iterdir()) == []

    run(work())


# Writes comparison.html into the folder that its last argument names, as the program that compares does.
WRITES = ("sh", "-c", 'for last; do :; done; echo "$#" > "$last/comparison.html"', "compare")


def test_only_the_newest_are_kept_and_a_change_makes_another(tmp_path: Path) -> None:
    comparisons = Comparisons(tmp_path / "state", Record(tmp_path / "runs"), WRITES)
    for name in (RUN, OTHER):
        (tmp_path / "runs" / name).mkdir(parents=True)
    made: list[str] = []

    async def work() -> None:
        for number in range(KEPT + 3):
            (tmp_path / "runs" / RUN / "result.json").write_text("x" * number)
            made.append(await comparisons.compare([RUN, OTHER]))
            assert await comparisons.compare([RUN, OTHER]) == made[-1]
        with pytest.raises(NotCompared):
            await comparisons.compare([f"tern/{number}" for number in range(100)])

    run(work())
    assert len(set(made)) == KEPT + 3
    kept = {path.name for path in (tmp_path / "state" / "comparisons").iterdir()}
    assert len(kept) == KEPT
    assert made[-1] in kept
    with pytest.raises(NoSuchRun):
        comparisons.file(made[-1], "../notes.json")
    shutil.rmtree(tmp_path / "state" / "comparisons" / made[-1])
    with pytest.raises(NoSuchRun, match="compare the runs again"):
        comparisons.file(made[-1], "comparison.html")


def test_a_program_that_says_nothing_or_fails_leaves_nothing(tmp_path: Path) -> None:
    for name in (RUN, OTHER):
        (tmp_path / "runs" / name).mkdir(parents=True)

    async def work(script: str, words: str) -> None:
        comparisons = Comparisons(tmp_path / "state", Record(tmp_path / "runs"), ("sh", "-c", script, "compare"))
        with pytest.raises(NotCompared, match=words):
            await comparisons.compare([RUN, OTHER])
        assert list((tmp_path / "state" / "comparisons").iterdir()) == []

    run(work("echo one >&2; echo no disk >&2; exit 2", "no disk"))
    run(work("exit 1", "nothing was said"))
