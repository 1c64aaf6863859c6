"""The limits of every finding: value, unit, where the number comes from and why (knowledge/limits.toml)."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from witnessmark.errors import BadKnowledge

FILE = Path(__file__).parent / "knowledge" / "limits.toml"


class Limit(BaseModel):
    """One limit. mark: kind of source; source: where it comes from; reason: what was measured or follows from it."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)

    name: Annotated[str, Field(pattern=r"^[a-z_]+(\.[a-z_]+)+$")]
    value: float
    unit: Annotated[str, Field(min_length=1)]
    mark: Literal["published", "common practice", "memory", "derived", "measured"]
    source: Annotated[str, Field(min_length=3)]
    reason: Annotated[str, Field(min_length=10)]


class _File(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)

    limit: tuple[Limit, ...]


@dataclass(frozen=True)
class Limits:
    """All limits by name: ``limits["tooth.absent.present_max"]`` is the value; KeyError for a name not in the file."""

    rows: Mapping[str, Limit]

    def __getitem__(self, name: str) -> float:
        return self.rows[name].value


def load_limits(path: Path = FILE) -> Limits:
    """Read and check a limits file; BadKnowledge (one line) when it breaks its schema or names a limit twice."""
    try:
        with path.open("rb") as file:
            rows = _File.model_validate(tomllib.load(file)).limit
    except OSError as error:
        raise BadKnowledge(f"{path}: {error.strerror or error}; check the path") from None
    except tomllib.TOMLDecodeError as error:
        raise BadKnowledge(f"{path}: not valid TOML ({error}); correct the file") from None
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(str(p) for p in first["loc"]) or "the file"
        raise BadKnowledge(f"{path}: {where}: {first['msg']}; correct this row") from None
    names = [row.name for row in rows]
    twice = {n for n in names if names.count(n) > 1}
    if twice:
        raise BadKnowledge(f"{path}: limit {sorted(twice)[0]} stands twice; keep one row")
    return Limits({row.name: row for row in rows})


@lru_cache(maxsize=1)
def default_limits() -> Limits:
    """The limits that come with the program."""
    return load_limits()
