"""Where alarms go: addresses that hold secrets, from the environment or from a file that nobody else can read."""

from collections.abc import Mapping
from pathlib import Path

from benchwarden.daemon.bench import Alarms
from benchwarden.daemon.secret_file import lines_of, read_secret
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
    listed = lines_of(read_secret(path, "[alarms] urls_file"))
    if not listed:
        raise FileMistakes([f"{path}: [alarms] urls_file holds no address; one a line would be right"])
    return found + listed
