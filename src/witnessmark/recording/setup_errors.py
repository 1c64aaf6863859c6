"""From a TOML file to a checked model, or to one line that says which key is wrong and what to do about it."""

from __future__ import annotations

import difflib
import os
import tomllib
import typing
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from witnessmark.errors import BadSetup, WitnessmarkError

SETUP_ERROR = "setup"  # type of the custom errors raised by the models; ctx: key (below the location), text
MAX_BYTES = 4_000_000  # a setup is a page of text; anything larger is another file

_Model = TypeVar("_Model", bound=BaseModel)

# pydantic's error types in the user's words: what was expected
_EXPECTED = {
    "int_type": "a whole number",
    "int_from_float": "a whole number",
    "float_type": "a number",
    "string_type": "text in quotes",
    "bool_type": "true or false",
    "tuple_type": "a list in [ ]",
    "dict_type": "a table like { 1 = [1, 2] }",
    "model_type": "a table",
    "finite_number": "a finite number",
    "too_long": 'a pair like [40.0, "rising"]',
    "missing": 'a pair like [40.0, "rising"]',
}


def load_checked(path: str, model: type[_Model], error: type[WitnessmarkError] = BadSetup) -> _Model:
    """Read ``path`` as TOML and check it against ``model``; raises ``error`` with one line."""
    name = os.fspath(path)
    try:
        return model.model_validate(_tuples(_read_toml(name, error)))
    except ValidationError as exc:
        raise error(_one_line(f"{name}: {_describe(exc, model)}")) from None


def _read_toml(name: str, error: type[WitnessmarkError]) -> dict[str, Any]:
    try:
        with open(name, "rb") as file:
            raw = file.read(MAX_BYTES + 1)
    except OSError as exc:
        reason = (exc.strerror or "cannot be read").lower()
        raise error(_one_line(f"{name}: {reason}; expected a readable TOML file, check path and permissions")) from None
    if len(raw) > MAX_BYTES:
        raise error(f"{name}: larger than {MAX_BYTES // 1_000_000} MB; expected a small TOML file, check the path")
    try:
        return tomllib.loads(raw.decode("utf-8-sig"))
    except UnicodeDecodeError:
        raise error(f"{name}: not UTF-8 text; expected a TOML file, save it as UTF-8") from None
    except (ValueError, RecursionError) as exc:
        what = "nested too deeply" if isinstance(exc, RecursionError) else str(exc)
        raise error(_one_line(f"{name}: not valid TOML: {what}; correct that line")) from None


def _tuples(value: Any) -> Any:
    """Lists as tuples: the models are strict and hold only values that never change."""
    if isinstance(value, list):
        return tuple(_tuples(v) for v in value)
    if isinstance(value, dict):
        return {k: _tuples(v) for k, v in value.items()}
    return value


def _one_line(text: str, limit: int = 600) -> str:
    line = " ".join("".join(c if c.isprintable() else " " for c in text).split())
    return line if len(line) <= limit else line[: limit - 3] + "..."


def _describe(exc: ValidationError, model: type[BaseModel]) -> str:
    errors = exc.errors(include_url=False)
    first = next((e for e in errors if e["type"] == "extra_forbidden"), errors[0])
    loc, context = first["loc"], first.get("ctx", {})
    path = _dotted(loc)
    if first["type"] == "extra_forbidden":
        return f"{path}: unknown key; {_suggestion(loc, model)}"
    if first["type"] == SETUP_ERROR:
        return f"{'.'.join(p for p in (path, context['key']) if p)}: {context['text']}"
    wanted = _wanted(first["type"], context, loc)
    return f"{path}: {_short(first['input'])} is not allowed, expected {wanted}; correct it or leave the key out"


def _dotted(loc: tuple[int | str, ...]) -> str:
    out = ""
    for part in loc:
        out += f"[{part + 1}]" if isinstance(part, int) else f"{'.' if out else ''}{part}"
    return out


def _wanted(kind: str, ctx: dict[str, Any], loc: tuple[int | str, ...]) -> str:
    if kind == "literal_error":
        return str(ctx["expected"]).replace("'", '"')
    bounds = {"greater_than": "above {gt:g}", "greater_than_equal": "at least {ge:g}",
              "less_than": "below {lt:g}", "less_than_equal": "at most {le:g}"}  # fmt: skip
    if kind in bounds:
        return bounds[kind].format(**ctx)
    if kind == "tuple_type" and loc in {("channel",), ("cam_wheel",)}:
        return f"one table for each, written [[{loc[0]}]]"
    if kind in {"model_type", "model_attributes_type"}:
        return f"a table, written [{_dotted(loc)}]"
    return _EXPECTED.get(kind, kind.replace("_", " "))


def _short(value: Any) -> str:
    if isinstance(value, tuple):
        value = list(value)
    text = f'"{value}"' if isinstance(value, str) else str(value).lower() if isinstance(value, bool) else str(value)
    return text if len(text) <= 60 else text[:57] + "..."


def _suggestion(loc: tuple[int | str, ...], model: type[BaseModel]) -> str:
    """The nearest known key, the table it belongs to, or the keys there are."""
    key = str(loc[-1])
    here = _model_at(model, loc[:-1])
    known = list(here.model_fields)
    close = difflib.get_close_matches(key, known, n=1)
    if close:
        return f'did you mean "{close[0]}"? Rename or remove it'
    for table in model.model_fields:
        inner = _model_at(model, (table,))
        if inner is not model and key in inner.model_fields:
            return f"it belongs in the table {table}; move it there"
    return f"expected one of {', '.join(known)}; rename or remove it"


def _model_at(model: type[BaseModel], loc: tuple[int | str, ...]) -> type[BaseModel]:
    for part in loc:
        if isinstance(part, str) and part in model.model_fields:
            model = _inner_model(model.model_fields[part].annotation) or model
    return model


def _inner_model(annotation: Any) -> type[BaseModel] | None:
    """The model inside ``X``, ``X | None`` or ``tuple[X, ...]``."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    for arg in typing.get_args(annotation):
        found = _inner_model(arg)
        if found is not None:
            return found
    return None
