"""Spark and fuel that stay away (all of them, on one output, or for a time), and sparks misplaced."""

from __future__ import annotations

from witnessmark.engine.model import Attempt
from witnessmark.findings.measured import Family, Measured, Outcome, beyond
from witnessmark.findings.model import Finding, NotAssessed
from witnessmark.findings.silent import cut_after_start, together
from witnessmark.findings.skipped import skipped, weak_coils
from witnessmark.findings.sparks import misplaced


def find(m: Measured, earlier: Outcome) -> Outcome:
    """spark-absent, fuel-absent and fuel-without-spark over attempts that did not start."""
    coils, injectors = m.signals.by_role("coil"), m.signals.by_role("injector")
    dry = [
        a
        for a in m.engine.attempts
        if not a.started and not a.turning_at_start and _turns(m, a) >= m.limits["outputs.turns_hint"]
    ]
    out = Outcome()
    if coils:
        out += _absent(m, [a for a in dry if a.sparks == 0], "spark-absent", [c.name for c in coils])
        if injectors:
            out += _fuel_only(m, [a for a in dry if a.sparks == 0 and (a.injections or 0) > 0])
    if injectors:
        out += _absent(m, [a for a in dry if a.injections == 0], "fuel-absent", [c.name for c in injectors])
    elif m.engine.attempts:
        out += Outcome(not_assessed=(NotAssessed(
            "Does the control unit inject?", "no injector line in the record",
            "one injector's command in the same record",
        ),))  # fmt: skip
    for lines, counts, what in (
        (coils, [a.sparks for a in dry], "spark"),
        (injectors, [a.injections for a in dry], "inject"),
    ):
        if lines and None in counts:
            out += Outcome(not_assessed=(NotAssessed(
                f"Does the control unit {what} in every attempt?",
                f"{', '.join(c.name for c in lines)} was not recorded throughout {counts.count(None)} of "
                f"{len(m.engine.attempts)} attempts",
                "all lines recorded from before the engine turns to the end",
            ),))  # fmt: skip
    if m.wheel.angle.segments:
        out += skipped(m) + weak_coils(m) + misplaced(m) + together(m) + cut_after_start(m)
    return out


def _turns(m: Measured, a: Attempt) -> float:
    """Turns of an attempt; from its length at a modest cranking speed where the crank line tells none."""
    return a.turns if a.turns > 0 else (a.end_s - a.start_s) * m.limits["outputs.assumed_rpm"] / 60.0


def _absent(m: Measured, attempts: list[Attempt], kind: str, channels: list[str]) -> Outcome:
    if not attempts:
        return Outcome()
    word = "spark command" if kind == "spark-absent" else "injection"
    most = max(_turns(m, a) for a in attempts)
    confidence = beyond(most / m.limits["outputs.turns_stated"]) if most >= m.limits["outputs.turns_stated"] else 0.3
    total = sum(_turns(m, a) for a in attempts)
    return Outcome((Finding(
        "", kind, channels[0], "none",
        f"No {word} on {', '.join(channels)} in {len(attempts)} of {len(m.engine.attempts)} attempts, over "
        f"{total:.1f} turns "
        "of cranking.",
        confidence, tuple(m.stretch(channels[0], a.start_s, a.end_s) for a in attempts[:40]), None,
        start_s=attempts[0].start_s, end_s=attempts[-1].end_s, value=total, unit="turns",
        evidence={
            "attempts": len(attempts), "of_attempts": len(m.engine.attempts), "turns": total,
            "channels": ", ".join(channels),
        },
    ),))  # fmt: skip


def _fuel_only(m: Measured, attempts: list[Attempt]) -> Outcome:
    if not attempts:
        return Outcome()
    name = m.signals.by_role("injector")[0].name
    pulses = sum(a.injections or 0 for a in attempts)
    most = max(_turns(m, a) for a in attempts)
    confidence = beyond(most / m.limits["outputs.turns_stated"]) if most >= m.limits["outputs.turns_stated"] else 0.3
    if pulses < m.limits["outputs.pulses_min"]:
        confidence = min(confidence, 0.3)  # a priming pulse at key-on needs no synchronisation
    return Outcome((Finding(
        "", "fuel-without-spark", name, "none",
        f"{pulses} injections on {name} and no spark command in {len(attempts)} of {len(m.engine.attempts)} attempts.",
        confidence, tuple(m.stretch(name, a.start_s, a.end_s) for a in attempts[:40]), None,
        start_s=attempts[0].start_s, end_s=attempts[-1].end_s, value=float(pulses), unit="injections",
        evidence={"attempts": len(attempts), "of_attempts": len(m.engine.attempts), "injections": pulses},
    ),))  # fmt: skip


FAMILY = Family(
    "outputs",
    ("spark-absent", "fuel-absent", "fuel-without-spark", "spark-misplaced"),
    ("coil and injector events", "start attempts", "crank angle", "battery voltage"),
    (
        "outputs.turns_hint", "outputs.turns_stated", "outputs.assumed_rpm", "outputs.pulses_min",
        "outputs.inputs_lost", "outputs.skips_least", "outputs.skip_share", "outputs.skip_usual",
        "outputs.skip_stated_p", "outputs.skip_hint_p",
        "outputs.limiter_rpm", "outputs.current_low", "outputs.current_hint", "outputs.silent_deg",
        "outputs.silent_rpm", "outputs.overrun_rpm", "outputs.cut_deg", "outputs.cut_sparks", "outputs.cut_soon_s",
        "sparks.cranking_rpm", "sparks.running_rpm", "sparks.cranking_earliest_deg", "sparks.cranking_latest_deg",
        "sparks.running_earliest_deg", "sparks.running_latest_deg", "sparks.sure_deg",
        "sparks.apart_deg",
    ),
    "a control unit in order commands spark and fuel within two turns; one cylinder's turn comes every second turn",
    find,
)  # fmt: skip
