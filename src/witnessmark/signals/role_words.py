"""Roles spoken by channel names: the word list as data."""

from __future__ import annotations

import re
import tomllib
from dataclasses import dataclass
from functools import cache
from importlib import resources
from itertools import pairwise

from witnessmark.errors import BadKnowledge

_KEYS = {"words", "role", "mark", "source"}
_SPLIT = re.compile(r"[A-Z]+(?![a-z])|[A-Z]?[a-z]+|\d+[a-z]\b|\d+")

_CAMSHAFT_WORDS = {"intake": {"intake", "inlet", "in"}, "exhaust": {"exhaust", "exh", "ex"}}


@dataclass(frozen=True, slots=True)
class NameHint:
    """What a name says: the role, the word that said it, and cylinder and bank numbers found in it."""

    role: str
    word: str
    cylinder: int | None = None
    bank: int | None = None


@cache
def _rows() -> tuple[tuple[frozenset[str], str, str], ...]:
    """(words that must all occur, phrase, role) in the file's order."""
    text = resources.files("witnessmark.signals").joinpath("role_words.toml").read_text("utf-8")
    out: list[tuple[frozenset[str], str, str]] = []
    for i, row in enumerate(tomllib.loads(text)["word"], start=1):
        if set(row) != _KEYS or not row["words"] or not row["mark"]:
            raise BadKnowledge(
                f"role_words.toml, row {i}: expected the keys {', '.join(sorted(_KEYS))}; correct the row"
            )
        out.extend((frozenset(phrase.split()), phrase, row["role"]) for phrase in row["words"])
    return tuple(out)


def words_of(name: str) -> list[str]:
    """The words of a channel name, lower case: split at everything that is no letter, at digits, at changes of case."""
    return [w.lower() for w in _SPLIT.findall(name)]


def hint(name: str) -> NameHint | None:
    """The role a name speaks for; None where it says nothing."""
    words = words_of(name)
    for needed, phrase, role in _rows():
        if needed <= set(words):
            return NameHint(role, phrase, _number(words, role), _bank(words))
    return None


def camshaft_in(name: str) -> str | None:
    """ "intake" or "exhaust" where the name of a cam line says so (common practice, no source)."""
    words = set(words_of(name))
    found = {shaft for shaft, said in _CAMSHAFT_WORDS.items() if words & said}
    return found.pop() if len(found) == 1 else None


def may_turn(name: str, role: str | None) -> bool:
    """May a line of this name, or this role where the setup says one, be a wheel's? One of no known role may."""
    said = hint(name)
    known = role or (said.role if said is not None else None)
    return known in (None, "crank", "cam")


def _number(words: list[str], role: str) -> int | None:
    """The cylinder of a coil, injector or pressure line: the number in its name where there is exactly one."""
    if role not in ("coil", "injector", "cylinder-pressure"):
        return None
    numbers = [int(w) for w in words if w.isdigit() and 1 <= int(w) <= 16]
    return numbers[0] if len(numbers) == 1 else None


def _bank(words: list[str]) -> int | None:
    """The number after "bank" or "b"."""
    for a, b in pairwise(words):
        if a in ("bank", "b") and b in ("1", "2", "3", "4"):
            return int(b)
    return None
