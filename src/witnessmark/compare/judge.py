"""What became of each finding: gone, still there, changed, new, or not comparable and why."""

from __future__ import annotations

import math
from dataclasses import replace

from witnessmark.compare import chances as chance
from witnessmark.compare.chances import Chances
from witnessmark.compare.measure import same_wheel
from witnessmark.compare.model import Judged, Verdict
from witnessmark.findings import valves
from witnessmark.findings.limits import default_limits
from witnessmark.findings.model import Finding
from witnessmark.findings.statistics import upper_rate_of_none
from witnessmark.report.model import Analysis
from witnessmark.report.words import CRANK_KINDS, KINDS, ROLES, TOOTH_KINDS
from witnessmark.wheel.model import Tooth

# Two turns show what a wheel does again; fewer are an accident of one turn (as for every verdict of this program).
LEAST_TURNS = 2.0
LEAST_CHANCES = 2
# A measured number has changed where it moved by this share of itself and by more than its own uncertainty.
CHANGED_SHARE, STANDARD_ERRORS = 0.25, 3.0
# A cam's offset is known to about a degree (Hall edge 1.6 crank degrees, chain wander); less is no change.
CAM_DEG = 2.0
# One fault in two guises: a tooth missed now and then may be missed always, a line that drops edges may go dead.
KIN = ({"tooth-absent", "tooth-weak"}, {"edges-dropped", "signal-lost"}, {"no-start", "late-sync"})
# Roles of lines a finding needs in the record after, besides the line it is about.
NEEDS = {
    "cranking-slow": "crank", "battery-low": "battery", "no-start": "crank", "late-sync": "coil",
    "spark-absent": "coil", "spark-misplaced": "coil", "fuel-absent": "injector", "fuel-without-spark": "coil",
}  # fmt: skip
# What shows at starts only, and of that what a start shows or does not show (the rest is a number measured in each).
BY_START = frozenset({"no-start", "late-sync", "spark-absent", "fuel-absent", "fuel-without-spark"})
AT_STARTS = BY_START | {"cranking-slow", "battery-low"}
# A word by which the open questions of a record name what a finding is about.
ASKED = {
    "wheel-runout": "run out", "tooth-displaced": "wrong angle", "polarity-reversed": "right way round",
    "signal-low": "large enough", "compression-uneven": "ompression", "contribution-uneven": "contribut",
    "wheel-shifted": "shift", "cam-offset": "cam",
}  # fmt: skip


def judge(before: Analysis, after: Analysis) -> tuple[Judged, ...]:
    """Every finding of the record before, in its order, then what is new after."""
    out: list[Judged] = []
    taken: set[str] = set()
    found = [f for f in before.findings.found if f.stated] + [f for f in before.findings.found if not f.stated]
    for finding in found:
        twin = _twin(finding, before, after, taken)
        if twin is not None:
            taken.add(twin.id)
            out.append(_both(finding, twin, before, after))
        else:
            out.append(_without(finding, before, after))
    out += [Judged("new", None, f, _new(f, before)) for f in after.findings.found if f.id not in taken]
    return tuple(out)


# --- which finding after is this one ---------------------------------------------------------------------------------


def _twin(finding: Finding, before: Analysis, after: Analysis, taken: set[str]) -> Finding | None:
    """The same finding in the record after: kind and place, else its kin at the same place."""
    free = [f for f in after.findings.found if f.id not in taken and _same_place(finding, f, before, after)]
    kin = next((k for k in KIN if finding.kind in k), {finding.kind})
    same = [f for f in free if f.kind == finding.kind]
    other = [f for f in free if f.kind != finding.kind and f.kind in kin]
    ranked = sorted(same, key=lambda f: -f.confidence) or sorted(other, key=lambda f: -f.confidence)
    return ranked[0] if ranked else None


def _same_place(a: Finding, b: Finding, before: Analysis, after: Analysis) -> bool:
    if a.slot is not None and b.slot is not None and not same_wheel(before, after):
        mine, theirs = {a.slot, a.evidence.get("or_slot")}, {b.slot, b.evidence.get("or_slot")}
        return bool((mine & theirs) - {None})
    if a.cylinder is not None or b.cylinder is not None:
        return a.cylinder == b.cylinder
    return _line(before, a.channel) == _line(after, b.channel)


