"""The command line's side of the collection: runs listed and filtered, endurance, export and import."""

import argparse
import json
import sys
import tomllib
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

from benchwarden.daemon.commands.parsing import add_command

if TYPE_CHECKING:
    from benchwarden.daemon.commands.parsing import Commands
    from benchwarden.results.import_map import ImportMap

DONE, BAD_INPUT = 0, 2


def add_commands(commands: "Commands") -> None:
    """Add `runs`, `endurance`, `export` and `import`."""
    runs = add_command(commands, "runs", "list and filter all runs", _runs, bench=True)
    runs.add_argument("--runs", help="the folder of all runs (default: what the bench file says)")
    runs.add_argument("--pack", default="", help="part of the pack's name")
    runs.add_argument("--profile", default="", help="part of the profile's name or title")
    runs.add_argument("--since", default="", metavar="DATE", help="2026-11 or 2026-11-25 and later, UTC")
    runs.add_argument("--until", default="", metavar="DATE", help="and not later than that day or month")
    runs.add_argument("--ended", default="", metavar="HOW", help="finished, tripped, stopped, interrupted, running")
    origin = runs.add_mutually_exclusive_group()
    origin.add_argument("--imported", dest="imported", action="store_true", default=None, help="imported ones only")
    origin.add_argument("--own", dest="imported", action="store_false", help="none that was imported")
    runs.add_argument("--rebuild", action="store_true", help="throw the index away and read every run again")
    form = runs.add_mutually_exclusive_group()
    form.add_argument("--csv", dest="form", action="store_const", const="csv", help="print for a spreadsheet")
    form.add_argument("--json", dest="form", action="store_const", const="json", help="print for programs")
    form.add_argument("--paths", dest="form", action="store_const", const="paths", help="print folders, for `compare`")
    runs.set_defaults(form="table")

    export = add_command(commands, "export", "write runs for other programs: Battery Data Format and metadata", _export)
    export.add_argument("runs", metavar="RUN", nargs="+", help="run folders")
    export.add_argument("--out", default="export", help="where the files go (default: %(default)s)")
    export.add_argument("--parquet", action="store_true", help="parquet in place of CSV (extra `parquet`)")
    export.set_defaults(many="runs")

    importing = add_command(
        commands, "import", "make a run folder, marked as imported, from a CSV from elsewhere", _import, bench=True
    )
    importing.add_argument("file", metavar="FILE.csv", help="a line of names, then numbers")
    importing.add_argument("--map", metavar="FILE.toml", help="what the columns are and what is known of the pack")
    importing.add_argument("--pack", help="the pack's name")
    importing.add_argument(
        "--column",
        metavar="WHAT=NAME",
        action="append",
        default=[],
        help="time, voltage, current, group_1 …, temperature_ambient …; NAME@UNIT for another unit than s, V, A, °C",
    )
    importing.add_argument("--discharge", choices=("negative", "positive"), help="sign of a discharging current")
    importing.add_argument("--mass", help="of the pack, such as '452 g'")
    importing.add_argument("--capacity", help="rated, such as '5 Ah'")
    importing.add_argument("--series", type=int, help="groups in series")
    importing.add_argument("--started", metavar="TIME", help="2025-04-12T09:30:00Z")
    importing.add_argument("--cut-off", metavar="VOLTAGE", help="pack voltage that ended the discharge, such as '15 V'")
    importing.add_argument("--like", metavar="RUN", help="a run of the very same procedure: then they may be compared")
    importing.add_argument("--runs", help="the folder of all runs (default: what the bench file says)")

    endurance = add_command(
        commands, "endurance", "how long a craft hovers with each pack, and with which longest", _endurance
    )
    endurance.add_argument("craft", metavar="CRAFT", help="the craft's file")
    endurance.add_argument("runs", metavar="RUN", nargs="+", help="run folders")
    form = endurance.add_mutually_exclusive_group()
    form.add_argument("--csv", dest="form", action="store_const", const="csv", help="print for a spreadsheet only")
    form.add_argument("--json", dest="form", action="store_const", const="json", help="print for programs only")
    endurance.set_defaults(form="table", many="runs")


def _endurance(options: argparse.Namespace) -> int:
    from benchwarden.daemon.commands.reporting import print_csv, read_runs
    from benchwarden.daemon.files import read_text
    from benchwarden.profiles.craft import read_craft
    from benchwarden.profiles.mistakes import FileMistakes
    from benchwarden.results import endurance as hover
    from benchwarden.results.figures import figures

    try:
        craft = read_craft(read_text(Path(options.craft), "craft file"), options.craft)
    except FileMistakes as error:
        print(*error.mistakes, sep="\n", file=sys.stderr)
        return BAD_INPUT
    runs = read_runs([Path(run) for run in options.runs])
    if runs is None:
        return BAD_INPUT
    found = hover.endurance(craft, [hover.candidate(run.info, hover.run_words(run), figures(run)) for run in runs])
    if options.form == "json":
        print(json.dumps(asdict(found), ensure_ascii=False, indent=2))
    elif options.form == "csv":
        print_csv(hover.as_rows(found))
    else:
        print(hover.as_text(found))
    return DONE if found.flights else BAD_INPUT


