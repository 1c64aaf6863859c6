"""The knowledge behind causes and tests: TOML files, schema-checked on load, each row with its source mark.

Files: causes.toml (priors and words), likelihood.toml (what a finding says about each cause), tests.toml (what can be
tried next), costs.toml (what it costs and is done with) and cautions.toml (what can hurt). A user may keep an edited
copy in a folder of their own.
"""

from __future__ import annotations

import math
import os
import re
from collections.abc import Sequence
from functools import lru_cache
from pathlib import Path
from typing import Annotated, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, field_validator, model_validator

from witnessmark.causes.engines import EngineFacts, EngineKind
from witnessmark.causes.ids import CAUSES, NONE_FOUND
from witnessmark.errors import BadKnowledge
from witnessmark.findings.kinds import FINDING_KINDS, LOCKS
from witnessmark.knowledge import Mark, load

Share = Annotated[float, Field(ge=0.0, le=1.0)]
Positive = Annotated[float, Field(gt=0.0)]
NotNegative = Annotated[float, Field(ge=0.0)]
Likelihood = Annotated[float, Field(gt=0.0, le=1.0)]

HOME = Path(__file__).parent / "knowledge"
FOLDER_VARIABLE = "WITNESSMARK_KNOWLEDGE"
FILES = ("causes.toml", "likelihood.toml", "tests.toml", "costs.toml", "cautions.toml")
Measured = Literal[
    "wheel", "crank line", "supply and starter", "cams", "cylinders", "ignition and fuel", "control unit",
    "another recording", "else",
]  # fmt: skip


class Row(BaseModel):
    """What every row carries: where it comes from."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    mark: Mark
    source: Annotated[str, Field(min_length=3)]


def known(values: list[str], allowed: tuple[str, ...], what: str) -> None:
    """ValueError for the first value that is not one of ``allowed``."""
    for value in values:
        if value not in allowed:
            raise ValueError(f"'{value}' is not a {what}")


class CauseRow(Row):
    """A cause: prior weight, chance that it leaves no stated finding (``silent``), cost to put right, and its words.

    ``repair_minutes``, ``parts_minutes`` (price of the part in minutes of work) and ``opening`` (0 look .. 4 open the
    engine) price a wrong guess; they are no advice to do it.
    """

    id: str
    name: str
    about: str
    first_if: str
    side: Literal["crank", "cam", "output", "start", "engine", "record", "none"]
    prior: Positive
    silent: Likelihood
    repair_minutes: Annotated[float, Field(ge=0.0)]
    parts_minutes: Annotated[float, Field(ge=0.0)]
    opening: Annotated[int, Field(ge=0, le=4)]

    @field_validator("id")
    @classmethod
    def _id(cls, value: str) -> str:
        known([value], CAUSES, "cause")
        return value


class Bound(BaseModel):
    """A condition on one number of a finding's evidence."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    at_least: float | None = None
    at_most: float | None = None


class LikelihoodRow(Row):
    """Chance of one finding under each cause, up to a factor common to the row; ``others`` for causes not named.

    The first row of the file whose conditions all hold is used. ``accuses``: how far the finding, if real, says that
    something is wrong with the vehicle. ``consequence``: it follows from a fault elsewhere as well as from one here.
    ``explained_by``: kinds which, stated too, already account for it. ``beside``: one of these kinds is stated too.
    """

    kind: str
    lock: list[str] | None = None
    sensor: list[str] | None = None
    beside: list[str] | None = None
    whole_record: bool | None = None
    crank_judged: bool | None = None
    setup_wheel: bool | None = None
    evidence: dict[str, Bound] = Field(default_factory=dict)
    accuses: Share = 1.0
    consequence: bool = False
    explained_by: list[str] = Field(default_factory=list)
    others: Likelihood
    likelihood: dict[str, Likelihood]
    reason: Annotated[str, Field(min_length=3)]

    @model_validator(mode="after")
    def _lists(self) -> Self:
        kinds = [self.kind, *(self.beside or []), *self.explained_by]
        known(kinds, FINDING_KINDS, "finding kind")
        known(self.lock or [], LOCKS, "lock")
        known(self.sensor or [], ("hall", "vr", "analog"), "sensor kind")
        known(list(self.likelihood), CAUSES, "cause")
        if NONE_FOUND in self.likelihood:
            raise ValueError("none-found takes no likelihood: it follows from 'accuses'")
        return self

    @property
    def conditions(self) -> bool:
        """Whether the row holds only under conditions."""
        fixed = (self.lock, self.sensor, self.beside, self.whole_record, self.crank_judged, self.setup_wheel)
        return bool(self.evidence) or any(c is not None for c in fixed)


