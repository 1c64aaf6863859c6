"""One-line refusals: what every reader says when a file cannot be read."""

from __future__ import annotations

from witnessmark.errors import BadRecording


def one_line(text: str, limit: int = 600) -> str:
    """``text`` on one printable line of at most ``limit`` characters."""
    line = " ".join("".join(c if c.isprintable() else " " for c in text).split())
    return line if len(line) <= limit else line[: limit - 3] + "..."


def refuse(path: str, wrong: str, do: str) -> BadRecording:
    """The error for a file: its name, what is wrong (and expected), what to do."""
    return BadRecording(one_line(f"{path}: {wrong}; {do}"))


def count(number: int, thing: str) -> str:
    """ "1 gap", "2 gaps"."""
    return f"{number} {thing}{'' if number == 1 else 's'}"


def shorten(text: str, limit: int = 40) -> str:
    """A cell or name short enough to be quoted in a message."""
    text = one_line(text)
    return text if len(text) <= limit else text[: limit - 3] + "..."
