"""Files that hold secrets: read only if nobody else can read them, and never quoted in a message."""

import stat
from pathlib import Path

from benchwarden.profiles.mistakes import FileMistakes


def read_secret(path: Path, key: str) -> str:
    """Return the text of a file that only its owner may read; `key` names the table and key that named it.

    FileMistakes where it cannot be read, is no UTF-8, or others can read it.
    """
    try:
        mode = path.stat().st_mode
        text = path.read_text("utf-8")
    except (OSError, UnicodeDecodeError) as error:
        why = error.strerror if isinstance(error, OSError) else "it is not UTF-8 text"
        raise FileMistakes([f"{path}: {key} cannot be read: {why}"]) from error
    if mode & (stat.S_IRWXG | stat.S_IRWXO):
        raise FileMistakes(
            [
                f"{path}: {key} holds secrets, and others can read it (mode {stat.S_IMODE(mode):04o}); "
                f"right would be 0600: chmod 600 {path}"
            ]
        )
    return text


def lines_of(text: str) -> list[str]:
    """Return what stands on each line, without empty lines and those that begin with "#"."""
    stripped = [line.strip() for line in text.splitlines()]
    return [line for line in stripped if line and not line.startswith("#")]
