"""The learnt setup as TOML text, and what to confirm before it is written, as terminal text."""

from __future__ import annotations

import textwrap

from witnessmark.learn.model import Lesson, Plain, Table
from witnessmark.report.blocks import block
from witnessmark.report.words import KINDS

WRAPPED = 100


def setup_text(lesson: Lesson) -> str:
    """The file: a comment header, then the tables, each value with what it rests on."""
    lines: list[str] = []
    for head in lesson.head:
        lines += textwrap.wrap(clean(head), WRAPPED, initial_indent="# ", subsequent_indent="#   ")
    for missing in lesson.left_out:
        lines += textwrap.wrap(f"Not learnt: {clean(missing)}", WRAPPED, initial_indent="# ", subsequent_indent="#   ")
    for table in lesson.tables:
        lines += ["", f"[[{table.name}]]" if table.several else f"[{table.name}]", *_values(table)]
    return "\n".join(lines) + "\n"


def _values(table: Table) -> list[str]:
    out = []
    for v in table.values:
        note = f"  # {clean(v.note)}" if v.note else ""
        out.append(f"{v.key} = {toml(v.value)}{note}")
    return out


def clean(text: str) -> str:
    """One line without control characters: a channel's name may hold any."""
    return " ".join("".join(c if c.isprintable() else " " for c in text).split())


def toml(value: Plain | dict[str, Plain]) -> str:
    """A value as TOML writes it."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return '"' + "".join(_escaped(c) for c in value) + '"'
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{toml(str(k))} = {toml(v)}" for k, v in value.items()) + " }"
    if isinstance(value, tuple | list):
        return "[" + ", ".join(toml(v) for v in value) + "]"
    return repr(value)


def _escaped(c: str) -> str:
    if c in '"\\':
        return "\\" + c
    return c if c.isprintable() else f"\\u{ord(c):04x}" if ord(c) < 0x10000 else f"\\U{ord(c):08x}"


def summary(lesson: Lesson) -> str:
    """What would be believed and what speaks against it, without a line break at the end."""
    lines = block("Learns", list(lesson.believed))
    lines += block("Not", list(lesson.left_out))
    lines += block(
        "Against", [_worded(t) for t in lesson.stated] or ["Nothing is stated as a fault in this recording."]
    )
    lines += block("Hints", [_worded(t) for t in lesson.hints])
    if lesson.stated:
        lines += block("Caution", [
            "A setup learnt from a damaged engine takes its damage for the design and clears every engine that shares "
            "it. Look at the wheel, or learn from another engine.",
        ])  # fmt: skip
    else:
        lines += block("Caution", [
            "A learnt wheel may carry a defect that nobody saw: compare the number of teeth with the part before it is "
            "relied upon.",
        ])  # fmt: skip
    return "\n".join(lines)


def _worded(text: str) -> str:
    """A finding without the id of its kind, which the setup keeps."""
    kind, sign, statement = text.partition(": ")
    return statement if sign and kind in KINDS else text
