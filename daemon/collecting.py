"""The command line's side of the collection: runs listed and filtered, endurance, export and import."""

import argparse
import json
import sys
from dataclasses import asdict
from pathlib import Path
from typing import Any

DONE, BAD_INPUT = 0, 2


def add_commands(commands: Any) -> None:
    """Add `runs`, `endurance`, `export` and `import`."""
    endurance = commands.add_parser("endurance", help="how long a craft hovers with each pack, and with which longest")
    endurance.add_argument("craft", metavar="CRAFT", help="the craft's file")
    endurance.add_argument("runs", metavar="RUN", nargs="+", help="run folders")
    form = endurance.add_mutually_exclusive_group()
    form.add_argument("--csv", dest="form", action="store_const", const="csv", help="print for a spreadsheet only")
    form.add_argument("--json", dest="form", action="store_const", const="json", help="print for programs only")
    endurance.set_defaults(command=_endurance, form="table")


def _endurance(options: argparse.Namespace) -> int:
    from benchwarden.daemon.files import read_text
    from benchwarden.daemon.reporting import print_csv, read_runs
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
