"""Views of the snapshot that more than one family of scan findings needs."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from statistics import median

from witnessmark.findings.limits import Limits
from witnessmark.findings.model import Finding, NotAssessed
from witnessmark.scan.model import ControlUnit, ScanSnapshot, Series

FILE = Path(__file__).parent / "knowledge" / "limits.toml"
# A value is taken for another one's time if it is no older: a full round of live values takes a few seconds. What moves
# slowly (temperatures, long-term trims) holds longer.
SAME_TIME_S, SLOW_TIME_S = 10.0, 120.0


@dataclass(frozen=True)
class Heard:
    """The snapshot with the limits to apply."""

    snapshot: ScanSnapshot
    limits: Limits


@dataclass(frozen=True)
class Outcome:
    """What a family says: findings (ids still empty) and questions it cannot answer."""

    found: tuple[Finding, ...] = ()
    not_assessed: tuple[NotAssessed, ...] = ()

    def __add__(self, other: Outcome) -> Outcome:
        return Outcome(self.found + other.found, self.not_assessed + other.not_assessed)


@dataclass(frozen=True)
class Family:
    """One family of scan findings: what it may find, from which values, the limits it applies, its source."""

    name: str
    kinds: tuple[str, ...]
    inputs: tuple[str, ...]
    limits: tuple[str, ...]
    source: str
    find: Callable[[Heard], Outcome]


def finding(
    unit: ControlUnit, kind: str, statement: str, confidence: float, value: float | None, unit_of: str, **more: object
) -> Finding:
    """A scan finding: it rests on answers of a control unit, which its evidence names, not on stretches of a record."""
    evidence = {"control_unit": unit.address, "control_unit_name": unit.name, **more}
    return Finding("", kind, "", "none", statement, confidence, (), value=value, unit=unit_of, evidence=evidence)


def units_with(heard: Heard, *keys: str) -> list[ControlUnit]:
    """Control units that gave all of these values."""
    return [u for u in heard.snapshot.units if all(u.one(k) is not None for k in keys)]


def at(series: Series | None, time_s: float | None, within_s: float = SAME_TIME_S) -> float | None:
    """The value nearest to a time, if not further than ``within_s``; the last one where nothing is timed."""
    if series is None or not series.values:
        return None
    if time_s is None or series.times_s is None:
        return series.last
    after = bisect_right(series.times_s, time_s)
    near = [k for k in (after - 1, after) if 0 <= k < len(series.times_s)]
    best = min(near, key=lambda k: abs(series.times_s[k] - time_s))  # type: ignore[index]
    return series.values[best] if abs(series.times_s[best] - time_s) <= within_s else None


def where(series: Series, holds: Callable[[float | None], bool]) -> list[tuple[float, float | None]]:
    """(value, time) of those samples at whose time the condition holds."""
    times = series.times_s if series.times_s is not None else (None,) * len(series.values)
    return [(v, t) for v, t in zip(series.values, times, strict=True) if holds(t)]


def middle(samples: list[tuple[float, float | None]]) -> float:
    """The median of some samples."""
    return float(median(v for v, _ in samples))


def source_of(unit: ControlUnit, *keys: str) -> dict[str, object]:
    """Evidence that leads back: parameters, how many answers, the last bytes, the time of the last answer."""
    out: dict[str, object] = {}
    for key in keys:
        series = unit.one(key)
        if series is not None:
            out[key.replace("-", "_")] = {
                "last": series.last, "unit": series.unit, "answers": len(series.values), "bytes": series.raw,
                "time_s": series.times_s[-1] if series.times_s else None,
            }  # fmt: skip
    return out
