"""What a comparison of two recordings of one engine says."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from witnessmark.findings.model import Finding
from witnessmark.report.model import Analysis
from witnessmark.wheel.model import Tooth

Verdict = Literal["gone", "still there", "changed", "new", "not comparable"]
VERDICTS: tuple[Verdict, ...] = ("gone", "still there", "changed", "new", "not comparable")

Overall = Literal[
    "repaired", "partly-proven", "not-proven", "not-repaired", "changed", "new-fault", "nothing-to-compare"
]
OVERALL: tuple[Overall, ...] = (
    "repaired", "partly-proven", "not-proven", "not-repaired", "changed", "new-fault", "nothing-to-compare",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Judged:
    """One finding and what became of it.

    before, after: the finding in each record, None where it has none. because: in words. rate: share of the chances in
    which it showed before. chances: turns, passages or starts after in which it could have shown. bound: largest share
    that none in so many leaves open (95 %). value_after: the measured number after, where there is one.
    """

    verdict: Verdict
    before: Finding | None
    after: Finding | None
    because: str
    rate: float | None = None
    chances: int | None = None
    bound: float | None = None
    value_after: float | None = None

    @property
    def shown(self) -> Finding:
        """The finding to name it by."""
        found = self.before if self.before is not None else self.after
        assert found is not None
        return found

    @property
    def weighty(self) -> bool:
        """Stated in one of the records, and about the engine rather than the record."""
        stated = (self.before is not None and self.before.stated) or (
            self.before is None and self.after is not None and self.after.stated
        )
        return stated and not self.shown.kind.startswith("record-")


@dataclass(frozen=True, slots=True)
class ToothPair:
    """One slot before and after; None where that record's wheel has none or was not decoded."""

    slot: int
    before: Tooth | None
    after: Tooth | None


@dataclass(frozen=True, slots=True)
class CamSide:
    """One cam line in one record. spread_deg: largest of its edges' spreads; present: smallest of their shares."""

    channel: str
    edges: int
    cycles: int
    offset_deg: float | None
    spread_deg: float | None
    present: float | None


@dataclass(frozen=True, slots=True)
class CamPair:
    """One camshaft before and after. moved_deg: how far its edges stand from where they stood, after against before."""

    name: str
    before: CamSide | None
    after: CamSide | None
    moved_deg: float | None


@dataclass(frozen=True, slots=True)
class StartSide:
    """The starts of one record: how many, how many ran, and the median of each number over those that have it."""

    attempts: int
    started: int
    turns_to_sync: float | None
    cranking_rpm: float | None
    time_to_run_s: float | None


@dataclass(frozen=True, slots=True)
class Comparison:
    """Both analyses, every pair of numbers and every verdict.

    teeth_why_not: why slots cannot be held against each other; empty where they can.
    """

    before: Analysis
    after: Analysis
    findings: tuple[Judged, ...]
    teeth: tuple[ToothPair, ...]
    teeth_why_not: str
    cams: tuple[CamPair, ...]
    starts: tuple[StartSide, StartSide]
    overall: Overall
    statement: str
    cautions: tuple[str, ...]
