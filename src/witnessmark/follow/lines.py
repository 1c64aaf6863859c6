"""The lines that following prints: how far the record had come, what it is about, the words; wrapped."""

from __future__ import annotations

import textwrap

WIDTH = 100
INDENT = 24


def line(at_s: float | None, what: str, text: str) -> str:
    """One entry of the log. at_s: how far the record had come; None for what belongs to the entry above."""
    time = " " * 11 if at_s is None else f"{at_s:9.2f} s"
    return textwrap.fill(
        " ".join(text.split()),
        WIDTH,
        initial_indent=f"{time}  {what:<10} ",
        subsequent_indent=" " * INDENT,
        break_on_hyphens=False,
        break_long_words=False,
    )
