"""Cranking speed, supply, synchronisation and outcome of the start attempts."""

from __future__ import annotations

import numpy as np

from witnessmark.engine.model import Attempt
from witnessmark.findings import asked
from witnessmark.findings.measured import Family, Measured, Outcome, beyond
from witnessmark.findings.model import Finding, NotAssessed
from witnessmark.findings.starter import told as starter_says
from witnessmark.spans import Evidence


def find(m: Measured, earlier: Outcome) -> Outcome:
    """cranking-slow, battery-low, late-sync and no-start over all attempts."""
    if not m.engine.attempts:
        return Outcome(not_assessed=_nothing_cranks(m))
    out = _slow(m) + _battery(m) + _late(m) + _no_start(m)
    return out + Outcome(not_assessed=_open(m))


def _nothing_cranks(m: Measured) -> tuple[NotAssessed, ...]:
    running = m.wheel.angle.turns > 0.0
    why = "the record joins an engine that already runs" if running else "nothing turns in this record"
    return (NotAssessed("Is the cranking speed right, and does the control unit synchronise in time?", why,
                        "a record from key-on through a start"),)  # fmt: skip


def _cranking(a: Attempt) -> tuple[float, float]:
    """The cranking part of an attempt in s."""
    return a.start_s, a.cranking_end_s if a.cranking_end_s is not None else a.end_s


def _evidence(m: Measured, attempts: list[Attempt], channel: str = "") -> tuple[Evidence, ...]:
    name = channel or m.channel or m.signals.lines[0].name
    return tuple(m.stretch(name, *_cranking(a)) for a in attempts[:40])


def _name(n: int, of: int) -> str:
    return "the attempt" if of == 1 else f"attempt {n}"


# --- speed ------------------------------------------------------------------------------------------------------------


def _steady_rpm(m: Measured, a: Attempt) -> tuple[float, float] | None:
    """Mean cranking speed after the starter has brought the crank to speed, over decoded stretches, and their turns.

    None where less than ``cranking.decoded_share`` of that time is decoded: counted edges may hold noise.
    """
    start, end = _cranking(a)
    if not a.turning_at_start and end - start >= 2.0 * m.limits["cranking.spin_up_s"]:
        start += m.limits["cranking.spin_up_s"]
    turned, took = 0.0, 0.0
    for s in m.wheel.angle.segments:
        lo, hi = max(s.start_s, start), min(s.end_s, end)
        if hi <= lo:
            continue
        first, last = m.wheel.angle.at(np.array([lo, hi]))
        turned, took = turned + float(last - first) / 360.0, took + hi - lo
    if took <= 0.0 or took < m.limits["cranking.decoded_share"] * (end - start):
        return None
    return 60.0 * turned / took, turned


def _slow(m: Measured) -> Outcome:
    limit, hint = m.limits["cranking.slow_rpm"], m.limits["cranking.slow_hint_rpm"]
    slow: list[tuple[int, Attempt, float, float]] = []
    for n, a in enumerate(m.engine.attempts, start=1):
        got = _steady_rpm(m, a)
        start, end = _cranking(a)
        enough = end - start >= m.limits["cranking.least_s"]
        if got is not None and got[0] < hint and enough and a.cranking_end_s is not None:
            slow.append((n, a, *got))
    if not slow:
        return Outcome()
    # half a turn may be just the slow half: what holds over more of it counts
    enough_turns = [x for x in slow if x[3] >= m.limits["cranking.least_turns"]]
    n, worst, rpm, _ = min(enough_turns or slow, key=lambda x: x[2])
    shown = bool(enough_turns) and any(v is not None for v in (worst.battery_cranking_v, worst.starter_current_a))
    confidence = beyond(limit / rpm, 4.0) if rpm < limit else 0.4 * (hint - rpm) / (hint - limit) + 0.05
    if not shown:
        confidence = min(confidence, 0.45)
    says, numbers = starter_says(m, worst)
    finding = Finding(
        "", "cranking-slow", m.channel, "none",
        f"The starter turns the engine at {rpm:.0f} rpm in {_name(n, len(m.engine.attempts))} (usual: 150 and more)"
        f"{_lines_say(m, worst)}{says}.",
        confidence, _evidence(m, [a for _, a, *_ in slow]), None, start_s=slow[0][1].start_s,
        end_s=_cranking(slow[-1][1])[1],
        value=rpm, unit="rpm",
        evidence={
            "cranking_rpm": rpm, "slowest_rpm": worst.cranking_rpm_min, "battery_rest_v": worst.battery_rest_v,
            "battery_cranking_v": worst.battery_cranking_v, "starter_current_a": worst.starter_current_a,
            "attempts": len(slow),
        } | numbers,
    )  # fmt: skip
    return Outcome((finding,))


