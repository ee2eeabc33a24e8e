"""Comparisons that a page asked for: made in a process of their own, kept below the state folder, served read only."""

import asyncio
import hashlib
import os
import re
import shutil
import sys
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path

from benchwarden.daemon.front.page_runs import NoSuchRun, Record
from benchwarden.daemon.guard.front_process import NICE
from benchwarden.results.folder import RESULT_FILE, RUN_FILE

FOLDER = "comparisons"
REPORT = "comparison.html"
MOST_RUNS, KEPT, AT_MOST_S = 40, 12, 180.0
PROGRAM = (sys.executable, "-m", "benchwarden.results.charts")
NAME = re.compile(r"[0-9a-f]{16}")
FILES = re.compile(r"[a-z][a-z-]{0,40}\.(html|svg|png|csv)")


class NotCompared(Exception):
    """The runs cannot be compared, or not now; the message says why."""


class Comparisons:
    """Makes comparisons one at a time, and keeps the newest; the same runs unchanged are not compared again."""

    def __init__(self, state: Path, record: Record, program: Sequence[str] = PROGRAM) -> None:
        """Take the folder that comparisons are kept below, the record, and the program that makes one."""
        self._folder, self._record, self._program = state / FOLDER, record, tuple(program)
        self._turn = asyncio.Lock()

    async def compare(self, runs: object) -> str:
        """Return the name of a comparison of these runs; NotCompared or NoSuchRun if there is none."""
        if not isinstance(runs, list) or not all(isinstance(run, str) for run in runs):
            raise NotCompared("runs: a list of names of runs would be right")
        chosen = list(dict.fromkeys(runs))
        if not 2 <= len(chosen) <= MOST_RUNS:
            raise NotCompared(f"{len(chosen)} runs; 2 to {MOST_RUNS} would be right")
        folders = await asyncio.to_thread(lambda: [self._record.folder(run) for run in chosen])
        name = await asyncio.to_thread(_name_of, folders)
        async with self._turn:
            if not (self._folder / name / REPORT).is_file():
                await self._make(name, folders)
        return name

    def file(self, name: str, file: str) -> Path:
        """Return one file of a comparison; NoSuchRun for whatever is none."""
        path = self._folder / name / file
        if not NAME.fullmatch(name) or not FILES.fullmatch(file) or path.is_symlink() or not path.is_file():
            raise NoSuchRun(f"there is no comparison {name!r} with a file {file!r}; compare the runs again")
        return path

    async def _make(self, name: str, folders: Sequence[Path]) -> None:
        making = self._folder / f".{name}.part"
        await asyncio.to_thread(shutil.rmtree, making, True)
        await asyncio.to_thread(lambda: making.mkdir(parents=True))
        command = [*self._program, *map(str, folders), "--out", str(making)]
        try:
            child = await asyncio.create_subprocess_exec(
                *command,
                stdin=asyncio.subprocess.DEVNULL,
                stdout=asyncio.subprocess.DEVNULL,
                stderr=asyncio.subprocess.PIPE,
            )
            try:
                with suppress(OSError):
                    os.setpriority(os.PRIO_PROCESS, child.pid, 2 * NICE)
                async with asyncio.timeout(AT_MOST_S):
                    _, said = await child.communicate()
            finally:
                if child.returncode is None:
                    child.kill()
                    await child.wait()
            if child.returncode:
                lines = said.decode("utf-8", "replace").strip().splitlines()
                raise NotCompared(lines[-1] if lines else "it could not be made, and nothing was said")
            await asyncio.to_thread(self._keep, making, self._folder / name)
        except TimeoutError as error:
            raise NotCompared(f"not done within {AT_MOST_S:g} s; compare fewer runs") from error
        finally:
            await asyncio.to_thread(shutil.rmtree, making, True)

    def _keep(self, made: Path, place: Path) -> None:
        """Put a comparison in its place, and let the oldest go."""
        shutil.rmtree(place, ignore_errors=True)
        made.rename(place)
        kept = sorted((one for one in self._folder.iterdir() if NAME.fullmatch(one.name)), key=_age_of, reverse=True)
        for old in kept[KEPT:]:
            shutil.rmtree(old, ignore_errors=True)


def _age_of(path: Path) -> float:
    try:
        return path.stat().st_mtime
    except OSError:
        return 0.0


def _name_of(folders: Sequence[Path]) -> str:
    """Return a name that changes with the runs, their order, and whatever was written to them since."""
    told = hashlib.sha256()
    for folder in folders:
        told.update(str(folder).encode())
        for name in (RUN_FILE, RESULT_FILE):
            with suppress(OSError):
                found = (folder / name).stat()
                told.update(f" {found.st_mtime_ns} {found.st_size}".encode())
    return told.hexdigest()[:16]
