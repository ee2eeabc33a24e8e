"""How every command stands on the command line: one way to declare it, and one list of them all."""

import argparse
from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    Commands = argparse._SubParsersAction[argparse.ArgumentParser]  # noqa: SLF001  argparse names it no other way

PROFILE = "a shipped profile such as standard (a wrong name lists them all), or a profile file"
_NAME_WIDTH = 13


def add_command(
    commands: "Commands",
    name: str,
    words: str,
    run: Callable[[argparse.Namespace], int] | None,
    *,
    bench: bool = False,
    state: bool = False,
) -> argparse.ArgumentParser:
    """Add one command and return its parser; `bench` and `state`: with the options that name these."""
    made = commands.add_parser(name, description=f"{words[0].upper()}{words[1:]}.", help=words)
    if bench:
        made.add_argument("--bench", default="bench.toml", help="the bench file (default: %(default)s)")
    if state:
        made.add_argument("--state", help="the service's folder (default: `state` beside the bench file)")
    if run is not None:
        made.set_defaults(command=run)
    return made


def in_groups(parsers: Mapping[str, argparse.ArgumentParser], groups: Mapping[str, Sequence[str]]) -> Iterator[str]:
    """Give the lines that list every command under its group, in words."""
    for group, names in groups.items():
        yield f"\n{group}:"
        for name in names:
            words = (parsers[name].description or "").rstrip(".")
            yield f"  {name:{_NAME_WIDTH}}{words[:1].lower()}{words[1:]}"
