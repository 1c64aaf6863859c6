"""Knowledge files (limits, tables, tests): TOML, checked against a model; one line where one of them is wrong."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any, Literal, TypeVar

from pydantic import BaseModel, ValidationError

from witnessmark.errors import BadKnowledge

Mark = Literal["published", "common practice", "memory", "derived", "measured"]
"""Where a number or a rule comes from."""

M = TypeVar("M", bound=BaseModel)
_NAMES = ("id", "name", "kind", "code", "pid", "test", "role", "cause")  # keys by which a row is called


def load(model: type[M], *paths: Path) -> M:
    """The files together as one model; BadKnowledge with one line that names file, row and key where they are not."""
    data: dict[str, Any] = {}
    origin: dict[str, Path] = {}
    for path in paths:
        for key, value in read_toml(path).items():
            data[key], origin[key] = value, path
    try:
        return model.model_validate(data)
    except ValidationError as error:
        raise BadKnowledge(_line_of(error, data, origin, paths)) from None


def read_toml(path: Path) -> dict[str, Any]:
    """A file's data, not checked; BadKnowledge with one line where it cannot be read."""
    try:
        with path.open("rb") as file:
            return tomllib.load(file)
    except OSError as error:
        raise BadKnowledge(f"{path}: {(error.strerror or str(error)).lower()}; check the path") from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        what = str(error).splitlines()[0]
        raise BadKnowledge(f"{path}: not valid TOML ({what}); correct the file") from None


def once(names: list[str], what: str, path: Path) -> None:
    """BadKnowledge where a row's name stands twice."""
    twice = next((n for n in names if names.count(n) > 1), None)
    if twice is not None:
        raise BadKnowledge(f"{path}: {what} {twice} stands twice; keep one row")


def _line_of(error: ValidationError, data: dict[str, Any], origin: dict[str, Path], paths: tuple[Path, ...]) -> str:
    """One line for the first thing wrong: file, row, key, what to do."""
    first = error.errors()[0]
    where = [str(part) for part in first["loc"]]
    message = first["msg"].removeprefix("Value error, ")
    one = str(paths[0]) if len(paths) == 1 else "knowledge"
    if not where:
        return f"{one}: {message}; correct the file"
    file = str(origin.get(where[0], one))
    if len(where) == 1 or not where[1].isdigit():
        return f"{file}: {'.'.join(where)}: {message}; correct it"
    row = data[where[0]][int(where[1])]
    name = next((str(row[k]) for k in _NAMES if k in row), "") if isinstance(row, dict) else ""
    called = f" ({name})" if name else ""
    key = f" {'.'.join(where[2:])}" if where[2:] else ""
    return f"{file}: [[{where[0]}]] number {int(where[1]) + 1}{called}{key}: {message}; correct this row"
