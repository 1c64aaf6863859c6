"""A capture planned for one test, the pictures to expect, and what a hookup shows of it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

F64 = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class PlannedLine:
    """One line to record: what for, where and with what it is picked up, range, and the rate its question needs.

    low, high: the recorder's input range, in ``unit``. of: whose supply, ground or other end it is. resting, working:
    see the lead's row; None where it says nothing.
    """

    role: str
    label: str
    why: str
    pick_up: str
    lead: str
    low: float
    high: float
    unit: str
    rate_hz: float
    sensor: str = ""
    of: str = ""
    resting: tuple[float, float] | None = None
    working: tuple[float, float] | None = None
    one_sided: bool = False


@dataclass(frozen=True, slots=True)
class Strip:
    """One line of a picture: times in s, values in ``unit``; edges a turn where it is a line of edges, else None."""

    role: str
    label: str
    unit: str
    time_s: F64
    value: F64
    edges_per_turn: float | None = None

    @property
    def low(self) -> float:
        """Lowest value."""
        return float(self.value.min())

    @property
    def high(self) -> float:
        """Highest value."""
        return float(self.value.max())


@dataclass(frozen=True, slots=True)
class Expected:
    """A simulated picture: healthy (cause None) or under one cause; no strips where there is no picture of it."""

    cause: str | None
    name: str
    look_for: str
    rpm: float | None
    strips: tuple[Strip, ...]
    why_none: str = ""


@dataclass(frozen=True, slots=True)
class Plan:
    """What to record for a test.

    rate_hz: of the recorder as a whole, enough for every line; deg_per_sample: crank degrees a sample at ``up_to_rpm``.
    turns: turns needed; turning_s: time of turning they take; attempts: start attempts to spread it over (0: running).
    record_s: length of the record. assumed: what the setup does not say and was taken to be usual.
    instead: of the tests proposed, the first that does need a recording, where this one needs none.
    """

    test: str
    statement: str
    lines: tuple[PlannedLine, ...]
    state: Literal["cranking", "running"] | None
    up_to_rpm: float
    rate_hz: float
    deg_per_sample: float
    turns: int
    turning_s: float
    attempts: int
    record_s: float
    why_rate: str
    why_turns: str
    do: tuple[str, ...]
    cautions: tuple[str, ...]
    equipment: tuple[str, ...]
    pictures: tuple[Expected, ...]
    left_out: tuple[str, ...] = ()
    assumed: tuple[str, ...] = ()
    instead: str = ""


Problem = Literal[
    "missing", "dead", "wrong-polarity", "wrong-ratio", "too-slow", "clipped", "wrong-coupling", "thinned"
]


@dataclass(frozen=True, slots=True)
class Checked:
    """What the first seconds show of one planned line. problem None and ok None: it cannot be told yet."""

    role: str
    channel: str | None
    ok: bool | None
    problem: Problem | None
    statement: str
    do: str = ""


@dataclass(frozen=True, slots=True)
class Hookup:
    """All planned lines as hooked up. ok: nothing is wrong as far as it can be told; turning: the engine turned."""

    plan: Plan
    lines: tuple[Checked, ...]
    turning: bool

    @property
    def ok(self) -> bool:
        """Nothing is known to be wrong."""
        return all(c.problem is None for c in self.lines)
