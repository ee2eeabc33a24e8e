"""Turns what is wrong with a file that a person wrote into sentences, all of them at once."""

import tomllib
from collections.abc import Iterable, Mapping, Sequence
from difflib import get_close_matches
from typing import TypeVar

from pydantic import BaseModel, ValidationError

_Model = TypeVar("_Model", bound=BaseModel)


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
            more = f"{_did_you_mean(place[-1], keys)}; known here: {', '.join(keys)}" if keys else ""
            return f"{where}: {path}: there is no such key (found {found!r}){more}"
        case "union_tag_invalid":
            tags = str(context.get("expected_tags"))
            meant = _did_you_mean(context.get("tag"), [tag.strip(" '") for tag in tags.split(",")])
            return f"{where}: {path}: do = {context.get('tag')!r} is no step{meant}; known: {tags}"
        case "union_tag_not_found":
            return f'{where}: {path}: no `do`; right would be do = "rest" or another step'
        case "value_error":
            return f"{where}: {path}: {str(mistake['msg']).removeprefix('Value error, ')}"
        case _:
            return f"{where}: {path}: {mistake['msg']} (found {found!r})"


def _did_you_mean(found: object, known: Iterable[str]) -> str:
    """The nearest of the words that are known, as an addition to a sentence; empty if none is near."""
    near = get_close_matches(str(found), list(known), n=1)
    return f', did you mean "{near[0]}"?' if near else ""


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


def read_toml(
    model: type[_Model], text: str, where: str, known_keys: Mapping[str, Sequence[str]] | None = None
) -> _Model:
    """The model from the TOML text of the file `where`; FileMistakes with every mistake if it cannot be used."""
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise FileMistakes([f"{where}: not TOML: {error}"]) from error
    except RecursionError as error:
        raise FileMistakes([f"{where}: not TOML that can be read: nested too deep"]) from error
    try:
        return model.model_validate(data)
    except ValidationError as error:
        raise FileMistakes(in_words(error, where, known_keys)) from error