def _lines_say(m: Measured, a: Attempt) -> str:
    """What battery and current show beside a slow crank."""
    words = []
    if a.battery_cranking_v is not None:
        low = a.battery_cranking_v < m.limits["battery.cranking_v"]
        words.append(f"the battery gives {a.battery_cranking_v:.1f} V meanwhile, {'too little' if low else 'enough'}")
    if a.starter_current_a is not None:
        words.append(f"the starter draws {a.starter_current_a:.0f} A")
    return f"; {', '.join(words)}" if words else "; neither battery nor starter current was recorded"


# --- battery ----------------------------------------------------------------------------------------------------------


def _battery(m: Measured) -> Outcome:
    lines = m.signals.by_role("battery")
    told = [a for a in m.engine.attempts if a.battery_cranking_v is not None and a.cranking_end_s is not None]
    if not lines or not lines[0].scale_known or not told:
        return Outcome()
    worst = min(told, key=lambda a: a.battery_cranking_v or 0.0)
    volts, rest = worst.battery_cranking_v, worst.battery_rest_v
    assert volts is not None
    limit, rest_limit = m.limits["battery.cranking_v"], m.limits["battery.rest_v"]
    if limit * 1.8 < volts:
        return Outcome()  # a 24 V system: other limits, no source at hand
    sag = 1.0 + (limit - volts) / m.limits["battery.sure_v"]
    flat = 0.0 if rest is None else 1.0 + (rest_limit - rest) / m.limits["battery.sure_v"]
    confidence = max(beyond(sag, 1.5) if sag >= 1.0 else 0.0, beyond(flat, 1.5) if flat >= 1.0 else 0.0)
    if confidence <= 0.05:
        return Outcome()
    before = f", {rest:.1f} V at rest before" if rest is not None else ""
    says, numbers = starter_says(m, worst)
    finding = Finding(
        "", "battery-low", lines[0].name, "none",
        f"The battery gives {volts:.1f} V on average while cranking{before} (limits {limit:.1f} and "
        f"{rest_limit:.1f} V){says}.",
        confidence, _evidence(m, [worst], lines[0].name), None, start_s=worst.start_s, end_s=_cranking(worst)[1],
        value=volts, unit="V",
        evidence={"cranking_v": volts, "rest_v": rest, "lowest_v": worst.battery_min_v} | numbers,
    )  # fmt: skip
    return Outcome((finding,))


# --- synchronisation and outcome --------------------------------------------------------------------------------------


def _turns_to(m: Measured, a: Attempt, time_s: float) -> float | None:
    """Turns from first motion to a time; None where the crank stood in between or too little of it is decoded."""
    inside = [s for s in m.wheel.angle.segments if s.start_s < time_s and s.end_s > a.start_s]
    moves = [x for x in m.wheel.motions if x.start_s < time_s and x.end_s > a.start_s]
    took = sum(min(s.end_s, time_s) - max(s.start_s, a.start_s) for s in inside)
    if not inside or len(moves) != 1 or took < m.limits["sync.decoded_share"] * (time_s - a.start_s):
        return None
    # a stretch may have begun in the attempt before
    ends = [(max(s.start_s, a.start_s), min(s.end_s, time_s)) for s in inside]
    return sum(float(np.diff(m.wheel.angle.at(np.array(pair)))[0]) / 360.0 for pair in ends)