def _line(analysis: Analysis, channel: str) -> tuple[str, str]:
    """A line by its role and, where a role has several lines, its name."""
    mine = [line for line in analysis.signals.lines if line.name == channel]
    if not mine:
        return ("", channel)
    role = mine[0].role
    return (role, channel if len(analysis.signals.by_role(role)) > 1 else "")


# --- in both records -------------------------------------------------------------------------------------------------


def _both(a: Finding, b: Finding, before: Analysis, after: Analysis) -> Judged:
    verdict, because = _compared(a, b, before)
    return Judged(verdict, a, b, because, value_after=b.value)


def _compared(a: Finding, b: Finding, before: Analysis) -> tuple[Verdict, str]:
    if a.kind != b.kind:
        return "changed", f"before, {KINDS[a.kind]}; after, {KINDS[b.kind]}"
    if a.stated != b.stated:
        return "changed", "stated before, only hinted at after" if a.stated else "hinted at before, stated after"
    if a.value is None or b.value is None or a.unit != b.unit or a.kind in BY_START:
        return "still there", "in the record before and in the one after"
    unit = f" ({a.unit})" if a.unit else ""
    words = f"{number(a.value)} before, {number(b.value)} after{unit}"
    return ("changed" if _moved(a, b) else "still there"), words


def _moved(a: Finding, b: Finding) -> bool:
    """Whether the number itself changed: by a quarter of it and beyond what the two measurements leave open."""
    assert a.value is not None
    assert b.value is not None
    if a.unit == "deg" and a.value * b.value < 0.0:
        return True
    change = abs(b.value - a.value)
    if a.kind in AT_STARTS or a.kind == "signal-lost":
        return False  # seconds of cranking, turns to a spark and lengths of losses are each start's own
    errors = [f.evidence.get("standard_error_deg") for f in (a, b)]
    doubt = math.hypot(*(float(e) if isinstance(e, int | float) else 0.0 for e in errors))
    least = CAM_DEG if a.kind == "cam-offset" else 0.0
    return change > max(CHANGED_SHARE * abs(a.value), STANDARD_ERRORS * doubt, least) and not _rates_overlap(a, b)


def _rates_overlap(a: Finding, b: Finding) -> bool:
    """Whether two shares of passages missed agree within their intervals."""
    name = "missed" if "missed_low_95" in a.evidence else "rate"
    ends = [f.evidence.get(f"{name}_{end}_95") for f in (a, b) for end in ("low", "high")]
    if not all(isinstance(e, int | float) for e in ends):
        return False
    low_a, high_a, low_b, high_b = (float(e) for e in ends)  # type: ignore[arg-type]
    return low_a <= high_b and low_b <= high_a


def number(value: float) -> str:
    """A measured number for a sentence."""
    return f"{value:.3g}"


def _new(finding: Finding, before: Analysis) -> str:
    if finding.kind in CRANK_KINDS and before.wheel.layout is None:
        return "not seen before, where the wheel could not be decoded: it need not be new"
    return "not seen in the record before"


# --- in the record before only ---------------------------------------------------------------------------------------


def _without(finding: Finding, before: Analysis, after: Analysis) -> Judged:
    """No such finding after: gone, or could it not have been seen?"""
    why = _not_comparable(finding, before, after)
    if why:
        return Judged("not comparable", finding, None, why)
    if finding.kind in ("tooth-absent", "tooth-weak"):
        return _by_tooth(finding, before, after)
    if finding.kind == "tooth-displaced":
        return _by_error(finding, before, after)
    if finding.kind == "wheel-runout":
        return _by_runout(finding, after)
    if finding.kind == "signal-lost" and finding.evidence.get("whole_record"):
        return Judged("gone", finding, None, f"the line gives its edges over {after.wheel.angle.turns:.1f} turns")
    if finding.kind == "cam-offset":
        return _by_cam(finding, after)
    counted = chance.by_start(finding, before, after) if finding.kind in BY_START else None
    judged = _by_chances(finding, counted or chance.by_turn(finding, before, after))
    return judged or Judged("gone", finding, None, _plainly_gone(finding, after))