class HistoryRow(Row):
    """What the complaint's words (a regular expression) or a stored code add: factors on the priors."""

    words: str | None = None
    codes: list[str] | None = None
    factor: dict[str, Positive]
    reason: str

    @model_validator(mode="after")
    def _lists(self) -> Self:
        known(list(self.factor), CAUSES, "cause")
        if (self.words is None) == (self.codes is None):
            raise ValueError("give either words or codes")
        if self.words is not None:
            try:
                re.compile(self.words)
            except re.error as error:
                raise ValueError(f"words is no regular expression ({error})") from None
        return self


class OutcomeRow(BaseModel):
    """One result of a test and what follows from it; ``sees``: causes that it shows directly at the part.

    ``by_record``: the recording made in the test says this itself. Its analysis weighs it, so that the word of whoever
    made it is kept and weighs nothing: the same fact would count twice.
    """

    model_config = ConfigDict(extra="forbid", frozen=True)

    result: str
    then: str
    sees: list[str] = Field(default_factory=list)
    by_record: bool = False


class Wording(BaseModel):
    """A test in other words for engines of one kind; cautions: None where they are the test's own."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    engine: EngineKind
    statement: str
    cautions: list[str] | None = None


class TestRow(Row):
    """A test: cost, cautions, and the chance of each outcome under each cause (``others`` for causes not named).

    Costs are minutes: ``minutes`` of doing it, ``risk_minutes`` (what may go wrong, chance times harm),
    ``irreversible_minutes`` (what cannot be taken back), ``material_minutes`` (used up). ``watches``: turns watched,
    for a test that catches a fault only when it shows meanwhile. ``faults``: rows of reach.toml that it is for.
    ``chance_mark``: where the chances come from.
    ``observes``: causes it sees directly at the part. ``clean``: fit for a record in which nothing wrong was seen.
    ``lacks``: only where the record has no channel of one of these roles yet; ``needs``: only where it has them all.
    ``needs_signal``: not where the crank line is dead from end to end. ``unjudged``: only where too little of the crank
    signal could be judged. ``engine``: only on engines of this kind; ``wording``: other words for some of them.
    ``running``: not where the engine does not start. ``measures``: what it looks at, for lists.
    """

    id: str
    statement: str
    measures: Measured = "else"
    engine: EngineKind | None = None
    wording: list[Wording] = Field(default_factory=list)
    minutes: Annotated[int, Field(ge=1)]
    invasiveness: Annotated[int, Field(ge=0, le=4)]
    risk_minutes: NotNegative = 0.0
    irreversible_minutes: NotNegative = 0.0
    material_minutes: NotNegative = 0.0
    equipment: list[str] = Field(default_factory=list)
    faults: list[str] = Field(default_factory=list)
    watches: Annotated[int, Field(ge=1)] | None = None
    cautions: list[str] = Field(default_factory=list)
    sensor: list[str] | None = None
    lacks: list[str] | None = None
    needs: list[str] | None = None
    needs_signal: bool = False
    running: bool = False
    observes: list[str] = Field(default_factory=list)
    clean: bool = False
    unjudged: bool = False
    outcomes: Annotated[list[OutcomeRow], Field(min_length=2)]
    others: list[Likelihood]
    chance: dict[str, list[Likelihood]]
    chance_mark: Mark = "memory"

    def chances(self, causes: Sequence[str]) -> list[float]:
        """Chances of the outcomes under a cause or a pair of causes: of a pair, the member the test knows more of."""
        return max((self.chance.get(c, self.others) for c in causes), key=lambda row: row[0])

    def weight(self, causes: Sequence[str], outcome: int) -> float:
        """What an outcome entered by hand multiplies a cause or a pair of causes by."""
        return 1.0 if self.outcomes[outcome].by_record else self.chances(causes)[outcome]

    def sensitivity(self, cause: str) -> tuple[float, float] | None:
        """Sensitivity and specificity for a cause, over the outcomes that speak for it; None where none does.

        An outcome speaks for a cause under which it is at least three times as likely as under the causes not named.
        """
        row = self.chance.get(cause)
        mine = [] if row is None else [k for k, p in enumerate(row) if p >= 3.0 * self.others[k]]
        if row is None or not mine:
            return None
        return math.fsum(row[k] for k in mine), 1.0 - math.fsum(self.others[k] for k in mine)

    @model_validator(mode="after")
    def _chances(self) -> Self:
        for outcome in self.outcomes:
            known(outcome.sees, tuple(self.observes), "cause that this test observes")
        known(list(self.chance), CAUSES, "cause")
        known(self.observes, CAUSES, "cause")
        known(self.sensor or [], ("hall", "vr", "analog"), "sensor kind")
        for name, row in {"others": self.others, **self.chance}.items():
            if len(row) != len(self.outcomes) or abs(sum(row) - 1.0) > 1e-6:
                raise ValueError(f"chances of {name} must be {len(self.outcomes)} numbers that sum to 1")
        return self


class CostRow(Row):
    """Prices in minutes of work: by depth of opening (0 look .. 4 open the engine), per caution, of handing back.

    ``rate``: a minute of testing in minutes of repairing.
    """

    opening_minutes: Annotated[list[NotNegative], Field(min_length=5, max_length=5)]
    caution_minutes: NotNegative
    hand_back_minutes: NotNegative
    rate: Positive


class CautionRow(Row):
    """A caution, by id; ``always`` ones head every report.

    ``engine``: only on engines of this kind. ``beside``: shown with a test wherever one of these is, too.
    """

    id: str
    text: str
    always: bool = False
    engine: EngineKind | None = None
    beside: list[str] = Field(default_factory=list)

    def fits(self, engine: EngineFacts) -> bool:
        """Whether it holds for this engine."""
        return self.engine is None or self.engine.fits(engine)


class Knowledge(BaseModel):
    """All files together."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    none_found: Share
    none_unjudged: Annotated[float, Field(ge=0.0, lt=0.5)]
    sharpness: Annotated[float, Field(gt=0.0, le=4.0)] = 1.0
    prior_cases: Positive = 50.0
    cost: CostRow
    equipment: dict[str, str]
    cause: list[CauseRow]
    row: list[LikelihoodRow]
    history: list[HistoryRow]
    test: list[TestRow]
    caution: list[CautionRow]

    def cause_row(self, cause: str) -> CauseRow:
        """The row of a cause."""
        return next(c for c in self.cause if c.id == cause)

    def headed_by(self, engine: EngineFacts) -> tuple[str, ...]:
        """The cautions that head every report on this engine."""
        return tuple(c.text for c in self.caution if c.always and c.fits(engine))

    def caution_text(self, caution: str) -> str:
        """The sentence of a caution."""
        return next(c.text for c in self.caution if c.id == caution)

    def caution_texts(self, cautions: Sequence[str], engine: EngineFacts) -> tuple[str, ...]:
        """The sentences of a step's cautions that hold for this engine, with those that belong beside them."""
        rows = {c.id: c for c in self.caution}
        own = [rows[c] for c in cautions if rows[c].fits(engine)]
        added = [c for c in self.caution if c not in own and c.fits(engine) and set(c.beside) & set(cautions)]
        return tuple(c.text for c in (*own, *added))

    @model_validator(mode="after")
    def _whole(self) -> Self:
        for what, ids in (("cause", self.cause), ("test", self.test), ("caution", self.caution)):
            names = [r.id for r in ids]
            if len(set(names)) != len(names):
                raise ValueError(f"a {what} stands twice")
        missing = set(CAUSES) - {NONE_FOUND} - {c.id for c in self.cause}
        if missing:
            raise ValueError(f"causes.toml lacks {', '.join(sorted(missing))}")
        unjudged = [k for k in FINDING_KINDS if not any(r.kind == k and not r.conditions for r in self.row)]
        if unjudged:
            raise ValueError(f"likelihood.toml has no row without conditions for {', '.join(unjudged)}")
        cautions = tuple(c.id for c in self.caution)
        for test in self.test:
            shown = [*test.cautions, *(c for w in test.wording for c in w.cautions or ())]
            known(shown, cautions, f"caution (test {test.id})")
            known(test.equipment, tuple(self.equipment), f"piece of equipment (test {test.id})")
        for row in self.caution:
            known(row.beside, cautions, f"caution (beside {row.id})")
        return self


def load_knowledge(folder: Path | str | None = None) -> Knowledge:
    """The knowledge of ``folder``, else of the folder named by WITNESSMARK_KNOWLEDGE, else the one delivered.

    A file that the folder lacks is taken from the delivered set. Raises BadKnowledge (one line naming file and row).
    """
    chosen = folder if folder is not None else os.environ.get(FOLDER_VARIABLE)
    return _load(Path(chosen) if chosen else HOME)


@lru_cache(maxsize=8)
def _load(folder: Path) -> Knowledge:
    if not folder.is_dir():
        raise BadKnowledge(f"{folder}: no such knowledge folder; give a folder with {', '.join(FILES)}")
    return load(Knowledge, *(folder / n if (folder / n).exists() else HOME / n for n in FILES))
