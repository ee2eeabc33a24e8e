"""Turns what is wrong with a file that a person wrote into sentences, all of them at once."""

import difflib
import re
import tomllib
from collections.abc import Mapping, Sequence
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

_Model = TypeVar("_Model", bound=BaseModel)
# How alike two words must be for one to be meant for the other, of 1.
_NEAR = 0.6
_LONGEST = 200


class FileMistakes(Exception):
    """A file cannot be used; `mistakes` holds one sentence for each reason, with file, table and key."""

    def __init__(self, mistakes: Sequence[str]) -> None:
        super().__init__("\n".join(mistakes))
        self.mistakes = tuple(mistakes)


def in_words(error: ValidationError, where: str, known_keys: Mapping[str, Sequence[str]] | None = None) -> list[str]:
    """One sentence for each mistake that pydantic found; `where` names the file.

    `known_keys` maps a table ("step.charge", "" for the top) to the keys it may have.
    """
    return [
        _sentence(dict(mistake), where, known_keys or {})
        for mistake in error.errors(include_url=False)
        # A list whose entries are all wrong is also reported as too short: that says nothing more.
        if not (mistake["type"] == "too_short" and mistake["input"])
    ]


def _sentence(mistake: Mapping[str, object], where: str, known: Mapping[str, Sequence[str]]) -> str:
    place = mistake["loc"]
    assert isinstance(place, tuple)
    path = _path(place)
    found = mistake.get("input")
    context = mistake.get("ctx") or {}
    assert isinstance(context, dict)
    match mistake["type"]:
        case "missing":
            return f"{where}: {path}: missing; it must be given"
        case "extra_forbidden":
            table = ".".join(str(part) for part in place[:-1] if not isinstance(part, int))
            keys = known.get(table)
            more = f"; {meant(str(place[-1]), keys)}known here: {', '.join(keys)}" if keys else ""
            return f"{where}: {path}: there is no such key (found {_shown(found)}){more}"
        case "union_tag_invalid":
            tags = str(context.get("expected_tags"))
            tag = str(context.get("tag"))
            known_tags = [one.strip(" '") for one in tags.split(",")]
            return f"{where}: {path}: do = {tag!r} is no step; {meant(tag, known_tags)}known: {tags}"
        case "union_tag_not_found":
            return f'{where}: {path}: no `do`; right would be do = "rest" or another step'
        case "value_error":
            return f"{where}: {path}: {str(mistake['msg']).removeprefix('Value error, ')}"
        case "literal_error":
            choices = [one.strip(" '") for one in re.split(r",| or ", str(context.get("expected")))]
            likely = meant(found, choices) if isinstance(found, str) else ""
            return f"{where}: {path}: {mistake['msg']} (found {_shown(found)}){'; ' + likely.strip() if likely else ''}"
        case _:
            return f"{where}: {path}: {mistake['msg']} (found {_shown(found)})"


def meant(found: str, known: Sequence[str]) -> str:
    """A guess at what was meant, to stand in a sentence (did you mean "series"?); empty if nothing is near."""
    near = difflib.get_close_matches(found.lower(), [one.lower() for one in known], 1, _NEAR)
    return next((f'did you mean "{one}"? ' for one in known if near and one.lower() == near[0]), "")


def _shown(found: object) -> str:
    """What was found, cut short: a person has to find it again, not to read all of it."""
    text = repr(found)
    return text if len(text) <= _LONGEST else f"{text[:_LONGEST]}…"


def _path(place: tuple[object, ...]) -> str:
    parts: list[str] = []
    for part in place:
        if isinstance(part, int) and parts:
            parts[-1] += f" {part + 1}"
        else:
            parts.append(str(part))
    return ": ".join(parts) or "the file"


def keys_of(model: type[BaseModel]) -> list[str]:
    """The keys that a table of this model may have, as written in the file."""
    return [field.alias or name for name, field in model.model_fields.items()]


def toml_tables(text: str, where: str) -> dict[str, Any]:
    """The tables of the TOML text of the file `where`; FileMistakes if it is none."""
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise FileMistakes([f"{where}: not TOML: {error}"]) from error
    except ValueError as error:  # an integer of thousands of digits
        raise FileMistakes([f"{where}: a number in it cannot be read: {error}"]) from error
    except RecursionError as error:
        raise FileMistakes([f"{where}: brackets are nested too deeply; tables within tables are enough"]) from error


def read_toml(
    model: type[_Model], text: str, where: str, known_keys: Mapping[str, Sequence[str]] | None = None
) -> _Model:
    """The model from the TOML text of the file `where`; FileMistakes with every mistake if it cannot be used."""
    data = toml_tables(text, where)
    try:
        return model.model_validate(data)
    except ValidationError as error:
        raise FileMistakes(in_words(error, where, known_keys)) from error
