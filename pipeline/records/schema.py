"""JSON Schema (draft 2020-12) of one object of `readings.jsonl`, made from the dataclasses."""

from __future__ import annotations

import dataclasses
import types
import typing
from typing import Any

from pipeline.knee.reading import PICTURES_ONLY, Reading


def reading_schema() -> dict[str, Any]:
    """The schema; `docs/reference/reading.schema.json` is its written form."""
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "Squareon reading",
        "description": "One knee on one film: a proposal for human review, not for guidance.",
        **_of(Reading),
    }


def _of(hint: Any) -> dict[str, Any]:
    origin, arguments = typing.get_origin(hint), typing.get_args(hint)
    if dataclasses.is_dataclass(hint):
        hints = typing.get_type_hints(hint)
        fields = dataclasses.fields(hint)
        names = [field.name for field in fields if field.name not in PICTURES_ONLY]
        properties = {name.rstrip("_"): _of(hints[name]) for name in names}
        return {
            "type": "object",
            "properties": properties,
            "required": list(properties),
            "additionalProperties": False,
        }
    if origin is typing.Literal:
        return {"enum": list(arguments)}
    if origin in (typing.Union, types.UnionType):
        return {"anyOf": [_of(choice) for choice in arguments]}
    if origin is tuple:
        if arguments[-1] is Ellipsis:
            return {"type": "array", "items": _of(arguments[0])}
        items = [_of(item) for item in arguments]
        return {"type": "array", "prefixItems": items, "items": False, "minItems": len(items)}
    return {"type": _PLAIN[hint]}


_PLAIN = {str: "string", int: "integer", float: "number", bool: "boolean", type(None): "null"}
