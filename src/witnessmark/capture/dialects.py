"""The table of command families (dialects.toml, or a user's own file): which commands record and fetch."""

from __future__ import annotations

import string
from pathlib import Path
from typing import Annotated, Literal

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, model_validator

from witnessmark.errors import BadKnowledge
from witnessmark.knowledge import Mark, load, once

FILE = Path(__file__).parent / "dialects.toml"
Sample = Literal["ascii", "int8", "uint8", "int16", "uint16", "int32", "float32", "float64"]
Command = Annotated[str, Field(min_length=1, max_length=200, pattern=r"^[\x20-\x7e]+$")]
_PLACES = {"channel", "seconds", "points"}


class Question(BaseModel):
    """A query that answers a number, or a list whose ``field`` (from 1) is the number."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    query: Command
    field: Annotated[int, Field(ge=1, le=100)] | None = None


class Ask(BaseModel):
    """What scales the samples: value = (sample - reference) * step + origin, interval_s apart (or rate_hz)."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    rate_hz: Question | None = None
    interval_s: Question | None = None
    step: Question | None = None
    origin: Question | None = None
    reference: Question | None = None
    points: Question | None = None

    @model_validator(mode="after")
    def _timed(self) -> Ask:
        if (self.rate_hz is None) == (self.interval_s is None):
            raise ValueError("one of rate_hz and interval_s is needed")
        return self


class Dialect(BaseModel):
    """One family of commands; dialects.toml explains the keys."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    id: Annotated[str, Field(pattern=r"^[a-z][a-z0-9-]*$")]
    says: Annotated[str, Field(min_length=3)]
    mark: Mark
    source: Annotated[str, Field(min_length=3)]
    channel: Annotated[str, Field(pattern=r"^[A-Za-z0-9_]*\{number\}[A-Za-z0-9_]*$")]
    sample: Sample
    byte_order: Literal["little", "big"] = "little"
    setup: tuple[Command, ...] = ()
    offer: tuple[Command, ...] = ()
    begin: Command
    probe: Command | None = None
    select: tuple[Command, ...] = ()
    data: Command
    ask: Ask

    @model_validator(mode="after")
    def _places(self) -> Dialect:
        for command in (*self.setup, *self.offer, self.begin, self.probe or "", *self.select, self.data):
            if {name for _, name, _, _ in string.Formatter().parse(command) if name is not None} - _PLACES:
                raise ValueError(f'"{command}" has a place other than {{channel}}, {{seconds}} and {{points}}')
        return self

    @property
    def dtype(self) -> np.dtype[np.generic]:
        """Type of the samples in a block; float64 where they come as text."""
        if self.sample == "ascii":
            return np.dtype(np.float64)
        return np.dtype(self.sample).newbyteorder("<" if self.byte_order == "little" else ">")


class _File(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)

    dialect: Annotated[tuple[Dialect, ...], Field(min_length=1)]


def load_dialects(path: Path = FILE) -> tuple[Dialect, ...]:
    """Read and check a table; BadKnowledge (one line) where it cannot be used."""
    rows = load(_File, path).dialect
    once([row.id for row in rows], "dialect", path)
    return rows


def choose(said: str) -> tuple[Dialect, ...]:
    """The dialects to try: all with a probe for "auto", the one with this id, or those of a file that ends in .toml."""
    if said.lower().endswith(".toml"):
        return load_dialects(Path(said))
    rows = load_dialects()
    if said == "auto":
        return tuple(r for r in rows if r.probe is not None)
    found = tuple(r for r in rows if r.id == said)
    if not found:
        ids = ", ".join(r.id for r in rows)
        raise BadKnowledge(f'"{said}" is no dialect; use auto, one of {ids}, or a file of your own that ends in .toml')
    return found
