"""Findings: what was measured to be odd (or could not be judged), with the evidence for it."""

from __future__ import annotations

from dataclasses import dataclass, field

from witnessmark.findings.replay_model import Replay
from witnessmark.spans import Evidence


@dataclass(frozen=True, slots=True)
class Finding:
    """One observation of CONTRACT 4's closed list.

    confidence >= 0.5: stated as found; below, a hint. ``ranges``: the stretches it rests on (the turns concerned).
    ``evidence``: numbers by name, with units in the names. ``lock``: what it repeats with.
    """

    id: str
    kind: str
    channel: str
    lock: str
    statement: str
    confidence: float
    ranges: tuple[Evidence, ...]
    slot: int | None = None
    cylinder: int | None = None
    start_s: float | None = None
    end_s: float | None = None
    value: float | None = None
    unit: str = ""
    evidence: dict[str, object] = field(default_factory=dict)

    @property
    def stated(self) -> bool:
        """Whether the finding is stated as found rather than hinted at."""
        return self.confidence >= 0.5


@dataclass(frozen=True, slots=True)
class NotAssessed:
    """A question this record cannot answer: why, and what measurement would."""

    question: str
    reason: str
    needs: str


@dataclass(frozen=True, slots=True)
class Findings:
    """Everything found and everything that could not be judged; ``bounds``: what "nothing seen" means, in sentences."""

    found: tuple[Finding, ...]
    not_assessed: tuple[NotAssessed, ...]
    bounds: tuple[str, ...] = ()
    replay: Replay | None = None  # a generic control unit's counter over the recorded cranking
