"""Where alarms go: addresses that hold secrets, from the environment or from a file that nobody else can read."""

import stat
from collections.abc import Mapping
from pathlib import Path

from benchwarden.daemon.bench import Alarms
from benchwarden.profiles.mistakes import FileMistakes

VARIABLE = "BENCHWARDEN_ALARMS"


def addresses(alarms: Alarms, folder: Path, environment: Mapping[str, str]) -> list[str]:
    """Return every address, none if there are none; FileMistakes where the file cannot be trusted.

    `urls_file` is looked for from `folder`; one address a line, "#" begins a comment line. Addresses in the variable
    BENCHWARDEN_ALARMS are parted by white space. What is wrong is told without the addresses.
    """
    found = environment.get(VARIABLE, "").split()
    if alarms.urls_file is None:
        return found
    path = folder / alarms.urls_file
    try:
        mode = path.stat().st_mode
        text = path.read_text("utf-8")
    except (OSError, UnicodeDecodeError) as error:
        why = error.strerror if isinstance(error, OSError) else "it is not UTF-8 text"
        raise FileMistakes([f"{path}: [alarms] urls_file cannot be read: {why}"]) from error
    if mode & (stat.S_IRWXG | stat.S_IRWXO):
        raise FileMistakes(
            [
                f"{path}: [alarms] urls_file holds secrets, and others can read it (mode {stat.S_IMODE(mode):04o}); "
                f"right would be 0600: chmod 600 {path}"
            ]
        )
    lines = [line.strip() for line in text.splitlines()]
    listed = [line for line in lines if line and not line.startswith("#")]
    if not listed:
        raise FileMistakes([f"{path}: [alarms] urls_file holds no address; one a line would be right"])
    return found + listed
