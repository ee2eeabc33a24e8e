"""`benchwarden schema`: the JSON Schema of every message over MQTT, and of every file that people write."""

import json
import sys
from typing import Any

from pydantic import BaseModel

from benchwarden.daemon.bench import Bench
from benchwarden.daemon.commands.file_words import CUT_OFF, CUT_OFFS, words_for
from benchwarden.daemon.serving.messages import MESSAGES, StopRequest
from benchwarden.drivers.command_map import CommandMap
from benchwarden.profiles.craft import Craft
from benchwarden.profiles.pack import Pack
from benchwarden.profiles.profile import Profile
from benchwarden.results.import_map import ImportMap

DONE, BAD_INPUT = 0, 2
# Those that people write, in TOML.
FILES = ("bench", "pack", "profile", "map", "craft", "import")
# What pydantic writes.
DIALECT = "https://json-schema.org/draft/2020-12/schema"

MODELS: dict[str, type[BaseModel]] = {
    **{str(model.model_fields["kind"].default): model for model in MESSAGES},
    "stop": StopRequest,
    "bench": Bench,
    "pack": Pack,
    "profile": Profile,
    "map": CommandMap,
    "craft": Craft,
    "import": ImportMap,
}


def schema_of(name: str) -> dict[str, Any]:
    """Return one JSON Schema; KeyError for a name that is not in `MODELS`."""
    found = _without_odd_defaults(MODELS[name].model_json_schema())
    if name in FILES:
        found = _for_editors(found)
    return {"$schema": DIALECT, **found}


def _for_editors(schema: dict[str, Any]) -> dict[str, Any]:
    """Say what each key is for, and leave out what TOML does not know: no value, and no titles made of names."""
    tables = [schema, *schema.get("$defs", {}).values()]
    for table in tables:
        for key, found in table.get("properties", {}).items():
            table["properties"][key] = _key(str(table.get("title")), key, found)
    return schema


def _key(model: str, key: str, found: dict[str, Any]) -> dict[str, Any]:
    if (model, key) in CUT_OFFS:
        found = dict(CUT_OFF)
    choices = [one for one in found.get("anyOf", ()) if one != {"type": "null"}]
    kept = {name: value for name, value in found.items() if name not in ("title", "anyOf")}
    if len(choices) == 1:
        kept |= choices[0]
    elif choices:
        kept["anyOf"] = choices
    if kept.get("default", ...) is None:
        del kept["default"]
    words = words_for(model, key)
    return {"description": words, **kept} if words else kept


def _without_odd_defaults(part: Any) -> Any:
    """Leave out defaults in SI units of what people write as text with a unit."""
    if isinstance(part, list):
        return [_without_odd_defaults(one) for one in part]
    if not isinstance(part, dict):
        return part
    kept = {key: _without_odd_defaults(value) for key, value in part.items()}
    if kept.get("type") == "string" and isinstance(kept.get("default"), float):
        del kept["default"]
    return kept


def print_schema(name: str | None) -> int:
    """Print one schema, or all of them by their names; returns the exit code."""
    if name is not None and name not in MODELS:
        print(f"command line: found {name!r}; right would be one of {', '.join(MODELS)}", file=sys.stderr)
        return BAD_INPUT
    found = schema_of(name) if name else {one: schema_of(one) for one in MODELS}
    print(json.dumps(found, indent=2, ensure_ascii=False))
    return DONE
