"""The command line. Whatever switches something on runs as a worker under the guardian; there is no other way."""

import argparse
import json
import os
import sys
from collections.abc import Sequence
from functools import partial
from pathlib import Path

from benchwarden.daemon.commands import collecting, control, watching
from benchwarden.daemon.commands.parsing import PROFILE, add_command, in_groups
from benchwarden.daemon.guard import instrument_lock, state_folder
from benchwarden.daemon.guardian import Guardian
from benchwarden.daemon.serving import asking

BAD_INPUT = 2
_ATTENDED = "somebody sits beside the bench all the time; a pack's first charge needs it"
READER_GONE = 141  # what a shell says of a program that was ended by a closed pipe

_DESCRIPTION = """\
Tests rechargeable packs on a bench of SCPI instruments, and always leaves it off.
Each command has its own --help."""
GROUPS = {
    "to try it": ("demo", "simulate"),
    "before a test": ("pack", "confirm", "difference", "schema", "drill", "alarm", "install"),
    "a test": ("plan", "run", "continue", "off"),
    "a night": (
        "serve",
        "add",
        "list",
        "move",
        "drop",
        "start",
        "stop",
        "acknowledge",
        "answer",
        "status",
        "watch",
        "tail",
        "wait",
        "morning",
    ),
    "what was measured": ("report", "compare", "runs", "endurance", "export", "import", "seal"),
}
"""Every command, by what a person is about."""

