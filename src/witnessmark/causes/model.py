"""Causes with their probabilities, the tests that would tell them apart, and what follows."""

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
class Share:
    """A cause, or a pair of causes, with its probability."""

    id: str
    probability: float
    with_: str | None = None


@dataclass(frozen=True, slots=True)
class Outcome:
    """What a test may show, and what follows from it.

    probability: chance of this outcome as things stand. after: the most probable causes after it, first one first.
    sees: causes that it would show directly at the part.
    """

    result: str
    then: str
    probability: float | None = None
    after: tuple[Share, ...] = ()
    sees: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class NextTest:
    """A test by what it would save. ``gain_bits``: expected drop of entropy over the causes.

    cost_min: all it costs (minutes, opening, precautions, risk, what cannot be taken back). worth_min: minutes it saves
    on average after that cost is paid, None where the numbers do not say. equipment: what it is done with, in words.
    """

    id: str
    statement: str
    why: str
    minutes: int
    gain_bits: float
    outcomes: tuple[Outcome, ...]
    cautions: tuple[str, ...]
    cost_min: float | None = None
    worth_min: float | None = None
    invasiveness: int | None = None
    equipment: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Observed:
    """A test done by hand with its outcome, and what it did to the cause that was first before it.

    sees: causes that it showed at the part. against: causes that it looks for there and did not show, where that
    speaks clearly against them.
    """

    test: str
    result: str
    then: str
    sees: tuple[str, ...]
    when: str
    by: str
    note: str
    cause: str
    before: float
    after: float
    with_: str | None = None
    against: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Turn:
    """How far a prior must move before another test is chosen: its weight times ``factor``, then ``test`` is next."""

    cause: str
    factor: float
    test: str


@dataclass(frozen=True, slots=True)
class Action:
    """Repair or replacement is open: the cause is above the line and was observed at the part."""

    cause: str
    probability: float
    statement: str
    test: str  # the test that observed it


@dataclass(frozen=True, slots=True)
class Prior:
    """Prior share of a cause: as the knowledge has it, closed cases counted, and as used; 90 % interval of the last."""

    cause: str
    knowledge: float
    cases: int
    used: float
    low_90: float
    high_90: float


@dataclass(frozen=True, slots=True)
class Advice:
    """Why this test and no other.

    cost_now_min: expected cost of the repair as things stand. chosen, runner_up: test ids. behind_min: by how much the
    runner-up is worse. direct: no test pays for itself, so the most worthwhile look at the part comes next. turns: what
    it takes of the priors to change the choice, nearest first; empty where no prior within ``reach`` times does.
    actions: what may be repaired now. statement: all of it in words.
    """

    cost_now_min: float
    chosen: str | None
    runner_up: str | None
    behind_min: float | None
    direct: bool
    turns: tuple[Turn, ...]
    reach: float
    actions: tuple[Action, ...]
    why_not: str = ""
    robust: str = ""
    stop: str = ""


@dataclass(frozen=True, slots=True)
class Verdict:
    """Causes sorted by probability (sum 1), tests sorted by worth, cautions that hold for the whole."""

    causes: tuple[Cause, ...]
    next_tests: tuple[NextTest, ...]
    cautions: tuple[str, ...]
    what_would_change: str = ""  # what would change the order of the causes
    advice: Advice | None = None
    observed: tuple[Observed, ...] = ()
    priors: tuple[Prior, ...] = ()  # empty where no closed cases were given
