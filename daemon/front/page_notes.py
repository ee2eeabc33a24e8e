"""What people wrote about runs, kept in the state folder: nothing but a run's worker writes into a run folder."""

import json
import threading
from collections.abc import Mapping
from pathlib import Path

from benchwarden.results.folder import write_json

NAME = "notes.page.json"  # with a dot: no bay's list can have this name
FORMAT = 1
LONGEST, MOST = 2000, 10_000  # characters of one note, notes


class NotesRefused(Exception):
    """A note cannot be kept; the message says why and what would be right."""


class Notes:
    """Notes by a run's name ("heron/2026-11-25T21-04-11Z_standard"); its methods wait for the disk."""

    def __init__(self, state: Path) -> None:
        self._path = state / NAME
        self._lock = threading.Lock()

    def all(self) -> Mapping[str, str]:
        """Return every note; NotesRefused where the file is not one."""
        try:
            data = json.loads(self._path.read_bytes())
        except FileNotFoundError:
            return {}
        except (OSError, ValueError) as error:
            raise NotesRefused(f"{self._path}: cannot be read ({error})") from error
        notes = data.get("notes") if isinstance(data, dict) and data.get("format") == FORMAT else None
        if not isinstance(notes, dict):
            raise NotesRefused(f"{self._path}: found no notes of format {FORMAT}; put the file aside")
        return {str(run): str(text) for run, text in notes.items()}

    def keep(self, run: str, text: str) -> None:
        """Keep what a run's note says now, "" for none; NotesRefused, or FolderError where the disk refuses."""
        text = text.strip()
        if len(text) > LONGEST:
            raise NotesRefused(f"the note has {len(text)} characters; at most {LONGEST} would be right")
        with self._lock:
            notes = {one: said for one, said in self.all().items() if one != run}
            if text:
                notes[run] = text
            if len(notes) > MOST:
                raise NotesRefused(f"{self._path} holds {MOST} notes already; empty some")
            write_json(self._path, {"format": FORMAT, "notes": notes})
