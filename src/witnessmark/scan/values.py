"""What live values say: speed while cranking, fuel trims and their balance, charging, temperatures."""

from __future__ import annotations

from collections.abc import Callable

from witnessmark.findings.measured import beyond
from witnessmark.findings.model import Finding, NotAssessed
from witnessmark.scan.measured import (
    SLOW_TIME_S,
    Family,
    Heard,
    Outcome,
    at,
    finding,
    middle,
    source_of,
    units_with,
    where,
)
from witnessmark.scan.model import ControlUnit

# Confidences, all of them: estimate, no source. What rests on enough answers is stated (0.5 or more); one moment, or a
# value between two limits, is a hint.
SEEN, SEEN_ONCE, NOT_CRANKED = 0.9, 0.45, 0.4  # no speed: in enough answers, in too few, with a supply at rest
HINT_FROM, HINT_TO = 0.1, 0.45  # trims between the two limits
LOW_FROM, LOW_BY_VOLT, LOW_TO = 0.6, 0.35, 0.95  # a low supply, and by each volt below the limit
MOMENT_FROM, MOMENT_TO = 0.15, 0.45  # a low supply that may pass
CLOSED_LOOP = (2.0, 16.0)  # with all sensors, or with one of them faulty
BANKS = (1, 2)


# --- speed ------------------------------------------------------------------------------------------------------------


def find_speed(heard: Heard) -> Outcome:
    """speed-not-seen: the control unit reports no speed while the engine is cranked."""
    engine = heard.snapshot.source.engine
    units = units_with(heard, "engine-speed")
    question = "Does the control unit see the crank turn?"
    if engine != "cranking":
        why = f"the engine was {engine} while values were read" if engine else "it is not said what the engine did"
        needs = "engine speed read while the starter turns the engine (scan read --engine cranking --watch 10)"
        return Outcome(not_assessed=(NotAssessed(question, why, needs),))
    if not units:
        needs = "parameter 0C of the engine control unit, read while cranking"
        return Outcome(not_assessed=(NotAssessed(question, "no control unit gave an engine speed", needs),))
    if any(max(s.values) >= heard.limits["speed.none_rpm"] for u in units if (s := u.one("engine-speed")) is not None):
        return Outcome()  # one unit sees it; what others repeat of it is a matter of the network
    return Outcome(tuple(_speed(heard, u) for u in units))


def _speed(heard: Heard, unit: ControlUnit) -> Finding:
    speed, supply = unit.one("engine-speed"), unit.one("supply")
    assert speed is not None
    highest = max(speed.values)
    count = len(speed.values)
    confidence = SEEN if count >= heard.limits["speed.samples"] else SEEN_ONCE
    volts = min(supply.values) if supply is not None else None
    doubt = ""
    if volts is not None and volts > heard.limits["speed.supply_rest_v"]:
        confidence = min(confidence, NOT_CRANKED)
        doubt = f"; its supply never fell below {volts:.1f} V, so the starter may not have turned the engine"
    elif volts is not None:
        doubt = f"; its supply fell to {volts:.1f} V meanwhile, as it does when the starter turns"
    times = "in its only answer" if count == 1 else f"in all of {count} answers"
    return finding(
        unit, "speed-not-seen",
        f"{unit.called} reports {highest:.0f} rpm while the engine is cranked, {times}{doubt}: the crank signal does "
        "not reach it or is not accepted.",
        confidence, highest, "rpm", lowest_supply_v=volts, **source_of(unit, "engine-speed", "supply"),
    )  # fmt: skip


SPEED = Family(
    "speed while cranking",
    ("speed-not-seen",),
    ("engine-speed", "supply", "engine"),
    ("speed.none_rpm", "speed.samples", "speed.supply_rest_v"),
    "trade rule: 0 rpm in live data while the crank turns is the cheapest crank-signal fact",
    find_speed,
)


# --- trims ------------------------------------------------------------------------------------------------------------


def find_trims(heard: Heard) -> Outcome:
    """trims-off: a bank's trim in sum, and the banks against each other."""
    reason = "no control unit gave both trims of bank 1"
    for unit in units_with(heard, "long-trim-1", "short-trim-1"):
        judged = _judgeable(heard, unit)
        sums = {b: s for b in BANKS if (s := _sum(unit, b, judged)) is not None}
        if sums:
            return _banks(heard, unit, sums) + _balance(heard, unit, sums)
        reason = f"{unit.called} was not seen warm, running and in closed loop"
    needs = "fuel control state, both trims, speed and coolant temperature of the warm idling engine"
    return Outcome(not_assessed=(NotAssessed("Are the fuel trims right?", reason, needs),))


def _judgeable(heard: Heard, unit: ControlUnit) -> Callable[[float | None], bool]:
    """Whether at a time the engine ran, warm and in closed loop; a value that was not read is no yes."""
    speed, loop, coolant = unit.one("engine-speed"), unit.one("fuel-loop-1"), unit.one("coolant-temperature")

    def holds(time_s: float | None) -> bool:
        rpm, state, warmth = at(speed, time_s), at(loop, time_s), at(coolant, time_s, SLOW_TIME_S)
        running = rpm is not None and rpm >= heard.limits["trims.running_rpm"]
        warm = warmth is not None and warmth >= heard.limits["trims.warm_c"]
        return running and warm and state in CLOSED_LOOP

    return holds


def _sum(unit: ControlUnit, bank: int, judged: Callable[[float | None], bool]) -> float | None:
    """Median of short plus long over the samples that can be judged; None where there are none."""
    short, long = unit.one(f"short-trim-{bank}"), unit.one(f"long-trim-{bank}")
    if short is None or long is None:
        return None
    sums = [(v + other, t) for v, t in where(short, judged) if (other := at(long, t, SLOW_TIME_S)) is not None]
    return middle(sums) if sums else None