def _plainly_gone(finding: Finding, after: Analysis) -> str:
    rpm = [a.cranking_rpm for a in after.engine.attempts if a.cranking_rpm is not None]
    if finding.kind == "cranking-slow" and rpm and finding.value is not None:
        return f"cranked at {finding.value:.0f} rpm before, at {min(rpm):.0f} rpm or more after"
    turns = after.wheel.angle.turns
    over = f" over {turns:.1f} turns" if turns >= LEAST_TURNS else ""
    return f"not seen in the record after{over}, which holds what it is judged by"


def _not_comparable(finding: Finding, before: Analysis, after: Analysis) -> str:
    """Why the record after cannot say; empty where it can."""
    role = _line(before, finding.channel)[0] or NEEDS.get(finding.kind, "")
    for needed in dict.fromkeys(r for r in (NEEDS.get(finding.kind, ""), role) if r):
        if not after.signals.by_role(needed):
            return f"the record after has no {ROLES[needed]} line"
    if after.in_motion is False:
        return "nothing turns in the record after"
    if finding.kind in AT_STARTS and not chance.starts(after):
        return "the record after holds no start attempt of two turns or more"
    on_wheel = finding.kind in CRANK_KINDS or finding.slot is not None
    if on_wheel and after.wheel.layout is None:
        return f"the wheel is not decoded in the record after ({after.wheel.why_not or 'no pattern stands out'})"
    if on_wheel and after.wheel.angle.turns < LEAST_TURNS:
        return f"only {after.wheel.angle.turns:.1f} turns are decoded after"
    if finding.kind in TOOTH_KINDS and finding.slot is not None:
        why = same_wheel(before, after)
        if why:
            return why
    word = ASKED.get(finding.kind)
    for open_question in after.findings.not_assessed if word else ():
        if word and word in open_question.question:
            return f"the record after cannot tell ({open_question.reason.rstrip('.')})"
    return ""


def _by_chances(finding: Finding, c: Chances | None) -> Judged | None:
    """By how often it showed before and how often it could have shown after."""
    if c is None:
        return None
    at = "" if c.speeds is None else f" at {c.speeds[0]:.0f} to {c.speeds[1]:.0f} rpm"
    if c.after < LEAST_CHANCES and c.hits == 0:
        what = f"{c.after} {c.of[:-1] if c.of.endswith('s') else c.of}{at}" if c.after else f"no {c.of}{at}"
        return Judged("not comparable", finding, None, f"{what} after: too few to have seen it", c.rate, c.after)
    if c.hits:
        share = f"{c.hits} of {c.after} {c.of}{at} after, {c.rate:.0%} before"
        return Judged("changed", finding, None, f"{share}; too few to be stated by themselves", c.rate, c.after)
    bound = upper_rate_of_none(c.after)
    words = f"in none of {c.after} {c.of}{at} after, which leaves at most {bound:.1%} open; {c.rate:.1%} before"
    if bound < c.rate:
        return Judged("gone", finding, None, words, c.rate, c.after, bound)
    return Judged("not comparable", finding, None, f"{words}: too few to have seen it", c.rate, c.after, bound)


def _tooth(analysis: Analysis, slot: int | None) -> Tooth | None:
    return next((t for t in analysis.wheel.teeth if t.slot == slot), None)


def _by_tooth(finding: Finding, before: Analysis, after: Analysis) -> Judged:
    """A tooth by how often it gave an edge and, on a variable-reluctance line, by the size of its pulse."""
    counted = _by_chances(finding, chance.at_slot(finding, before, after))
    pulse = _by_pulse(finding, before, after)
    if counted is None or pulse.value_after is None:
        return pulse if counted is None else counted
    words = f"{pulse.because}; {counted.because}"
    if counted.verdict == "changed":
        verdict: Verdict = "changed"
    else:
        verdict = pulse.verdict  # the pulse is measured in every turn, also where the speed hides the fault
    return replace(counted, verdict=verdict, because=words, value_after=pulse.value_after)


