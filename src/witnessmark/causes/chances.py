"""Bayes' rule for one test: outcome probabilities, posteriors, the gain in bits, and faults that come and go."""

from __future__ import annotations

import math
from collections.abc import Sequence


def entropy_bits(probability: Sequence[float]) -> float:
    """Shannon entropy in bits."""
    return -math.fsum(p * math.log2(p) for p in probability if p > 0.0)


def posterior(prior: Sequence[float], chance: Sequence[float]) -> tuple[float, list[float]]:
    """Probability of an outcome and the posterior after it; ``chance``: of the outcome under each hypothesis."""
    joint = [p * c for p, c in zip(prior, chance, strict=True)]
    total = math.fsum(joint)
    return total, [j / total for j in joint] if total > 0.0 else list(prior)


def gain_bits(prior: Sequence[float], chances: Sequence[Sequence[float]]) -> float:
    """Expected drop of entropy; ``chances``: for each outcome, its chance under each hypothesis."""
    after = 0.0
    for chance in chances:
        p, belief = posterior(prior, chance)
        after += p * entropy_bits(belief)
    return max(entropy_bits(prior) - after, 0.0)


def shows_within(per_turn: float, turns: int) -> float:
    """Chance that a fault which shows in a share ``per_turn`` of the turns shows at least once in ``turns``."""
    if not 0.0 <= per_turn <= 1.0 or turns < 0:
        raise ValueError("per_turn must lie between 0 and 1, and turns must not be negative")
    return 1.0 - (1.0 - per_turn) ** turns


def turns_to_see(per_turn: float, chance: float = 0.95) -> int:
    """Turns to watch so that a fault of that share shows at least once with this chance."""
    if not 0.0 < per_turn <= 1.0 or not 0.0 < chance < 1.0:
        raise ValueError("per_turn and chance must lie between 0 and 1")
    return 1 if per_turn == 1.0 else max(math.ceil(math.log(1.0 - chance) / math.log(1.0 - per_turn) - 1e-9), 1)


def while_absent(present: Sequence[float], usual: Sequence[float], shows: float) -> list[float]:
    """Chances of the outcomes of a test which catches the fault only when it shows, which it does with ``shows``."""
    return [shows * p + (1.0 - shows) * u for p, u in zip(present, usual, strict=True)]
