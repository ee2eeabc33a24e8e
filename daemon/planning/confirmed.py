"""What a person has confirmed of a pack: chemistry, series count and full voltage; and its first, attended charge.

One small JSON file for each pack, in `confirmed/` beside the bench file. A pack file that then says something else
needs a new confirmation, and a new first charge.
"""

import hashlib
import json
import sys
from collections.abc import Callable
from dataclasses import asdict, dataclass, replace
from pathlib import Path

from benchwarden.daemon import clock
from benchwarden.daemon.files import read_text
from benchwarden.profiles.mistakes import FileMistakes
from benchwarden.profiles.pack import PackValues, read_pack, resolved
from benchwarden.results.folder import FolderError, slug, utc_text, write_json

FOLDER = "confirmed"
DONE, REFUSED = 0, 2


@dataclass(frozen=True, slots=True)
class Confirmation:
    """One pack's: what was confirmed and when; `first_charge`: the run of its first attended charge, if any."""

    pack: str
    digest: str
    what: str
    utc: str
    first_charge: str | None = None


def digest(pack: PackValues) -> str:
    """Return what changes with the pack's chemistry, series count or full voltage, and with nothing else."""
    text = json.dumps([pack.chemistry, pack.series, pack.full_v])
    return hashlib.sha256(text.encode()).hexdigest()[:16]


def in_words(pack: PackValues) -> str:
    """Return what is to be confirmed; the pack must be one that is charged here."""
    assert pack.full_v is not None
    return (
        f"{pack.chemistry}, {pack.series} in series, full at {pack.full_v:.2f} V per group "
        f"({pack.series * pack.full_v:.2f} V)"
    )


def confirmation(folder: Path, pack: PackValues) -> Confirmation | None:
    """Return what was confirmed of this very pack beside the bench file in `folder`; None if nothing was.

    Raises FileMistakes for a file that is none.
    """
    try:
        path = _path(folder, pack.name)
        data = json.loads(path.read_text("utf-8"))
        found = Confirmation(**data)
    except FileNotFoundError:
        return None
    except FolderError as error:
        raise FileMistakes([str(error)]) from error
    except (OSError, ValueError, TypeError) as error:
        raise FileMistakes([f"{path}: not a pack's confirmation ({error}); remove it, and confirm anew"]) from error
    return found if (found.pack, found.digest) == (pack.name, digest(pack)) else None


def confirm(folder: Path, pack: PackValues, utc: str) -> Confirmation:
    """Keep that a person has confirmed this pack; its first charge stays known. Raises FolderError, FileMistakes."""
    before = confirmation(folder, pack)
    made = Confirmation(pack.name, digest(pack), in_words(pack), utc, before.first_charge if before else None)
    _write(folder, made)
    return made


def charged_attended(folder: Path, pack: PackValues, run: str) -> None:
    """Keep that a confirmed pack was charged with somebody beside it, if it is the first time. Raises FolderError."""
    found = confirmation(folder, pack)
    if found and not found.first_charge:
        _write(folder, replace(found, first_charge=run))


def _path(folder: Path, name: str) -> Path:
    return folder / FOLDER / f"{slug(name)}.json"


def _write(folder: Path, found: Confirmation) -> None:
    path = _path(folder, found.pack)
    try:
        path.parent.mkdir(exist_ok=True)
    except OSError as error:
        raise FolderError(f"{path.parent}: {error.strerror}; a folder that can be written to would be right") from error
    write_json(path, asdict(found))


def ask_to_confirm(bench: Path, pack_path: Path, answer: Callable[[], str] = sys.stdin.readline) -> int:
    """Show what a pack file says and what follows from it, and keep it if the person says that it is so."""
    try:
        pack = resolved(read_pack(read_text(pack_path, "pack file"), str(pack_path)))
    except FileMistakes as error:
        print(*error.mistakes, sep="\n", file=sys.stderr)
        return REFUSED
    if not bench.is_file():
        print(f"{bench}: there is no bench file, beside which this is kept; --bench names another", file=sys.stderr)
        return REFUSED
    if pack.full_v is None:
        print(f"{pack_path}: {pack.chemistry} is not charged here, so there is nothing to confirm", file=sys.stderr)
        return REFUSED
    print(f"{pack.name} ({pack_path}): {in_words(pack)}")
    print(f"It will be charged with at most {pack.max_charge_a:g} A; {pack.rated_capacity_ah:g} Ah are rated.")
    print(*pack.defaults, sep="\n")
    print(
        "\nNo instrument can tell an empty pack of one chemistry from another, and a wrong full voltage burns it.\n"
        'Read the label and the data sheet of this very pack. If it is what stands above, type "yes"'
    )
    sys.stdout.flush()
    if answer().strip().lower() != "yes":
        print("nothing was confirmed", file=sys.stderr)
        return REFUSED
    try:
        made = confirm(bench.parent, pack, utc_text(clock.unix_s()))
    except (FolderError, FileMistakes) as error:
        print(error, file=sys.stderr)
        return REFUSED
    print(f"confirmed: {made.pack}: {made.what}")
    if not made.first_charge:
        print("Its first charge is attended: `benchwarden run --attended …`")
    return DONE
