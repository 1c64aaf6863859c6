"""What several recordings of one case say together."""

from __future__ import annotations

from dataclasses import dataclass

from witnessmark.causes.model import Verdict
from witnessmark.findings.model import Finding


@dataclass(frozen=True, slots=True)
class Member:
    """One recording of the pool: its mark ("R1", "R2", ...), file, turns decoded, whether anything turns in it."""

    mark: str
    path: str
    turns: float
    turning: bool | None
    stated: int


@dataclass(frozen=True, slots=True)
class PooledFinding:
    """One finding over all recordings. finding: its id is "P1", "P2", ...; its stretches name the recording first.

    members: (mark, id there) of what it is made of. judged: marks of the recordings in which it could have been found.
    hits, chances: counts over all of them, None where it is not counted; low_95, high_95: exact interval of the rate.
    """

    finding: Finding
    members: tuple[tuple[str, str], ...]
    judged: tuple[str, ...]
    hits: int | None = None
    chances: int | None = None
    low_95: float | None = None
    high_95: float | None = None

    @property
    def found_in(self) -> tuple[str, ...]:
        """Marks of the recordings in which it was found."""
        return tuple(dict.fromkeys(mark for mark, _ in self.members))


@dataclass(frozen=True, slots=True)
class PooledTooth:
    """One slot over the recordings of the same wheel: edges seen in passages, by recording and over all."""

    slot: int
    expected: bool
    seen: int
    passages: int
    each: tuple[tuple[str, int, int], ...]  # (mark, seen, passages)


@dataclass(frozen=True, slots=True)
class Pooled:
    """The whole: recordings, findings over all, teeth where the wheels are one, bounds, and the balance over all."""

    members: tuple[Member, ...]
    findings: tuple[PooledFinding, ...]
    teeth: tuple[PooledTooth, ...]
    turns: float
    bounds: tuple[str, ...]
    verdict: Verdict
    cautions: tuple[str, ...]
