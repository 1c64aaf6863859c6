"""What was done, with which parameters: the record behind the appendix of every report."""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True)
class Step:
    """One processing step: its stage, what it did, the parameters it used, how much it used of what it saw."""

    stage: str
    what: str
    parameters: dict[str, object] = field(default_factory=dict)
    used: int | None = None
    seen: int | None = None
    because: str = ""