def sync_turns(m: Measured, a: Attempt) -> float | None:
    """Turns that the control unit needed at least; None where no spark tells or the turns cannot be counted.

    Of fewer coils than cylinders the first spark on a recorded one may come up to two turns after synchronisation, and
    an engine that fires is synchronised. Without phase no spark is known to be timed wrongly: the first one counts.
    """
    spark = a.sync_s if m.engine.phase.known or a.first_spark_s is None else a.first_spark_s
    if spark is None or a.turns_to_sync is None or a.turning_at_start:
        return None
    times = [t for t in (spark, a.first_firing_s) if t is not None]
    turns = [_turns_to(m, a, t) for t in times]
    if turns[0] is None:
        return None
    lines, cylinders = len(m.signals.by_role("coil")), m.engine.cylinders or 4
    least = turns[0] - 2.0 * max(0.0, 1.0 - lines / cylinders)
    return min([least, *(t for t in turns[1:] if t is not None)])


def _late(m: Measured) -> Outcome:
    even = m.layout is not None and m.layout.periods == len(m.layout.teeth_deg)
    limit = m.limits["sync.turns"] + (m.limits["sync.turns_even"] if even else 0.0)
    late = [(turns, a) for a in m.engine.attempts if (turns := sync_turns(m, a)) is not None and turns > 0.85 * limit]
    if not late:
        return Outcome()
    turns, worst = max(late, key=lambda x: x[0])
    n = m.engine.attempts.index(worst) + 1
    confidence = beyond(turns / limit, 1.5)
    if confidence <= 0.05:
        return Outcome()
    finding = Finding(
        "", "late-sync", m.channel, "none",
        f"In {_name(n, len(m.engine.attempts))} the crank turned {worst.turns_to_sync:.1f} times before the "
        "first correctly "
        f"timed spark recorded, so {turns:.1f} at least before the control unit knew its place (usual: one to two).",
        confidence, tuple(m.stretch(m.channel, a.start_s, a.sync_s or a.end_s) for _, a in late), None,
        start_s=worst.start_s, end_s=worst.sync_s, value=worst.turns_to_sync, unit="turns",
        evidence={
            "turns_to_sync": worst.turns_to_sync, "turns_at_least": turns, "attempts_late": len(late),
            "attempts": len(m.engine.attempts),
        },
    )  # fmt: skip
    return Outcome((finding,))


def _no_start(m: Measured) -> Outcome:
    """Attempts that cranked long enough and did not start, where outputs or other attempts show one was wanted."""
    least = m.limits["no_start.seconds"]
    failed = [a for a in m.engine.attempts if not a.started and (a.cranking_end_s or 0.0) - a.start_s >= least]
    if not failed or m.setup.engine.cranked_by == "motor":
        return Outcome()
    told = any(a.sparks is not None or a.injections is not None or a.started for a in m.engine.attempts)
    if not told:
        return Outcome(not_assessed=(NotAssessed(
            "Why does the engine not start?",
            "it cranks without starting, and no coil or injector line tells whether a start was wanted or it is a test",
            asked.outputs(m.setup),
        ),))  # fmt: skip
    alone = [a for a in failed if _turns_alone(m, a)]
    failed = [a for a in failed if a not in alone]
    if not failed:
        return Outcome(not_assessed=(NotAssessed(
            "Does the engine start?",
            "it turns faster than a starter turns it, yet below the 450 rpm from which it counts as running",
            "a longer record, with the starter current in it",
        ),))  # fmt: skip
    wanted = any((a.sparks or 0) + (a.injections or 0) > 0 or a.started for a in m.engine.attempts)
    seconds = sum((a.cranking_end_s or a.end_s) - a.start_s for a in failed)
    other = sum(a.started for a in m.engine.attempts)
    note = f"; {other} other attempt{'s' if other > 1 else ''} did start" if other else ""
    of = len(m.engine.attempts)
    finding = Finding(
        "", "no-start", m.channel or m.signals.lines[0].name, "none",
        f"The engine did not start in {len(failed)} of {of} attempt{'s' if of > 1 else ''} ({seconds:.1f} s of "
        f"cranking){note}.",
        0.9 if wanted else 0.6, _evidence(m, failed), None, start_s=failed[0].start_s, end_s=_cranking(failed[-1])[1],
        value=seconds, unit="s",
        evidence={
            "attempts_failed": len(failed), "attempts": of, "of_attempts": of, "cranked_s": seconds,
            "sparks": sum(a.sparks or 0 for a in failed), "injections": sum(a.injections or 0 for a in failed),
            "spark_good": _spark_good(m, failed), "sparks_unplaced": _unplaced(m, failed),
        },
    )  # fmt: skip
    return Outcome((finding,))


