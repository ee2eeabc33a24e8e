"""Whatever is derived can be thrown away: samples, run.json and events give it again, to the byte."""

import hashlib
from pathlib import Path

from benchwarden.daemon.main import main
from benchwarden.results.collection import INDEX_FILE, all_runs
from benchwarden.results.figures import write_result
from benchwarden.results.reading import read_run
from tests.test_charts import standard

RECORD = ("run.json", "events.jsonl", "samples-001.csv")


def digests(folder: Path) -> dict[str, str]:
    return {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in folder.iterdir() if path.is_file()}


def test_everything_but_the_record_is_made_again_the_same(tmp_path: Path) -> None:
    runs = tmp_path / "runs"
    run = standard(runs)
    write_result(read_run(run))
    assert main(["report", str(run)]) == 0
    before, listed = digests(run), all_runs(runs)
    assert {"result.json", "report.html", "overview.svg"} <= set(before)
    for path in run.iterdir():
        if path.name not in RECORD:
            path.unlink()
    (runs / INDEX_FILE).unlink()
    assert set(digests(run)) == set(RECORD)
    assert main(["report", str(run)]) == 0
    after = digests(run)
    # result.json to the byte on the same versions; so are the charts and the report.
    assert after == before
    assert all_runs(runs) == listed
