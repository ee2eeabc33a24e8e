"""Fetches the files that people write; what they may say is checked in profiles/ and daemon/bench.py."""

from pathlib import Path

from benchwarden.profiles.mistakes import FileMistakes


def read_text(path: Path, what: str) -> str:
    """Return the text of a file; FileMistakes if it cannot be read. `what` names its kind ("pack file")."""
    try:
        return path.read_text(encoding="utf-8")
    except UnicodeDecodeError as error:
        raise FileMistakes([f"{path}: the {what} is not UTF-8 text ({error.reason})"]) from error
    except ValueError as error:
        raise FileMistakes([f"{path}: the {what} cannot be read: {error}"]) from error
    except OSError as error:
        raise FileMistakes([f"{path}: the {what} cannot be read: {error.strerror}"]) from error
