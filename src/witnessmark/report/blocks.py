"""Labelled blocks of plain text for a terminal: Latin-1, at most 100 columns, nothing depends on colour."""

from __future__ import annotations

import textwrap

WIDTH = 100
LABEL = 10
HELD = "\xa0"  # a space at which no line breaks


def block(label: str, items: list[str], column: int = LABEL) -> list[str]:
    """Items wrapped from a column on, beside a label; an item's further lines stand two characters in."""
    out: list[str] = []
    for item in items:
        head = label if not out else ""
        printed = "".join(ch if ch.isprintable() else "\n" for ch in latin(item)).split("\n")
        text = " ".join(part.strip() for part in printed if part.strip())
        out += textwrap.wrap(
            text.replace(" %", HELD + "%"),
            WIDTH,
            initial_indent=f"{head:<{column}}",
            subsequent_indent=" " * (column + 2),
            break_on_hyphens=False,
        )
    return [line.replace(HELD, " ") for line in out]


def latin(text: str) -> str:
    """Typographic characters that a plain terminal may not have, in its own."""
    for fancy, plain in {
        "–": "-",
        "—": "-",
        "“": '"',
        "”": '"',
        "’": "'",
        "…": "...",
        "−": "-",
        "≥": ">=",
        "≤": "<=",
    }.items():
        text = text.replace(fancy, plain)
    return text.encode("latin-1", "replace").decode("latin-1")
