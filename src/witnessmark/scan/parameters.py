"""Parameters of services 01 and 02: from bytes to values with units (table and sources: knowledge/parameters.toml)."""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache
from pathlib import Path
from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, Field, field_validator, model_validator

from witnessmark.knowledge import load
from witnessmark.scan.knowledge import FOLDER, Row

SUPPORT = tuple(range(0x00, 0x100, 0x20))  # 00, 20, 40, ...: which of the next 32 are there
READINESS, FROZEN_BY, READINESS_NOW = 0x01, 0x02, 0x41
# Lengths of what is no value of the table (published: SAE J1979; not opened).
_OTHER_LENGTHS = {**dict.fromkeys(SUPPORT, 4), READINESS: 4, FROZEN_BY: 2, READINESS_NOW: 4}


class Quantity(BaseModel):
    """One value of a parameter: ``raw * multiply / divide + add``; ``states``: words for its raw numbers."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)

    key: Annotated[str, Field(pattern=r"^[a-z]+(-[a-z0-9]+)*$")]
    name: str
    unit: Annotated[str, Field(min_length=1)]
    first: Annotated[int, Field(ge=0)] = 0
    size: Annotated[int, Field(ge=1, le=4)] = 1
    multiply: float = 1
    divide: Annotated[float, Field(gt=0)] = 1
    add: float = 0
    signed: bool = False
    states: dict[str, str] = {}

    @field_validator("states")
    @classmethod
    def _numbers(cls, states: dict[str, str]) -> dict[str, str]:
        if not all(s.isdecimal() for s in states):
            raise ValueError("the states are written by their numbers")
        return states

    def value(self, data: bytes) -> float:
        """The value in :attr:`unit` from the parameter's data bytes."""
        raw = int.from_bytes(data[self.first : self.first + self.size], "big", signed=self.signed)
        return raw * self.multiply / self.divide + self.add

    def words(self, value: float) -> str:
        """The value in words: its state, or the number with its unit (unit ``1`` is none)."""
        if self.states:
            return self.states.get(f"{value:.0f}", f"unknown state {value:.0f}")
        number = f"{value:.0f}" if abs(value) >= 100.0 else f"{value:.3g}"
        return number if self.unit == "1" else f"{number} {self.unit}"


class Parameter(Row):
    """One parameter by its number in hex, with the values its bytes hold."""

    pid: Annotated[str, Field(pattern=r"^[0-9A-F]{2}$")]
    length: Annotated[int, Field(ge=1, le=41)]
    values: tuple[Quantity, ...]

    @model_validator(mode="after")
    def _fits(self) -> Parameter:
        if any(v.first + v.size > self.length for v in self.values):
            raise ValueError(f"parameter {self.pid}: a value stands outside its {self.length} bytes")
        return self

    @property
    def number(self) -> int:
        """The parameter's number."""
        return int(self.pid, 16)


class _File(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)

    parameter: tuple[Parameter, ...]

    @model_validator(mode="after")
    def _once(self) -> _File:
        keys: list[Any] = [p.pid for p in self.parameter] + [v.key for p in self.parameter for v in p.values]
        twice = next((k for k in keys if keys.count(k) > 1), None)
        if twice is not None:
            raise ValueError(f"{twice} stands twice; keep one row")
        return self


@lru_cache(maxsize=4)
def parameters(path: Path = FOLDER / "parameters.toml") -> Mapping[int, Parameter]:
    """The table by number."""
    return {p.number: p for p in load(_File, path).parameter}


@lru_cache(maxsize=1)
def quantities() -> Mapping[str, tuple[Parameter, Quantity]]:
    """The table by the key of each value."""
    return {v.key: (p, v) for p in parameters().values() for v in p.values}


def length_of(pid: int) -> int | None:
    """Data bytes of a parameter; None where the table does not hold it."""
    known = parameters().get(pid)
    return known.length if known is not None else _OTHER_LENGTHS.get(pid)


def supported(base: int, data: bytes) -> tuple[int, ...]:
    """Numbers that four support bytes of ``base`` (00, 20, ...) announce: the highest bit of the first is base + 1."""
    bits = int.from_bytes(data[:4].ljust(4, b"\0"), "big")
    return tuple(base + n for n in range(1, 33) if bits >> (32 - n) & 1)
