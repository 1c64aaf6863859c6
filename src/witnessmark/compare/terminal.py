"""The comparison for the terminal: verdict first, then each finding, the numbers side by side, cautions."""

from __future__ import annotations

from witnessmark.compare.compare import named
from witnessmark.compare.model import CamPair, Comparison, Judged, StartSide, ToothPair
from witnessmark.report.blocks import block as _block
from witnessmark.report.words import opening, plural

MOST_TEETH = 6


def summary(c: Comparison) -> str:
    """About 15 to 25 lines on the comparison, without a line break at the end."""
    lines = _block("Verdict", [c.statement])
    lines += _block("Findings", [finding_line(j) for j in c.findings if j.weighty] or ["None stated in either record."])
    hints = [finding_line(j) for j in c.findings if not j.weighty and not j.shown.kind.startswith("record-")]
    lines += _block("Hints", hints[:3])
    lines += _block("Wheel", wheel_lines(c))
    lines += _block("Cams", [cam_line(p) for p in c.cams])
    lines += _block("Starts", [f"before: {start_line(c.starts[0])}", f"after: {start_line(c.starts[1])}"])
    lines += _block("Cautions", [opening(text) for text in c.cautions])
    return "\n".join(lines)


def finding_line(j: Judged) -> str:
    """One finding: verdict, what it is, which ids, and why the verdict."""
    ids = ", ".join(f"{when} {f.id}" for when, f in (("before", j.before), ("after", j.after)) if f is not None)
    return f"{j.verdict.upper()}: {named(j)} ({ids}): {j.because.rstrip('.')}."


def wheel_lines(c: Comparison) -> list[str]:
    """The teeth as a whole, then those that changed most."""
    if c.teeth_why_not:
        return [f"Not compared tooth by tooth: {c.teeth_why_not}."]
    out = [f"{when}: {_teeth_line(c, after)}" for when, after in (("before", False), ("after", True))]
    out += [tooth_line(p) for p in telling(c)[:MOST_TEETH]]
    return out


def _teeth_line(c: Comparison, after: bool) -> str:
    analysis = c.after if after else c.before
    sides = [t for p in c.teeth if (t := p.after if after else p.before) is not None and t.expected and t.passages]
    seen, passages = sum(t.seen for t in sides), sum(t.passages for t in sides)
    errors = [abs(t.error_deg) for t in sides if t.error_deg is not None]
    worst = f", largest error of a tooth {max(errors):.2f} degrees" if errors else ""
    run = analysis.wheel.runout_deg
    runout = f", once per turn {run:.2f} degrees" if run is not None else ""
    name = analysis.wheel.layout.name if analysis.wheel.layout is not None else "none"
    turns = analysis.wheel.angle.turns
    return f"{name}, {turns:.1f} turns, {plural(seen, 'edge')} in {plural(passages, 'passage')}{worst}{runout}"


def telling(c: Comparison) -> list[ToothPair]:
    """Slots worth a line: those of weighty findings, and those whose presence or amplitude moved."""
    slots = {j.shown.slot for j in c.findings if j.weighty}
    out = [p for p in c.teeth if p.slot in slots or _presence_moved(p)]
    return sorted(out, key=lambda p: (p.slot not in slots, p.slot))


def _presence_moved(p: ToothPair) -> bool:
    if p.before is None or p.after is None or p.before.present is None or p.after.present is None:
        return False
    return abs(p.before.present - p.after.present) > 0.02


def tooth_line(p: ToothPair) -> str:
    """One slot's numbers, before and after."""
    parts = []
    for when, t in (("before", p.before), ("after", p.after)):
        if t is None:
            parts.append(f"{when} not there")
            continue
        error = "" if t.error_deg is None else f", {t.error_deg:+.2f} degrees"
        pulse = "" if t.amplitude is None else f", pulse {t.amplitude:.2f}"
        parts.append(f"{when} {t.seen} of {t.passages}{error}{pulse}")
    return f"slot {p.slot}: {'; '.join(parts)}"


def cam_line(p: CamPair) -> str:
    """One camshaft line's numbers, before and after."""
    parts = []
    for when, side in (("before", p.before), ("after", p.after)):
        if side is None:
            parts.append(f"{when} not recorded")
            continue
        offset = "" if side.offset_deg is None else f", offset {side.offset_deg:+.1f} degrees"
        spread = "" if side.spread_deg is None else f", spread {side.spread_deg:.2f}"
        parts.append(f"{when} {side.edges} edges over {plural(side.cycles, 'cycle')}{offset}{spread}")
    moved = "" if p.moved_deg is None else f"; its edges moved by {p.moved_deg:+.1f} degrees"
    return f"{p.name}: {'; '.join(parts)}{moved}"


def start_line(s: StartSide) -> str:
    """The starts of one record in one line."""
    if not s.attempts:
        return "no start attempt"
    rpm = f", cranked at {s.cranking_rpm:.0f} rpm" if s.cranking_rpm is not None else ""
    sync = f", first correctly timed spark after {s.turns_to_sync:.1f} turns" if s.turns_to_sync is not None else ""
    runs = f", running after {s.time_to_run_s:.2f} s" if s.time_to_run_s is not None else ""
    return f"{s.started} of {plural(s.attempts, 'start')} ran{rpm}{sync}{runs}"
