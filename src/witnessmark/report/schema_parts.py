"""The pieces that the published schemas are built from."""

from __future__ import annotations

from typing import Any

Schema = dict[str, Any]

TEXT: Schema = {"type": "string"}
FLAG: Schema = {"type": "boolean"}
NUMBER: Schema = {"type": "number"}
COUNT: Schema = {"type": "integer", "minimum": 0}
SHARE: Schema = {"type": "number", "minimum": 0, "maximum": 1}
POSITIVE: Schema = {"type": "number", "minimum": 0}


def maybe(schema: Schema) -> Schema:
    """The same, or null where unknown."""
    return {"anyOf": [schema, {"type": "null"}]}


def among(words: list[str] | tuple[str, ...] | dict[str, str]) -> Schema:
    """One of a closed list."""
    return {"enum": list(words)}


def listing(items: Schema, **more: Any) -> Schema:
    """An array of items."""
    return {"type": "array", "items": items, **more}


def record(required: dict[str, Schema], optional: dict[str, Schema] | None = None, **more: Any) -> Schema:
    """An object with required keys; further keys are allowed."""
    properties = {**required, **(optional or {})}
    return {"type": "object", "properties": properties, "required": list(required), **more}
