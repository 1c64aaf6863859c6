"""The knowledge behind plans: captures, leads and the faults that stand for causes; schema-checked, marked."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path
from typing import Annotated, Any, Literal, Self, get_args

from pydantic import BaseModel, ConfigDict, Field, model_validator

from witnessmark.causes.catalogue import Positive, Row, known, load_knowledge
from witnessmark.causes.ids import CAUSES
from witnessmark.knowledge import load
from witnessmark.recording.setup import Role

HOME = Path(__file__).parent / "knowledge"
FILES = ("captures.toml", "leads.toml", "pictures.toml")
State = Literal["cranking", "running"]


class CaptureLine(BaseModel):
    """One line of a capture and what it is for; ``of``: whose supply or ground it is."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    role: Role
    why: Annotated[str, Field(min_length=3)]
    of: Literal["crank", "cam"] = "crank"


class Capture(Row):
    """What is recorded for a test; see captures.toml."""

    test: str
    lines: Annotated[list[CaptureLine], Field(min_length=1)]
    resolution_deg: Positive
    up_to_rpm: Positive
    state: State
    turns: Annotated[int, Field(ge=1)]
    seconds: Positive | None = None
    attempts: Annotated[int, Field(ge=0)]
    do: Annotated[list[str], Field(min_length=1)]


class Lead(Row):
    """How a line is picked up; see leads.toml."""

    role: Role
    sensor: Literal["hall", "vr"] | None = None
    pick_up: str
    lead: str
    low: float
    high: float
    unit: str
    style: Literal["command", "current"] | None = None
    least_rate_hz: Positive
    resting: tuple[float, float] | None = None
    working: tuple[float, float] | None = None
    one_sided: bool = False
    cautions: list[str]


class PictureRow(Row):
    """The simulator's fault that stands for a cause, or why there is none; see pictures.toml."""

    cause: str
    sensor: Literal["hall", "vr"] | None = None
    state: State | None = None
    fault: dict[str, Any] | None = None
    no_picture: str | None = None
    look_for: Annotated[str, Field(min_length=3)]

    @model_validator(mode="after")
    def _one(self) -> Self:
        known([self.cause], CAUSES, "cause")
        if (self.fault is None) == (self.no_picture is None):
            raise ValueError("give either fault or no_picture")
        return self


class PlanKnowledge(BaseModel):
    """All three files together."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    capture: list[Capture]
    lead: list[Lead]
    picture: list[PictureRow]

    def capture_of(self, test: str) -> Capture | None:
        """The capture of a test; None where it needs no recording."""
        return next((c for c in self.capture if c.test == test), None)

    def lead_of(self, role: str, sensor: str | None) -> Lead:
        """The lead for a role, by its kind of sensor where that matters."""
        rows = [lead for lead in self.lead if lead.role == role]
        return next((lead for lead in rows if lead.sensor == sensor), rows[0])

    def picture_of(self, cause: str, sensor: str | None) -> PictureRow | None:
        """The picture of a cause on this kind of crank sensor."""
        rows = [p for p in self.picture if p.cause == cause]
        return next((p for p in rows if p.sensor in (None, sensor)), None)

    @model_validator(mode="after")
    def _whole(self) -> Self:
        tests = [t.id for t in load_knowledge().test]
        cautions = tuple(c.id for c in load_knowledge().caution)
        for capture in self.capture:
            if capture.test not in tests:
                raise ValueError(f"captures.toml: {capture.test} is no test of the catalogue")
        for lead in self.lead:
            known(lead.cautions, cautions, f"caution (lead of {lead.role})")
        missing = {line.role for c in self.capture for line in c.lines} - {lead.role for lead in self.lead}
        if missing or not {lead.role for lead in self.lead} <= set(get_args(Role)):
            raise ValueError(f"leads.toml lacks {', '.join(sorted(missing))}")
        return self


@lru_cache(maxsize=1)
def load_plan_knowledge() -> PlanKnowledge:
    """The delivered knowledge. Raises BadKnowledge (one line naming file and row)."""
    return load(PlanKnowledge, *(HOME / name for name in FILES))