def _runs_folder(options: argparse.Namespace) -> Path:
    """Return the folder of all runs: as asked, else as the bench file says, else `runs` beside it."""
    if options.runs:
        return Path(options.runs)
    bench = Path(options.bench)
    try:
        named = tomllib.loads(bench.read_text(encoding="utf-8")).get("runs", "runs")
    except (OSError, ValueError, RecursionError):  # a list of runs needs no bench
        named = "runs"
    return bench.parent / (named if isinstance(named, str) else "runs")


def _runs(options: argparse.Namespace) -> int:
    from benchwarden.results import collection

    folder = _runs_folder(options)
    if not folder.is_dir():
        print(f"{folder}: no such directory; right would be --runs and the folder of all runs", file=sys.stderr)
        return BAD_INPUT
    wanted = collection.Wanted(
        options.pack, options.profile, options.since, options.until, options.ended, options.imported
    )
    if mistakes := wanted.mistakes():
        print(*mistakes, sep="\n", file=sys.stderr)
        return BAD_INPUT
    found = collection.filtered(collection.all_runs(folder, afresh=options.rebuild), wanted)
    if options.form == "json":
        print(json.dumps(collection.as_data(found), ensure_ascii=False, indent=2))
    elif options.form == "csv":
        from benchwarden.results.cells import as_csv

        sys.stdout.write(as_csv(collection.as_rows(found)).replace("\r\n", "\n"))
    elif options.form == "paths":
        print(*(folder / one.run for one in found), sep="\n")
    else:
        print(collection.as_text(found))
        print(f"{len(found)} run{'' if len(found) == 1 else 's'}")
    return DONE


def _export(options: argparse.Namespace) -> int:
    from benchwarden.results.exporting import ExportRefused, export
    from benchwarden.results.folder import FolderError

    for run in options.runs:
        try:
            print(*export(Path(run), Path(options.out), options.parquet), sep="\n")
        except (ExportRefused, FolderError) as error:
            print(error, file=sys.stderr)
            return BAD_INPUT
    return DONE


def _import(options: argparse.Namespace) -> int:
    from benchwarden.daemon import clock
    from benchwarden.profiles.mistakes import FileMistakes
    from benchwarden.results.figures import write_result
    from benchwarden.results.folder import FolderError
    from benchwarden.results.importing import import_csv
    from benchwarden.results.reading import read_run

    try:
        like = read_run(Path(options.like)).info if options.like else None
        if like is not None and (like.fingerprint is None or like.imported):
            raise FileMistakes([f"--like {options.like}: it has no fingerprint of its own; a run of this bench would"])
        made = import_csv(Path(options.file), _import_map(options), _runs_folder(options), clock.unix_s(), like)
        write_result(read_run(made))
    except FileMistakes as error:
        print(*error.mistakes, sep="\n", file=sys.stderr)
        return BAD_INPUT
    except FolderError as error:
        print(error, file=sys.stderr)
        return BAD_INPUT
    print(f"imported: {made}")
    if like is None:
        print("its procedure is not known, so `compare` refuses it; `import --like RUN` says that it was the same")
    return DONE


def _import_map(options: argparse.Namespace) -> "ImportMap":
    """Return what the columns are: from the file, and from the command line, which wins."""
    from benchwarden.daemon.files import read_text
    from benchwarden.profiles.mistakes import FileMistakes, toml_tables
    from benchwarden.results.import_map import import_map

    data: dict[str, Any] = {}
    where = options.map or "command line"
    if options.map:
        data = toml_tables(read_text(Path(options.map), "import's file"), options.map)
    pack = {"name": options.pack, "mass": options.mass, "rated_capacity": options.capacity, "series": options.series}
    given = {key: value for key, value in pack.items() if value is not None}
    if given:
        data["pack"] = {**(data["pack"] if isinstance(data.get("pack"), dict) else {}), **given}
    more = {"discharge": options.discharge, "started": options.started, "cut_off": options.cut_off}
    data |= {key: value for key, value in more.items() if value is not None}
    for text in options.column:
        what, sign, name = text.partition("=")
        if not (what and sign and name):
            raise FileMistakes([f"command line: found --column {text!r}; right would be --column voltage='U / V'"])
        name, _, unit = name.partition("@")
        columns = data.setdefault("columns", {})
        if isinstance(columns, dict):  # whatever else stands there is told below
            columns[what] = {"name": name, "unit": unit} if unit else {"name": name}
    return import_map(data, where)
