"""What trouble codes mean, in our own words with their sources (knowledge/codes.toml)."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field, model_validator

from witnessmark.findings.kinds import FINDING_KINDS
from witnessmark.knowledge import load
from witnessmark.scan.codes import normal_code
from witnessmark.scan.knowledge import FOLDER, Row

FILE = FOLDER / "codes.toml"
MAKERS_OWN = "the maker's own code; its meaning stands in the maker's documents"
NOT_IN_TABLE = "a standard code that this program's table does not hold; look it up in SAE J2012-DA"


class Group(Row):
    """What codes are about. roles: lines a recording must hold to bear them out; agrees: kinds of finding that do."""

    id: Annotated[str, Field(pattern=r"^[a-z]+(-[a-z]+)*$")]
    name: str
    roles: tuple[str, ...]
    agrees: tuple[str, ...]
    hint: str


class Code(Row):
    """One code in words."""

    code: str
    group: str
    meaning: Annotated[str, Field(min_length=5)]


class _File(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)

    group: tuple[Group, ...]
    code: tuple[Code, ...]

    @model_validator(mode="after")
    def _whole(self) -> _File:
        groups = {g.id for g in self.group}
        seen: set[str] = set()
        for row in self.code:
            if row.group not in groups:
                raise ValueError(f"{row.code}: there is no group {row.group}")
            if row.code != normal_code(row.code) or row.code in seen:
                raise ValueError(f"{row.code} stands twice or is not written in capitals")
            seen.add(row.code)
        wrong = {k for g in self.group for k in g.agrees} - set(FINDING_KINDS)
        if wrong:
            raise ValueError(f"{sorted(wrong)[0]} is no kind of finding")
        return self


@dataclass(frozen=True, slots=True)
class Meaning:
    """A code in words; group None where the table does not hold it."""

    code: str
    words: str
    group: Group | None

    @property
    def hint(self) -> str:
        """What the trade reads from such a code; empty where there is nothing to say."""
        return self.group.hint if self.group is not None else ""


@lru_cache(maxsize=4)
def _table(path: Path) -> tuple[Mapping[str, Code], Mapping[str, Group]]:
    file = load(_File, path)
    return {c.code: c for c in file.code}, {g.id: g for g in file.group}


def code_rows() -> tuple[Code, ...]:
    """All codes of the table, by code."""
    codes, _ = _table(FILE)
    return tuple(codes[c] for c in sorted(codes))


def group_rows() -> tuple[Group, ...]:
    """All groups of the table."""
    return tuple(_table(FILE)[1].values())


def meaning(code: str, path: Path = FILE) -> Meaning:
    """The meaning of a code; BadScan for what is no code."""
    name = normal_code(code)
    codes, groups = _table(path)
    row = codes.get(name)
    if row is not None:
        return Meaning(name, row.meaning, groups[row.group])
    return Meaning(name, MAKERS_OWN if makers_own(name) else NOT_IN_TABLE, None)


def makers_own(code: str) -> bool:
    """Whether the maker gives the meaning (ISO 15031-6, from memory): P1, P30 to P33; B, C and U with digit 1 or 2."""
    if code[0] == "P":
        return code[1] == "1" or (code[1] == "3" and code[2] in "0123")
    return code[1] in "12"
