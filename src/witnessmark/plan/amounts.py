"""How fast and how long to record: plain arithmetic on speed, angle and rate of the fault."""

from __future__ import annotations

import math

from witnessmark.causes.chances import turns_to_see
from witnessmark.units import seconds_for

# Usual speeds that turn counts into time. Common practice, no source: warm cranking 150 to 250 rpm, idle 600 to 900.
CRANKING_RPM = 200.0
IDLE_RPM = 800.0
# A starter is spared: this long an attempt at most (common practice: 10 to 15 s, then a minute or two of rest).
ATTEMPT_S = 10.0
# Recorded before and after the engine turns: key-on, supply at rest, run-down.
BEFORE_S = 2.0
AFTER_S = 1.0
SURE = 0.95


def deg_per_sample(rate_hz: float, rpm: float) -> float:
    """Crank degrees between two samples (6 rpm / rate)."""
    return 6.0 * rpm / rate_hz


def rate_for(resolution_deg: float, rpm: float) -> float:
    """Rate in Hz at which a sample is ``resolution_deg`` at ``rpm``, rounded up to 1, 2 or 5 of a decade."""
    return rounded_up(1.0 / seconds_for(resolution_deg, rpm))


def rounded_up(value: float) -> float:
    """The next of 1, 2, 5, 10, 20 ... (a hundredth over is let pass)."""
    decade = 10.0 ** math.floor(math.log10(value))
    return next(step * decade for step in (1.0, 2.0, 5.0, 10.0) if value <= 1.01 * step * decade)


def turns_for(usual: int, shows_per_turn: float | None) -> int:
    """Turns to record: the usual number, or as many as a fault of that share needs to show once with 95 %."""
    if shows_per_turn is None or shows_per_turn <= 0.0:
        return usual
    return max(usual, turns_to_see(min(shows_per_turn, 1.0), SURE))


def attempts_for(turning_s: float, usual: int) -> int:
    """Start attempts that this much cranking is spread over."""
    return max(usual, math.ceil(turning_s / ATTEMPT_S - 1e-9), 1)


def record_seconds(turning_s: float, attempts: int) -> float:
    """Length of the record; with attempts, the time before and after each is recorded too (pauses are not)."""
    return turning_s + max(attempts, 1) * (BEFORE_S + AFTER_S)