def _by_pulse(finding: Finding, before: Analysis, after: Analysis) -> Judged:
    """A small pulse that was never missed: by its size."""
    then, now = _tooth(before, finding.slot), _tooth(after, finding.slot)
    if then is None or now is None or then.amplitude is None or now.amplitude is None:
        return Judged("not comparable", finding, None, f"slot {finding.slot}'s pulse is not measured in both records")
    words = (
        f"slot {finding.slot}'s pulse is {then.amplitude:.2f} of the median tooth's before, {now.amplitude:.2f} after"
    )
    if now.passages < LEAST_CHANCES:
        return Judged("not comparable", finding, None, f"slot {finding.slot} passes {now.passages} times only after")
    grown = now.amplitude - then.amplitude > 0.5 * (1.0 - then.amplitude)
    return Judged("gone" if grown else "changed", finding, None, words, value_after=now.amplitude)


def _by_error(finding: Finding, before: Analysis, after: Analysis) -> Judged:
    """A displaced tooth by its angle."""
    now = _tooth(after, finding.slot)
    if finding.value is None or now is None or now.error_deg is None:
        return Judged("not comparable", finding, None, f"slot {finding.slot}'s angle is not measured after")
    doubt = STANDARD_ERRORS * (now.error_se_deg or 0.0)
    words = f"slot {finding.slot} {finding.value:+.2f} degrees before, {now.error_deg:+.2f} after"
    small = abs(now.error_deg) < 0.5 * abs(finding.value)
    if small and abs(now.error_deg - finding.value) > doubt:
        return Judged("gone", finding, None, words, value_after=now.error_deg)
    why = "not stated by itself any more" if not small else "which is no better known"
    return Judged("changed", finding, None, f"{words}, {why}", value_after=now.error_deg)


def _by_runout(finding: Finding, after: Analysis) -> Judged:
    """A wheel that ran out, by its once-per-turn error, with two standard errors on it."""
    w, then = after.wheel, finding.evidence.get("runout_deg")
    if w.runout_deg is None or w.runout_se_deg is None or not isinstance(then, int | float):
        return Judged("not comparable", finding, None, "the once-per-turn error is not measured in both records")
    now = f"{w.runout_deg:.2f} (standard error {w.runout_se_deg:.2f}) after"
    words = f"once-per-turn error {then:.2f} degrees before, {now}"
    if w.runout_deg + 2.0 * w.runout_se_deg < float(then):
        return Judged("gone", finding, None, words, value_after=w.runout_deg)
    return Judged("not comparable", finding, None, f"{words}: too coarse to tell", value_after=w.runout_deg)


def _by_valves(finding: Finding, after: Analysis) -> Judged:
    """A cam out of time by valve events against the setup's timing."""
    times = valves.judged(after.engine, after.setup, default_limits())
    here = next((t for t in times if finding.cylinder in (None, t.pressure.cylinder)), None)
    if here is None:
        return Judged("not comparable", finding, None, "the valves' events are not compared with the setup after")
    late = max((x.late_deg for x in here.told), key=abs)
    then = "" if finding.value is None else f"{finding.value:+.0f} degrees before, "
    return Judged("gone", finding, None, f"{then}{late:+.0f} at most after", value_after=late)


def _by_cam(finding: Finding, after: Analysis) -> Judged:
    """A cam out of time by its offset against the described edges, or by its valves in a cylinder's pressure."""
    if finding.evidence.get("by_pressure"):
        return _by_valves(finding, after)
    cam = next((c for c in after.engine.cams if c.channel == finding.channel), None)
    if cam is None and len(after.engine.cams) == 1:
        cam = after.engine.cams[0]
    if cam is None or cam.offset_deg is None:
        return Judged("not comparable", finding, None, "the cam's offset is not measured after")
    then = "" if finding.value is None else f"{finding.value:+.1f} degrees before, "
    return Judged("gone", finding, None, f"{then}{cam.offset_deg:+.1f} after", value_after=cam.offset_deg)
