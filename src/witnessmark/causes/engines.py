"""What kind of engine it is, as far as tests and cautions depend on it; and the conditions that rows put on it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

from witnessmark.recording.setup import Setup

COMPRESSION = "compression"


@dataclass(frozen=True, slots=True)
class EngineFacts:
    """What is known of the engine; None where neither the setup says it nor the record shows it."""

    ignition: str | None = None
    cranked_by: str | None = None
    strokes: int | None = None
    cylinders: int | None = None


class EngineKind(BaseModel):
    """A condition on the engine. What is not known of an engine counts as usual: sparks, a starter, four strokes."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    ignition: Literal["spark", "compression"] | None = None
    cranked_by: Literal["starter", "motor"] | None = None
    strokes: Literal[2, 4] | None = None
    cylinders_at_least: Annotated[int, Field(ge=2)] | None = None

    def fits(self, engine: EngineFacts) -> bool:
        """Whether an engine is of this kind."""
        ignites = "compression" if engine.ignition == COMPRESSION else "spark"
        return (
            self.ignition in (None, ignites)
            and self.cranked_by in (None, engine.cranked_by or "starter")
            and self.strokes in (None, engine.strokes or 4)
            and (self.cylinders_at_least is None or (engine.cylinders or 99) >= self.cylinders_at_least)
        )

    def words(self) -> str:
        """The condition in words."""
        parts = [
            {"spark": "spark ignition", "compression": "compression ignition", None: ""}[self.ignition],
            {"starter": "a starter", "motor": "a motor that turns them", None: ""}[self.cranked_by],
            {4: "four strokes", 2: "two strokes", None: ""}[self.strokes],
            "" if self.cylinders_at_least is None else f"{self.cylinders_at_least} cylinders or more",
        ]
        return ", ".join(p for p in parts if p)


def engine_facts(setup: Setup, cylinders: int | None) -> EngineFacts:
    """What the setup says of the engine, and the cylinders counted."""
    said = setup.engine
    return EngineFacts(said.ignition, said.cranked_by, said.strokes, cylinders)