def _banks(heard: Heard, unit: ControlUnit, sums: dict[int, float]) -> Outcome:
    off, hint = heard.limits["trims.off_percent"], heard.limits["trims.hint_percent"]
    bank, total = max(sums.items(), key=lambda item: abs(item[1]))
    size = abs(total)
    if size < hint:
        return Outcome()
    confidence = beyond(size / off) if size >= off else HINT_FROM + (HINT_TO - HINT_FROM) * (size - hint) / (off - hint)
    both = len(sums) > 1 and all(abs(s) >= hint and s * total > 0 for s in sums.values())
    lean = "fuel is added: the mixture is measured lean" if total > 0 else "fuel is taken away: it is measured rich"
    said = " and ".join(f"bank {b} {s:+.1f} %" for b, s in sums.items())
    common = (
        ", on both banks alike: what they share (fuel pressure, air meter, vapour system) comes first" if both else ""
    )
    keys = [f"{k}-trim-{b}" for b in sums for k in ("short", "long")]
    return Outcome((
        finding(
            unit, "trims-off", f"{unit.called}: short plus long fuel trim {said}; {lean}{common}.",
            confidence, total, "%", bank=bank, sums_percent={str(b): s for b, s in sums.items()}, both_banks=both,
            **source_of(unit, *keys),
        ),
    ))  # fmt: skip


def _balance(heard: Heard, unit: ControlUnit, sums: dict[int, float]) -> Outcome:
    if len(sums) < 2:
        return Outcome()
    apart = sums[1] - sums[2]
    limit = heard.limits["trims.balance_percent"]
    if abs(apart) < limit:
        return Outcome()
    lean = 1 if apart > 0 else 2
    return Outcome((
        finding(
            unit, "trims-off",
            f"{unit.called}: the banks' fuel trims are {abs(apart):.1f} % apart, bank {lean} the leaner one "
            f"({sums[1]:+.1f} and {sums[2]:+.1f} %): what one bank has alone (its cam, exhaust, sensor, injectors) is "
            "looked at first.",
            beyond(abs(apart) / limit), apart, "%", balance=True, sums_percent={str(b): s for b, s in sums.items()},
        ),
    ))  # fmt: skip


TRIMS = Family(
    "fuel trims",
    ("trims-off",),
    (
        "short-trim-1",
        "long-trim-1",
        "short-trim-2",
        "long-trim-2",
        "fuel-loop-1",
        "engine-speed",
        "coolant-temperature",
    ),
    ("trims.hint_percent", "trims.off_percent", "trims.balance_percent", "trims.running_rpm", "trims.warm_c"),
    "SAE J1979: a positive trim adds fuel; the limits are trade rules",
    find_trims,
)


# --- charging ---------------------------------------------------------------------------------------------------------


def find_charging(heard: Heard) -> Outcome:
    """charging-low: the supply of a running engine."""
    question = "Does the generator charge?"
    needs = "supply voltage and engine speed of the idling engine, half a minute after the start (scan read --watch 10)"
    why = "supply voltage and engine speed were not both read"
    for unit in units_with(heard, "supply", "engine-speed"):
        samples = _running(heard, unit)
        if not samples:
            why = "the engine was not seen running, half a minute after its start"
            continue
        volts = middle(samples)
        if volts > heard.limits["charging.other_system_v"]:
            why = f"{volts:.1f} V is no 12 V system, and no limits for another are at hand"
            continue
        return Outcome(_charging(heard, unit, volts, len(samples)))
    return Outcome(not_assessed=(NotAssessed(question, why, needs),))


def _running(heard: Heard, unit: ControlUnit) -> list[tuple[float, float | None]]:
    speed, since, supply = unit.one("engine-speed"), unit.one("run-time"), unit.one("supply")
    assert supply is not None

    def holds(time_s: float | None) -> bool:
        rpm, run_s = at(speed, time_s), at(since, time_s)
        running = rpm is not None and rpm >= heard.limits["trims.running_rpm"]
        return running and (run_s is None or run_s >= heard.limits["charging.after_start_s"])

    return where(supply, holds)


def _charging(heard: Heard, unit: ControlUnit, volts: float, count: int) -> tuple[Finding, ...]:
    low, hint, moment = (heard.limits[f"charging.{n}"] for n in ("low_v", "hint_v", "moment_v"))
    if volts >= hint:
        return ()
    enough = count >= heard.limits["charging.samples"]
    if volts < moment or (volts < low and enough):
        confidence = min(LOW_TO, LOW_FROM + LOW_BY_VOLT * (low - volts))
    else:
        confidence = min(MOMENT_TO, MOMENT_FROM + (MOMENT_TO - MOMENT_FROM) * (hint - volts) / (hint - low))
    usual = f"{heard.limits['charging.usual_low_v']:g} to {heard.limits['charging.usual_high_v']:g} V"
    over = f"in the middle of {count} answers" if count > 1 else "in one answer, a moment only"
    return (
        finding(
            unit, "charging-low",
            f"{unit.called}: its supply stands at {volts:.1f} V with the engine running, {over} (charging is "
            f"{usual}).",
            confidence, volts, "V", **source_of(unit, "supply", "engine-speed", "run-time"),
        ),
    )  # fmt: skip


CHARGING = Family(
    "charging",
    ("charging-low",),
    ("supply", "engine-speed", "run-time"),
    (
        "charging.low_v",
        "charging.hint_v",
        "charging.samples",
        "charging.moment_v",
        "charging.after_start_s",
        "charging.other_system_v",
        "charging.usual_low_v",
        "charging.usual_high_v",
    ),
    "trade rules on 12 V systems, no publication",
    find_charging,
)
