"""A run for other programs: samples as Battery Data Format (CSV, or parquet), and beside them what run.json says.

The samples' columns have that format's preferred labels already; what it has no column for stands in extra columns.
"""

import json
from pathlib import Path
from typing import Any

from benchwarden.results.columns import header, labels, row
from benchwarden.results.folder import RUN_FILE, FolderError, write_json
from benchwarden.results.reading import read_run
from benchwarden.results.run import Run
from benchwarden.results.series import Series

NO_PARQUET = "parquet needs pyarrow: `pip install 'benchwarden[parquet]'` brings it; without --parquet CSV is written"


class ExportRefused(Exception):
    """A run cannot be exported; the message says why and what would be right."""


def export(path: Path, out: Path, parquet: bool = False) -> list[Path]:
    """Write a run's samples and metadata into `out` and return their paths; an existing file is written anew.

    "heron_2026-11-25T21-04-11Z_standard.bdf.csv" (or .bdf.parquet) and "….metadata.json". Rows that were torn or
    doubled are left out, as in every figure. Raises FolderError or ExportRefused.
    """
    run = read_run(path)
    if not len(run.samples):
        raise ExportRefused(f"{path}: no samples; a run that left some would be right")
    name = "_".join(path.resolve().parts[-2:])
    try:
        out.mkdir(parents=True, exist_ok=True)
        samples = out / f"{name}.bdf.{'parquet' if parquet else 'csv'}"
        metadata = _metadata(run, samples.name)
        if parquet:
            _write_parquet(run, samples, metadata)
        else:
            _write_csv(run, samples)
    except OSError as problem:
        raise FolderError(f"{out}: {problem.strerror}; a directory that can be written to") from problem
    beside = out / f"{name}.metadata.json"
    write_json(beside, metadata)
    return [samples, beside]


def _metadata(run: Run, samples: str) -> dict[str, Any]:
    try:
        info = json.loads((run.path / RUN_FILE).read_bytes())
    except (OSError, ValueError):
        info = {}
    return {
        "run": run.name,
        "samples": samples,
        "format": "Battery Data Format, preferred labels; further columns: groups, phase, output, ages",
        "temperatures": {f"T{number}": place for number, place in enumerate(_on_pack(run), start=1)},
        "current": "positive charges the pack, negative discharges it",
        "problems": list(run.problems),
        "info": info if isinstance(info, dict) else {},
    }


def _on_pack(run: Run) -> list[str]:
    return [place for place in run.info.places if place != "ambient"]


def _places(run: Run) -> list[str]:
    """Return one place for each temperature in the samples, the named ones first."""
    count = Series.of(run.samples).temperatures_c.shape[1]
    named = list(run.info.places[:count])
    return named + [f"sensor {number}" for number in range(len(named) + 1, count + 1)]


def _write_csv(run: Run, path: Path) -> None:
    samples = Series.of(run.samples)
    with path.open("w", encoding="utf-8", newline="") as file:
        file.write(header(samples.groups_v.shape[1], _places(run)))
        file.writelines(row(sample) for sample in run.samples)


def _write_parquet(run: Run, path: Path, metadata: dict[str, Any]) -> None:
    try:
        import pyarrow as pa
        from pyarrow import parquet
    except ImportError:
        raise ExportRefused(NO_PARQUET) from None
    samples = Series.of(run.samples)
    words = list(samples.words)

    def spoken(codes: Any) -> Any:
        return pa.DictionaryArray.from_arrays(pa.array(codes, pa.int32()), pa.array(words, pa.string())).cast(
            pa.string()
        )

    columns = [
        samples.test_time_s,
        samples.voltage_v,
        samples.current_a,
        samples.unix_time_s,
        samples.step_count,
        samples.sequence,
        spoken(samples.step_type),
        samples.step_time_s,
        samples.voltage_v * samples.current_a,
        samples.charging_ah,
        samples.discharging_ah,
        samples.charging_wh,
        samples.discharging_wh,
        spoken(samples.phase),
        spoken(samples.output),
        samples.groups_age_s,
        samples.temperatures_age_s,
        *samples.temperatures_c.T,
        *samples.groups_v.T,
    ]
    arrays = [one if isinstance(one, pa.Array) else pa.array(one, from_pandas=True) for one in columns]
    names = labels(samples.groups_v.shape[1], _places(run))
    table = pa.Table.from_arrays(arrays, names=names)
    text = json.dumps(metadata, ensure_ascii=False, allow_nan=False)
    parquet.write_table(table.replace_schema_metadata({"benchwarden": text}), path, compression="zstd")
