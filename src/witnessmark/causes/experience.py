"""The shop's own closed cases as priors: a Dirichlet prior from the knowledge, updated by counts.

The knowledge's weights count like ``prior_cases`` closed cases spread in their proportion; every closed case adds one
to its cause. The expected share of a cause is then (prior_cases x share + count) / (prior_cases + all counts), the mean
of the Dirichlet posterior. Giving no counts is the knowledge as delivered.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Mapping
from pathlib import Path

from witnessmark.causes.catalogue import Knowledge
from witnessmark.causes.ids import CAUSES, NONE_FOUND
from witnessmark.causes.model import Prior
from witnessmark.errors import BadObservation

TAIL = 0.05  # of the 90 % interval


def counts_of(closed: Iterable[Iterable[str]]) -> dict[str, int]:
    """Counts by cause of closed cases, each given as the causes that were proven (two for a pair: each counts one)."""
    out: dict[str, int] = {}
    for causes in closed:
        for cause in dict.fromkeys(causes):
            out[cause] = out.get(cause, 0) + 1
    return out


def read_counts(path: str) -> dict[str, int]:
    """Counts from a TOML file of ``cause = cases`` under ``[closed]``. Raises BadObservation (one line)."""
    try:
        with Path(path).open("rb") as file:
            data = tomllib.load(file)
    except OSError as error:
        what = (error.strerror or str(error)).lower()
        raise BadObservation(f"{path}: {what}; expected a readable TOML file with a [closed] table") from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise BadObservation(f"{path}: not valid TOML ({str(error).splitlines()[0]}); correct that line") from None
    table = data.get("closed")
    if set(data) != {"closed"} or not isinstance(table, dict):
        raise BadObservation(f"{path}: expected one table [closed] with lines such as crank-circuit = 4")
    for cause, count in table.items():
        if not isinstance(count, int) or isinstance(count, bool) or count < 0:
            raise BadObservation(f"{path}: closed.{cause}: expected a whole number of cases, 0 or more")
        if cause not in CAUSES or cause == NONE_FOUND:
            raise BadObservation(f'{path}: "{cause}" is not a cause; see docs/knowledge.md for the list')
    return dict(table)


def updated(knowledge: Knowledge, counts: Mapping[str, int] | None) -> tuple[Knowledge, tuple[Prior, ...]]:
    """The knowledge with its priors updated by closed cases, and both beside each other; as it is without counts.

    counts: closed cases by cause. Raises ValueError for a name that is no cause and for a negative count.
    """
    if not counts or not any(counts.values()):
        return knowledge, ()
    unknown = set(counts) - {c.id for c in knowledge.cause}
    if unknown or min(counts.values()) < 0:
        raise ValueError(
            f"counts must be 0 or more, of causes of the list ({', '.join(sorted(unknown)) or 'negative'})"
        )
    weight = sum(c.prior for c in knowledge.cause)
    strength = knowledge.prior_cases
    every = strength + sum(counts.values())
    priors = []
    for cause in knowledge.cause:
        share = cause.prior / weight
        alpha = strength * share + counts.get(cause.id, 0)
        low, high = _interval(alpha, every - alpha)
        priors.append(Prior(cause.id, share, counts.get(cause.id, 0), alpha / every, low, high))
    rows = [c.model_copy(update={"prior": p.used * weight}) for c, p in zip(knowledge.cause, priors, strict=True)]
    return knowledge.model_copy(update={"cause": rows}), tuple(priors)


def _interval(alpha: float, beta: float) -> tuple[float, float]:
    """90 % interval of a share: the Dirichlet's margin is Beta(alpha, beta)."""
    from scipy.special import betaincinv

    return float(betaincinv(alpha, beta, TAIL)), float(betaincinv(alpha, beta, 1.0 - TAIL))
