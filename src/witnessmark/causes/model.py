"""Causes with their probabilities, and the tests that would tell them apart."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Cause:
    """One explanation of CONTRACT 4's closed list; ``target`` is a slot number, channel or cylinder."""

    id: str
    probability: float
    statement: str
    because: tuple[str, ...]  # ids of findings
    target: int | str | None = None
    with_: str | None = None


@dataclass(frozen=True, slots=True)
class Outcome:
    """What a test may show, and what follows from it."""

    result: str
    then: str


@dataclass(frozen=True, slots=True)
class NextTest:
    """A test by what it would tell per minute. ``gain_bits``: expected drop of entropy over the causes."""

    id: str
    statement: str
    why: str
    minutes: int
    gain_bits: float
    outcomes: tuple[Outcome, ...]
    cautions: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Verdict:
    """Causes sorted by probability (sum 1), tests sorted by worth, cautions that hold for the whole."""

    causes: tuple[Cause, ...]
    next_tests: tuple[NextTest, ...]
    cautions: tuple[str, ...]
    what_would_change: str = ""  # what would change the order of the causes
