"""The limits of every finding: value, unit, where the number comes from and why (knowledge/limits.toml)."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field

from witnessmark.knowledge import Mark, load, once

FILE = Path(__file__).parent / "knowledge" / "limits.toml"


class Limit(BaseModel):
    """One limit. mark: kind of source; source: where it comes from; reason: what was measured or follows from it."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)

    name: Annotated[str, Field(pattern=r"^[a-z_]+(\.[a-z_]+)+$")]
    value: float
    unit: Annotated[str, Field(min_length=1)]
    mark: Mark
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
    rows = load(_File, path).limit
    once([row.name for row in rows], "limit", path)
    return Limits({row.name: row for row in rows})


@lru_cache(maxsize=1)
def default_limits() -> Limits:
    """The limits that come with the program."""
    return load_limits()
