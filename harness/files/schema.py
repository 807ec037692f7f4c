"""JSON Schema (draft 2020-12) of the kinds of files, from the same models that read them.

An editor that knows TOML picks it up from a comment in the first line, `#:schema ./bench.schema.json`, and
then completes keys, shows their meaning and marks a value with the wrong unit.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from typing import Any, Final

from pydantic import BaseModel
from pydantic.json_schema import GenerateJsonSchema, JsonSchemaMode, JsonSchemaValue, models_json_schema
from pydantic_core import CoreSchema, core_schema

from harness import quantities
from harness.files.files import MODELS, Kind, starter

_DIALECT: Final = "https://json-schema.org/draft/2020-12/schema"
_OWN_SEQUENCE: Final = r"^[^/\\]+\.py$"


def schema(kind: Kind, options: Mapping[str, type[BaseModel]] | None = None) -> dict[str, Any]:
    """The schema of a kind of file; `options` are the models of the sequences' options, by name."""
    model = MODELS[kind]
    choices = dict(options or {}) if kind == "job" else {}
    mode: JsonSchemaMode = "validation"
    wanted = [(chosen, mode) for chosen in dict.fromkeys((model, *choices.values()))]
    by_model, shared = models_json_schema(wanted, schema_generator=_Generator)
    definitions = shared["$defs"]
    top = _resolved(by_model[model, mode], definitions)
    if choices:
        tables = {name: _resolved(by_model[chosen, mode], definitions) for name, chosen in choices.items()}
        definitions["SequenceUse"] = {"anyOf": [*map(_choice, tables, tables.values()), _own_choice()]}
    used = {
        "$schema": _DIALECT,
        "title": f"Halfpower {kind} file",
        **{key: value for key, value in top.items() if key != "title"},
        "examples": [_example(kind)],
        "$defs": definitions,
    }
    plain: dict[str, Any] = _as_toml(used)
    plain["$defs"] = _reachable(plain)
    return plain


class _Generator(GenerateJsonSchema):
    """Defaults as a file would write them, and no titles made up from key names."""

    def field_title_should_be_set(self, schema: Any) -> bool:  # noqa: ARG002 - the signature is pydantic's
        return False

    def default_schema(self, schema: core_schema.WithDefaultSchema) -> JsonSchemaValue:
        made = super().default_schema(schema)
        value = made.pop("default", None)
        if value is not None and not isinstance(value, dict):
            made["default"] = _written(value, _unit_of(made))
        return made

    def nullable_schema(self, schema: core_schema.NullableSchema) -> JsonSchemaValue:
        """TOML has no null: an absent key is the only way to say nothing."""
        inner: CoreSchema = schema["schema"]
        return self.generate_inner(inner)


def _unit_of(made: Any) -> str:
    """The unit marked anywhere within a value's schema."""
    if isinstance(made, dict):
        if "x-unit" in made:
            return str(made["x-unit"])
        made = [value for key, value in made.items() if key in ("items", "anyOf", "allOf", "prefixItems")]
    if isinstance(made, list):
        return next((unit for item in made if (unit := _unit_of(item))), "")
    return ""


def _written(value: Any, unit: str) -> Any:
    """A default as a file writes it: 1e9 of Hz is '1 GHz'."""
    if isinstance(value, list | tuple):
        return [_written(item, unit) for item in value]
    return quantities.show(value, unit, 9).replace("Ω", "ohm") if unit and isinstance(value, float) else value


def _as_toml(made: Any) -> Any:
    """Take out what is no part of a schema: unit marks, and the bounds that pydantic writes beside them."""
    if isinstance(made, dict):
        return {
            key: _as_toml(value)
            for key, value in made.items()
            if isinstance(value, dict) or key not in ("x-unit", "gt", "ge", "lt", "le")
        }
    return [_as_toml(item) for item in made] if isinstance(made, list) else made


def _resolved(made: JsonSchemaValue, definitions: Mapping[str, Any]) -> dict[str, Any]:
    reference = made.get("$ref")
    return dict(definitions[reference.removeprefix("#/$defs/")] if reference else made)


def _choice(name: str, table: Mapping[str, Any]) -> dict[str, Any]:
    """One sequence by name, with its own options."""
    use = {"const": name, "description": table.get("description", f"the sequence '{name}'")}
    return {
        **table,
        "type": "object",
        "properties": {"use": use, **table.get("properties", {})},
        "required": ["use", *table.get("required", [])],
    }


def _own_choice() -> dict[str, Any]:
    return {
        "type": "object",
        "description": "a sequence of your own, in a file beside the job file",
        "properties": {"use": {"type": "string", "pattern": _OWN_SEQUENCE}},
        "required": ["use"],
    }


def _reachable(made: Mapping[str, Any]) -> dict[str, Any]:
    """The definitions that are referred to, in name order."""
    definitions = made["$defs"]
    waiting, kept = [value for key, value in made.items() if key != "$defs"], set()
    while waiting:
        match waiting.pop():
            case {"$ref": str(reference)} if (name := reference.removeprefix("#/$defs/")) not in kept:
                kept.add(name)
                waiting.append(definitions[name])
            case dict(part):
                waiting += part.values()
            case list(parts):
                waiting += parts
    return {name: definitions[name] for name in sorted(kept)}


def _example(kind: Kind) -> dict[str, Any]:
    """The starter file, with its dates as text, as JSON needs them."""

    def plain(value: Any) -> Any:
        if isinstance(value, dict):
            return {key: plain(item) for key, item in value.items()}
        if isinstance(value, list):
            return [plain(item) for item in value]
        return value if isinstance(value, str | int | float | bool) else value.isoformat()

    example: dict[str, Any] = plain(tomllib.loads(starter(kind)))
    return example
