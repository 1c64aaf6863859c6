"""What a good recording teaches: the tables of a setup, what they rest on, and what speaks against them."""

from __future__ import annotations

from dataclasses import dataclass

Plain = str | int | float | bool | tuple["Plain", ...]


@dataclass(frozen=True, slots=True)
class Value:
    """One key of the setup. note: how well it is known, as a comment behind it."""

    key: str
    value: Plain
    note: str = ""


@dataclass(frozen=True, slots=True)
class Table:
    """One table of the setup; ``several`` where the file holds one for each ([[...]])."""

    name: str
    values: tuple[Value, ...]
    several: bool = False


@dataclass(frozen=True, slots=True)
class Lesson:
    """What would be written, and what to look at before it is.

    head: comment lines for the file. believed: what the setup would say, in sentences. stated: faults stated in the
    recording, or a design it leaves open: a setup learnt from it may carry them. hints: what was hinted at. left_out:
    what could not be learnt, and why.
    """

    tables: tuple[Table, ...]
    head: tuple[str, ...]
    believed: tuple[str, ...]
    stated: tuple[str, ...]
    hints: tuple[str, ...]
    left_out: tuple[str, ...]