_EPILOG = """\
Lithium packs burn. Test them on a surface that cannot, away from what can, with a smoke alarm and a way to cut
the power that needs no computer; keep to local codes, and ask a qualified person where you are not one.

exit codes: 0 finished, 1 tripped, 2 bad input, 3 stopped, 4 the guardian had to switch off
serve: 0 stopped with every bay confirmed off, 1 not confirmed, 2 bad input or served already, 4 as above
status, stop, morning: 0 fine, 1 a bay tripped, is not confirmed off or did not finish, 2 refused or no service
wait: 0 finished, 1 tripped or not confirmed off, 2 no service, 3 stopped
difference: 0 nothing that decides the result differs, 1 something does, 2 bad input
"""


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command; returns the exit code."""
    options = _parsed(arguments)
    try:
        result: int = options.command(options)
    except instrument_lock.InstrumentsTaken as error:
        state = state_folder.state_folder(Path(options.bench), getattr(options, "state", None))
        # Whoever is told to end what has the bench must not end a guardian that just switches it off.
        advice = asking.took_over_lines(state) or [
            "one program for each instrument: end that one first; `benchwarden off` works all the same"
        ]
        print(error, *advice, sep="\n", file=sys.stderr)
        return BAD_INPUT
    except BrokenPipeError:  # whoever read this has gone; nothing that switches writes to standard output
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return READER_GONE
    return result


def _parsed(arguments: Sequence[str] | None) -> argparse.Namespace:
    """Return the options; what a command takes many of may be named before and after an option.

    argparse itself takes them in one row only, and cannot mix them where there are subcommands.
    """
    parser = _parser()
    options, rest = parser.parse_known_args(arguments)
    many: str = getattr(options, "many", "")
    if rest and (not many or any(one.startswith("-") for one in rest)):
        parser.error(f"unrecognized arguments: {' '.join(rest)}")
    if rest:
        setattr(options, many, [*getattr(options, many), *rest])
    return options


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="benchwarden",
        usage="benchwarden COMMAND …",
        epilog=_EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    commands = parser.add_subparsers(prog="benchwarden", required=True, metavar="COMMAND", help=argparse.SUPPRESS)
    add = partial(add_command, commands)

    demo = add("demo", "run the standard test on a simulated bench with three packs", _demo)
    demo.add_argument("--out", default="demo", help="where its files and runs go (default: %(default)s)")
    demo.add_argument("--profile", default="standard", help="a shipped profile or a file (default: %(default)s)")
    demo.add_argument("--live", action="store_true", help="at 20 times real speed, with a page, until Ctrl-C")
    simulate = add("simulate", "serve a simulated bench on this machine", _simulate)
    simulate.add_argument("--bench", default="bench.toml", help="the bench file to write (default: %(default)s)")
    simulate.add_argument("--soc", type=float, help="how full the packs begin, 0 to 1 (default: as in the demo)")

    pack = add("pack", "the library of packs: write the file of a new one", None)
    new = add_command(
        pack.add_subparsers(title="commands", required=True, metavar="COMMAND"),
        "new",
        "ask the few questions that matter and write a pack's file",
        _pack_new,
    )
    new.add_argument("file", metavar="FILE", help="the file to write; never one that exists")
    confirm = add("confirm", "say once that a pack is what its file says; needed to charge it", _confirm, bench=True)
    confirm.add_argument("pack", metavar="PACK", help="the pack's file")
    differ = add("difference", "print where two procedures differ: profiles, or runs", _difference)
    for name in ("one", "other"):
        differ.add_argument(name, metavar=name.upper(), help="a shipped profile, a profile file, or a run folder")
    differ.add_argument("--pack", help="for which pack, where profiles name amperes, watts or ohms")
    schema = add("schema", "print the JSON Schema of messages and files", _schema)
    schema.add_argument("name", metavar="NAME", nargs="?", help="one of them, such as sample or pack (default: all)")
    drill = add("drill", "freeze the program while a small current flows; time the guardian", _drill, bench=True)
    drill.add_argument("bay", metavar="BAY[=PACK]", help="the bay, and the file of the pack in it")
    alarm = add("alarm", "try out whether alarms arrive", _alarm, bench=True)
    alarm.add_argument("--test", action="store_true", required=True, help="send a test message to every address")
    install = add(
        "install", "show the systemd unit of the service; write it if asked", _install, bench=True, state=True
    )
    install.add_argument("--user", action="store_true", help="a unit of your own, not of the system")
    install.add_argument("--as", dest="account", metavar="ACCOUNT", help="who runs it (default: you; never root)")
    install.add_argument("--write", action="store_true", help="write it; nothing is started")

    plan = add("plan", "show what a test would do, in absolute figures; switches nothing on", _plan, bench=True)
    run = add("run", "run a test; a real bench needs a passed drill first", _run, bench=True, state=True)
    for command in (plan, run):
        command.add_argument("profile", metavar="PROFILE", help=PROFILE)
        command.add_argument(
            "packs", metavar="BAY=PACK", nargs="+", help="a bay and the file of the pack in it, left=heron.toml"
        )
        command.set_defaults(many="packs")
    plan.add_argument("--json", action="store_true", help="machine-readable, with everything")
    plan.add_argument("--commands", action="store_true", help="with every set-point that is sent, line by line")
    plan.add_argument("--chart", metavar="FILE", help="draw what is expected, as FILE.png or FILE.svg; one bay")
    plan.add_argument("--runs", help="where earlier runs lie (default: what the bench file says)")
    again = add(
        "continue",
        "go on with a run that was cut short, from a step boundary, as a new run",
        _continue,
        bench=True,
        state=True,
    )
    again.add_argument("run", metavar="RUN", help="the run folder")
    again.add_argument("--plan", action="store_true", help="show where it would begin and why; switches nothing on")
    for command in (run, again):
        command.add_argument("--attended", action="store_true", help=_ATTENDED)
        command.add_argument("--runs", help="where run folders go (default: what the bench file says)")
    off = add("off", "switch loads and supplies off and read them back", _off, bench=True)
    off.add_argument("bays", metavar="BAY", nargs="*", help="bays to switch off")
    off.add_argument("--all", action="store_true", help="every bay of the bench")
    off.set_defaults(many="bays")

    add("serve", "serve waiting lists of tests; starts idle", _serve, bench=True, state=True)
    control.add_commands(commands)
    watching.add_commands(commands)

    report = add("report", "work out a run's figures, charts and report again", _report)
    compare = add("compare", "compare runs of one procedure, with charts and a report", _compare)
    compare.add_argument("--out", default="comparison", help="where charts and report go (default: %(default)s)")
    for command in (report, compare):
        command.add_argument("runs", metavar="RUN", nargs="+", help="run folders")
        form = command.add_mutually_exclusive_group()
        form.add_argument("--csv", dest="form", action="store_const", const="csv", help="print for a spreadsheet only")
        form.add_argument("--json", dest="form", action="store_const", const="json", help="print for programs only")
        command.set_defaults(form="table", many="runs")
    collecting.add_commands(commands)
    seal = add("seal", "work out the partial figures of a run that a crash or power cut ended", _seal)
    seal.add_argument("runs", metavar="RUN", nargs="*", help="run folders")
    seal.add_argument("--below", metavar="RUNS", help="every such run below this folder")
    seal.set_defaults(many="runs")

    parser.description = "\n".join([_DESCRIPTION, *in_groups(commands.choices, GROUPS)])
    return parser


def _demo(options: argparse.Namespace) -> int:
    if options.live:
        from benchwarden.daemon.serving.serve import demonstrate

        return demonstrate(options.profile, Path(options.out).absolute())
    orders = {"out": options.out, "profile": options.profile}
    command = [sys.executable, "-m", "benchwarden.daemon.commands.demo", json.dumps(orders)]
    return Guardian(command, bench_inside_worker=True).run()


def _packs(options: argparse.Namespace) -> dict[str, str]:
    found: dict[str, str] = {}
    mistakes: list[str] = []
    for text in options.packs:
        bay, sign, pack = text.partition("=")
        if not (bay and sign and pack):
            mistakes.append(f"command line: found {text!r}; right would be BAY=PACK, such as left=heron.toml")
        elif bay in found:
            mistakes.append(f"command line: bay {bay!r} is named twice; one pack for each bay")
        found[bay] = pack
    return _refuse(mistakes) if mistakes else found


def _refuse(mistakes: Sequence[str]) -> dict[str, str]:
    print(*mistakes, sep="\n", file=sys.stderr)
    raise SystemExit(BAD_INPUT)


def _serve(options: argparse.Namespace) -> int:
    from benchwarden.daemon.serving.serve import serve

    return serve(Path(options.bench).absolute(), control.state_of(options))


def _run(options: argparse.Namespace) -> int:
    from benchwarden.daemon.serving.serve import run

    orders = {
        "bench": options.bench,
        "profile": options.profile,
        "packs": _packs(options),
        "runs": options.runs,
        "attended": options.attended,
    }
    return run(orders, Path(options.bench).absolute(), control.state_of(options), list(orders["packs"]))


def _plan(options: argparse.Namespace) -> int:
    from benchwarden.daemon.commands.draw_plan import draw, refusals
    from benchwarden.daemon.commands.show_plan import as_data, as_text
    from benchwarden.daemon.planning.jobs import load_bench, prepare
    from benchwarden.profiles.mistakes import FileMistakes

    path = Path(options.bench)
    chart = Path(options.chart) if options.chart else None
    try:
        packs = {bay: Path(pack) for bay, pack in _packs(options).items()}
        if chart and (mistakes := refusals(chart, len(packs))):
            _refuse(mistakes)
        bench = load_bench(path)
        jobs = prepare(bench, path, options.profile, packs)
        runs = Path(options.runs) if options.runs else path.parent / bench.runs
        if options.json:
            found = json.dumps([as_data(job, path, runs) for job in jobs], indent=2)
        else:
            found = as_text(jobs, path, runs, every_command=options.commands)
    except FileMistakes as error:
        _refuse(error.mistakes)
    print(found, flush=True)
    return draw(jobs[0], path, runs, chart) if chart else 0


def _continue(options: argparse.Namespace) -> int:
    from benchwarden.daemon.commands.show_plan import as_text
    from benchwarden.daemon.planning.jobs import load_bench
    from benchwarden.daemon.serving.continue_run import prepare_continuation
    from benchwarden.daemon.serving.serve import run
    from benchwarden.profiles.mistakes import FileMistakes

    path = Path(options.bench)
    try:
        found = prepare_continuation(load_bench(path), path, Path(options.run))
        shown = as_text([found.job], path) if options.plan else ""
    except FileMistakes as error:
        _refuse(error.mistakes)
    print(found.as_text(), flush=True)
    if options.plan:
        print(f"\n{shown}")
        return 0
    orders = {
        "bench": options.bench,
        "profile": "",
        "packs": {},
        "runs": options.runs,
        "continues": options.run,
        "attended": options.attended,
    }
    return run(orders, path.absolute(), control.state_of(options), [found.job.entry.name])


def _confirm(options: argparse.Namespace) -> int:
    from benchwarden.daemon.planning.confirmed import ask_to_confirm

    return ask_to_confirm(Path(options.bench), Path(options.pack))


def _pack_new(options: argparse.Namespace) -> int:
    from benchwarden.daemon.commands.pack_new import pack_new

    return pack_new(Path(options.file))


def _seal(options: argparse.Namespace) -> int:
    from benchwarden.daemon.commands.reporting import seal
    from benchwarden.results.folder import interrupted_runs

    if bool(options.runs) == bool(options.below):
        _refuse(["command line: right would be `seal RUN …`, or `seal --below RUNS`"])
    return seal(interrupted_runs(Path(options.below)) if options.below else [Path(run) for run in options.runs])


def _off(options: argparse.Namespace) -> int:
    from benchwarden.daemon.commands.off import switch_off

    if options.all == bool(options.bays):
        _refuse(["command line: right would be `off --all`, or `off BAY …`"])
    return switch_off(Path(options.bench), None if options.all else options.bays)


def _drill(options: argparse.Namespace) -> int:
    from benchwarden.daemon.commands.drill import drill

    bay, _, pack = options.bay.partition("=")
    return drill(Path(options.bench), bay, Path(pack) if pack else None)


def _alarm(options: argparse.Namespace) -> int:
    from benchwarden.daemon.alarm.alarms import try_out

    return try_out(Path(options.bench))


def _install(options: argparse.Namespace) -> int:
    from benchwarden.daemon.commands.install import install

    state = Path(options.state) if options.state else None
    return install(Path(options.bench), state, for_user=options.user, account=options.account, write=options.write)


def _report(options: argparse.Namespace) -> int:
    from benchwarden.daemon.commands.reporting import report

    return report([Path(run) for run in options.runs], options.form)


def _compare(options: argparse.Namespace) -> int:
    from benchwarden.daemon.commands.reporting import compare

    return compare([Path(run) for run in options.runs], Path(options.out), options.form)


def _difference(options: argparse.Namespace) -> int:
    from benchwarden.daemon.commands.difference import difference

    return difference(options.one, options.other, Path(options.pack) if options.pack else None)


def _schema(options: argparse.Namespace) -> int:
    from benchwarden.daemon.commands.schema import print_schema

    return print_schema(options.name)


def _simulate(options: argparse.Namespace) -> int:
    from benchwarden.daemon.commands.demo import simulate

    return simulate(Path(options.bench), options.soc)


if __name__ == "__main__":
    sys.exit(main())
