"""The customer's words for causes and for what became of them (knowledge/plain.toml)."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

from witnessmark.causes.ids import CAUSES
from witnessmark.compare.model import OVERALL
from witnessmark.errors import BadKnowledge

FILE = "plain.toml"


@dataclass(frozen=True, slots=True)
class Plain:
    """Sentences without their full stop, by cause; whole sentences, by what a comparison came to."""

    cause: dict[str, str]
    checked: dict[str, str]


@cache
def load_plain() -> Plain:
    """The words; BadKnowledge where one is missing or no text."""
    text = files("witnessmark.cases").joinpath("knowledge", FILE).read_text(encoding="utf-8")
    data = tomllib.loads(text)
    for table, wanted in (("cause", CAUSES), ("checked", OVERALL)):
        rows = data.get(table)
        if not isinstance(rows, dict) or set(rows) != set(wanted) or not all(isinstance(v, str) for v in rows.values()):
            raise BadKnowledge(f"{FILE}: [{table}] must hold one text for each of {', '.join(wanted)}")
    return Plain(data["cause"], data["checked"])
