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
            likely = _elsewhere(place, table, known) or (meant(str(place[-1]), keys) if keys else "")
            more = f"; {likely}known here: {', '.join(keys)}" if keys else ""
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
            right = f"{context.get('expected')}{'; ' + likely.strip() if likely else ''}"
            return f"{where}: {path}: found {_shown(found)}; right would be {right}"
        case kind:
            right = _right(str(kind), context)
            return f"{where}: {path}: found {_shown(found)}; right would be {right or mistake['msg']}"


# What pydantic calls it, and what a person would: only what files hold.
_TYPES = {
    "string_type": "a text in quotes",
    "bool_type": "true or false, without quotes",
    "int_type": "a whole number, without quotes",
    "int_from_float": "a whole number",
    "float_type": "a number, without quotes",
    "finite_number": "a finite number",
    "list_type": "a list in [ ]",
    "tuple_type": "a list in [ ]",
    "dict_type": "a table",
    "model_type": "a table",
    "model_attributes_type": "a table",
}


def _right(kind: str, context: Mapping[str, object]) -> str:
    """What would be right in place of a value of the wrong type or size, in words; empty for a kind not known here."""
    match kind:
        case "greater_than_equal":
            return f"{context['ge']} or more"
        case "greater_than":
            return f"more than {context['gt']}"
        case "less_than_equal":
            return f"{context['le']} or less"
        case "less_than":
            return f"less than {context['lt']}"
        case "string_too_short" | "too_short":
            return _how_many(kind, context["min_length"], "at least")
        case "string_too_long" | "too_long":
            return _how_many(kind, context["max_length"], "at most")
        case "string_pattern_mismatch":
            pattern = str(context["pattern"])
            return "a text that is not blank" if pattern == r"\S" else f"a text that fits {pattern}"
        case _:
            return _TYPES.get(kind, "")


def _how_many(kind: str, count: object, bound: str) -> str:
    if kind.startswith("string"):
        return f"a text of {bound} {count} character{'' if count == 1 else 's'}"
    return f"{bound} {count} entr{'y' if count == 1 else 'ies'}"


def _elsewhere(place: tuple[object, ...], table: str, known: Mapping[str, Sequence[str]]) -> str:
    """Where a key belongs that stands in the wrong table; empty where no other table, or more than one, knows it.

    A key of the file itself that was written below the first table is taken for one of that table.
    """
    key = str(place[-1])
    others = [name for name, keys in known.items() if name != table and key in keys]
    if "" in others:
        head = f"[[{place[0]}]]" if len(place) > 1 and isinstance(place[1], int) else f"[{place[0]}]"
        return f"it belongs further up, above {head}; "
    return f"it belongs in {others[0].replace('.', ': ')}; " if len(others) == 1 else ""


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