def _turns_alone(m: Measured, a: Attempt) -> bool:
    """Whether the engine fires and keeps itself turning over the last second of an attempt, if below running speed."""
    t = np.arange(a.end_s - 1.0, a.end_s, 0.05)
    rpm = m.wheel.angle.rpm(t, 360.0)
    known = np.isfinite(rpm)
    return bool(known.mean() > 0.7 and np.median(rpm[known]) >= m.limits["no_start.alone_rpm"])


def _spark_good(m: Measured, failed: list[Attempt]) -> float | None:
    """1 where every failed attempt has correctly timed sparks by a TDC not told by the sparks, 0 where one has not.

    None where no coil or no such TDC tells.
    """
    if not m.signals.by_role("coil") or m.engine.phase.tdc_source in ("", "coil"):
        return None
    return float(all(a.sync_s is not None and (a.sparks or 0) >= m.limits["sparks.least"] for a in failed))


def _unplaced(m: Measured, failed: list[Attempt]) -> int:
    """Fewest sparks of a failed attempt where no TDC tells whether they stand at their angle, 0 where one does."""
    return 0 if _spark_good(m, failed) is not None else min(a.sparks or 0 for a in failed)


def _open(m: Measured) -> tuple[NotAssessed, ...]:
    out = []
    if not m.signals.by_role("battery"):
        out.append(NotAssessed("Does the supply hold while cranking?", "no battery voltage in the record",
                               "battery voltage, measured at the battery, in the same record"))  # fmt: skip
    if not m.signals.by_role("starter-current") and m.setup.engine.cranked_by != "motor":
        out.append(NotAssessed("Does the starter draw what it should?", "no starter current in the record",
                               "a current clamp on the starter cable in the same record"))  # fmt: skip
    if not m.signals.by_role("coil") and m.setup.engine.ignition != "compression":
        out.append(NotAssessed("When does the control unit synchronise?", "no coil line in the record",
                               "one coil's command or current in the same record"))  # fmt: skip
    return tuple(out)


FAMILY = Family(
    "start",
    ("cranking-slow", "battery-low", "late-sync", "no-start"),
    ("start attempts", "battery voltage", "starter current", "first correctly timed spark"),
    (
        "cranking.slow_rpm", "cranking.slow_hint_rpm", "cranking.spin_up_s", "cranking.decoded_share",
        "cranking.least_s", "cranking.least_turns",
        "battery.cranking_v",
        "battery.rest_v", "battery.sure_v", "battery.source_mohm", "starter.path_mohm", "starter.high_a", "sync.turns",
        "sync.turns_even", "sync.decoded_share", "no_start.seconds", "no_start.alone_rpm",
        "sparks.least",
    ),
    "common practice on cranking speed, supply and turns to synchronisation",
    find,
)  # fmt: skip
