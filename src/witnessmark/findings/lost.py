"""Stretches in which the crank line gives nothing although the engine turns.

Rotation is known from the line itself (edges at speed before and after the silence) or, where the line is dead for a
whole attempt, from other lines. A run-down into standstill is no loss.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from witnessmark.engine.witnesses import at_speed_beside, cam_goes_on
from witnessmark.findings import pauses, stalls
from witnessmark.findings.measured import Bools, Family, Floats, Measured, Outcome, beyond, spread
from witnessmark.findings.model import Finding, NotAssessed
from witnessmark.findings.slots import intervals
from witnessmark.findings.statistics import clopper_pearson
from witnessmark.signals.medians import rolling_median
from witnessmark.signals.model import GLITCH, Line

# Slower than this before or after a silence the crank may really have stood (common practice: starters turn faster).
TURNING_RPM = 70.0
# Longest silence between two stretches of one rotation that can be called a loss: a crank with a starter engaged does
# not stop and come back to the same speed within it (memory).
LONGEST_S = 1.5
# A pause is looked at from this many times the usual interval: two teeth gone in a row make three.
LEAST_RATIO = 2.2
# Change of speed over a loss: from the slowest of cranking into the first fire (published: 85 to 225 rpm within one
# event; first fire adds 100 to 300 rpm).
MOST_CHANGE = 4.0
# A pulse of this share of the ones around it is noise about a line that rests, or the last whisper of a fading one.
NOISE_SHARE = 0.12
# ... and so is one smaller than a tooth gives at this speed (pulses grow with speed; a turning crank is faster).
SLOWEST_RPM = 40.0


# Edges out of rest before a pause that show whether the crank was coming to rest again: five intervals (see below).
FEWEST_BEFORE = 6
LIVES = 40.0  # swing over noise of a line that is not dead; hum is a twentieth of a pick-up's pulse (working choice)
MOST_UNRECORDED = 0.2  # share of a silence in which the line was not recorded (working choice)


@dataclass(frozen=True)
class Silence:
    """A pause of the crank line between two edges (times in s), with the teeth that were due in it.

    sure: 0..1, less where a crank that stood, or a key turned off, would look the same. ends: it lasts to the end of
    the rotation or record, so that its teeth cannot be counted.
    """

    start_s: float
    end_s: float
    teeth: float
    rpm: float
    sure: float = 1.0
    ends: bool = False


def silences(m: Measured) -> list[Silence]:
    """All silences within rotation: runs of due passages without an edge, pauses at speed, lines cut off at speed."""
    if m.line is None:
        return []
    marks = _marks(m, m.line)
    if m.layout is None:
        return _pauses(m, marks)
    out = _runs(m, marks)
    for more in (_pauses(m, marks), _cut_off(m, marks)):
        out += [s for s in more if not any(s.start_s < o.end_s and o.start_s < s.end_s for o in out)]
    return sorted(out, key=lambda s: s.start_s)


def _marks(m: Measured, line: Line) -> Floats:
    """Times in s of the marking edges, without those that noise makes on a pick-up's line while it is dead."""
    e = line.edges
    mine = e.rising == m.wheel.marking_rising
    if m.is_vr:
        peak = np.minimum(e.peak_before_v, e.peak_after_v).astype(np.float64)
        small = peak < NOISE_SHARE * rolling_median(peak, 8)
        p = m.wheel.passes
        with np.errstate(divide="ignore", invalid="ignore"):
            per_rpm = p.amplitude_v[p.used] / p.speed_rpm[p.used]
        if np.isfinite(per_rpm).any():
            small |= peak < SLOWEST_RPM * float(np.nanmedian(per_rpm))
        mine &= ~small
    out: Floats = e.time_s[mine]
    return out


def _runs(m: Measured, t: Floats) -> list[Silence]:
    """Runs of passages in a row without an edge, between two edges of one decoded segment."""
    p = m.wheel.passes
    out = []
    long = [(a, b) for a, b in m.lost_runs if b - a >= m.limits["lost.teeth_min"]]
    starts = np.bincount([int(p.tooth[a]) for a, _ in long], minlength=m.teeth)
    # teeth broken out side by side leave a silence too, but at one place in turn after turn
    on_wheel = starts >= max(3, m.limits["lost.wheel_share"] * m.wheel.angle.turns)
    for a, b in long:
        if on_wheel[p.tooth[a]] or m.coarse[a:b].all():  # the pulses are there, too low to be read
            continue
        if b - a < m.limits["lost.teeth_min"] or not (m.settled[a] or b - a >= m.limits["lost.teeth_sure"]):
            continue
        start, end = float(p.time_s[a - 1]), float(p.time_s[b])
        at = int(np.searchsorted(t, start))
        sure = _sure(m, t, at, float(p.speed_rpm[a])) if at + 1 < t.size else 0.0
        if p.speed_rpm[a] < TURNING_RPM and not _others_turn(m, start, end):
            continue
        if sure > 0.0 and not stalls.fades(m, start, end) and not stalls.stalls(m, t, at, at + 1):
            out.append(Silence(start, end, float(b - a), float(p.speed_rpm[a]), sure))
    return out


def _pauses(m: Measured, t: Floats) -> list[Silence]:
    """Pauses of the line far longer than the intervals close on both sides and than the angle decoded over them.

    Where nothing is decoded, the gaps that the line itself shows tell whether one of them can lie in the pause.
    """
    pause = np.diff(t)
    if t.size < 12:
        return []
    long = pauses.long_ones(pause)
    out: dict[int, Silence] = {}
    for i in np.flatnonzero(long & (pause > LEAST_RATIO * pauses.usual(pause))):
        if m.layout is None and not pauses.steady(pause, int(i)):
            continue
        made = _pause(m, t, pause, long, int(i))
        if made is not None:
            out[int(i)] = made
    return [s for i, s in out.items() if not _at_one_place(list(out), i)]


def _pause(m: Measured, t: Floats, pause: Floats, long: Bools, at: int) -> Silence | None:
    """The interval after mark ``at`` as a silence, None where a gap by design or a crank that stood may explain it."""
    layout = m.layout
    before, after = (pauses.pitch_beside(pause, long, at, way) for way in (-1, 1))
    if before is None or after is None:
        return None
    turns_on = cam_goes_on(m.signals, float(t[at]), float(t[at + 1])) or _fed(m, t, float(t[at]), float(t[at + 1]))
    if pause[at] > LONGEST_S and not turns_on:
        return None
    if max(before, after) > MOST_CHANGE * min(before, after):
        return None
    by_design, least, rpm = pauses.WIDEST, m.limits["lost.pause_teeth"], [0.0, 0.0]
    if layout is not None:
        rpm = [layout.pitch_deg / 6.0 / x for x in (before, after)]
        by_design = float(intervals(layout).max()) / layout.pitch_deg
        turned = float(np.diff(m.wheel.angle.at(t[at : at + 2]))[0]) / layout.pitch_deg
        if 0.0 < turned <= by_design + 0.1:
            by_design = turned
        elif np.isnan(turned) and pauses.off_the_gap(pause, long, at, layout):
            by_design, least = 1.0, m.limits["lost.placed_teeth"]
        if min(rpm) < TURNING_RPM:
            return None
    teeth = float(pause[at]) / max(before, after) - by_design
    if teeth < least:  # every gap by design ends here, so what takes longer to tell comes after
        return None
    if stalls.faint(m, t, at, max(before, after)):
        return None
    stands = stalls.stalls(m, t, at, at + 1) or stalls.fades(m, float(t[at]), float(t[at + 1]))
    if (stands and not turns_on) or pauses.disturbed(pause, at):
        return None
    sure = _sure(m, t, at, min(rpm))
    if sure <= 0.0:
        return None
    return Silence(float(t[at]), float(t[at + 1]), teeth, float(np.mean(rpm)), sure)


def _at_one_place(places: list[int], at: int) -> bool:
    """Whether pauses come back after always the same number of edges: teeth broken out side by side, not a loss."""
    apart = np.abs(np.asarray(places) - at)
    apart = apart[apart > 0]
    return apart.size >= 2 and int(np.sum(apart % np.min(apart) == 0)) >= 2


def _cut_off(m: Measured, t: Floats) -> list[Silence]:
    """The line's last edges before a long silence, or the end of the record, come at full speed."""
    layout = m.layout
    assert layout is not None
    line_end = m.recording.recorded(m.channel)[1]
    out = []
    pause = np.append(np.diff(t), line_end - t[-1]) if t.size else np.empty(0)
    for i in np.flatnonzero(pause > m.limits["lost.cut_s"]):
        end = float(t[i] + pause[i])
        if i < 8 or (pause[i] < LONGEST_S and i < t.size - 4) or stalls.stalls(m, t, int(i), None):
            continue
        before = np.diff(t[i - 6 : i + 1])
        pitch = float(np.median(before))
        rpm = layout.pitch_deg / 6.0 / pitch
        if before[-1] > 1.25 * pitch or rpm < m.limits["lost.cut_rpm"] or (end - t[i]) / pitch < 10.0:
            continue
        if stalls.may_rest(m, t, int(i)):
            continue
        # a two-level sensor falls silent with the key; a coil in a magnet does not
        sure = 1.0 if m.is_vr or _others_turn(m, float(t[i]) + 0.05, end) or _key_on(m, float(t[i])) else 0.5
        out.append(Silence(float(t[i]), end, float((end - t[i]) / pitch), rpm, sure, True))
    return out


def _key_on(m: Measured, time_s: float) -> bool:
    """Whether the crank sensor's supply stays, or comes back, after this moment: no key was turned off."""
    return any(
        f.role == "sensor-supply" and f.of in ("", m.channel) and f.end_s > time_s + m.limits["lost.stop_s"]
        for f in m.engine.feeds
    )


def _others_turn(m: Measured, start_s: float, end_s: float) -> bool:
    """Whether cams show rotation, or the starter is on, within a silence."""
    for cam in m.signals.by_role("cam"):
        e = cam.edges
        if np.any((e.label != GLITCH) & (e.time_s > start_s) & (e.time_s < end_s)):
            return True
    for line in m.signals.by_role("starter-current"):
        on_off = m.engine.event_time_s.get(line.name)
        if on_off is not None and any(
            a <= start_s and b >= end_s for a, b in on_off[: len(on_off) // 2 * 2].reshape(-1, 2)
        ):
            return True
    return False


def _sure(m: Measured, t: Floats, at: int, rpm: float) -> float:
    """Whether the silence after mark ``at`` can be a loss: short, or at running speed, or with other lines that show
    rotation in it, or followed at once by a speed that a crank could not reach from rest within it.
    """
    start_s, end_s = float(t[at]), float(t[at + 1])
    if end_s - start_s <= m.limits["lost.stop_s"] or rpm > m.limits["lost.running_rpm"]:
        return 1.0
    if _others_turn(m, start_s, end_s) or _fed(m, t, start_s, end_s):
        return 1.0
    if m.is_vr or at + 3 >= t.size or end_s - start_s > 2.0 * m.limits["lost.stop_s"]:
        return 0.0  # a pick-up is not heard while the crank gathers speed
    from_rest_s = pauses.time_to_rest_s(0.0, 0.0, stalls.teeth_to_rest(m, t, at + 1, 1), float(t[at + 2] - t[at + 1]))
    return 1.0 if from_rest_s > 2.0 * (end_s - start_s) else 0.0


def _fed(m: Measured, t: Floats, start_s: float, end_s: float) -> bool:
    """Whether a two-level sensor was fed all through a silence that begins and ends at speed: no key was turned."""
    good = any(
        f.role == "sensor-supply" and f.of in ("", m.channel) and f.start_s <= start_s and f.end_s >= end_s
        and f.lowest_v > (1.0 - m.limits["supply.sag_share"]) * f.usual_v
        for f in m.engine.feeds
    )  # fmt: skip
    return good and not m.is_vr and at_speed_beside(t, start_s, end_s)


def _rested(m: Measured, s: Silence) -> bool:
    """Whether the crank rather stood in a silence: an attempt begins as it ends, or began only a few edges before it.

    Within the first edges out of rest the crank may hang on the first compression, and too few tell how it came there.
    """
    if cam_goes_on(m.signals, s.start_s, s.end_s):
        return False
    if m.line is not None and _fed(m, _marks(m, m.line), s.start_s, s.end_s):
        return False
    if any(abs(a.start_s - s.end_s) < 0.02 for a in m.engine.attempts):
        return True
    begun = [a.start_s for a in m.engine.attempts if not a.turning_at_start and a.start_s <= s.start_s]
    if not begun or m.line is None:
        return False
    t = _marks(m, m.line)
    return int(np.sum((t >= max(begun) - 1e-9) & (t <= s.start_s + 1e-9))) < FEWEST_BEFORE


def find(m: Measured, earlier: Outcome) -> Outcome:
    """signal-lost: pauses within rotation, or a line dead while others show rotation."""
    dead = _dead(m)
    if dead is not None:
        return dead
    found = [s for s in silences(m) if not _rested(m, s) and _recorded(m, m.channel, s.start_s, s.end_s)]
    slips = [s for s in found if stalls.slipped(m, s.start_s, s.end_s, s.teeth)]
    found = [s for s in found if s not in slips]
    if not found or _by_chance(m, found):
        return Outcome(extras=_strays_in(m, slips), passes=_passes_in(m, slips))
    return Outcome((_lost(m, found),), extras=_strays_in(m, found + slips), passes=_passes_in(m, found + slips))


def _strays_in(m: Measured, found: list[Silence]) -> frozenset[int]:
    """Edges that the decoding has no place for, inside the silences."""
    at = m.wheel.extras.time_s
    return frozenset(i for i, t in enumerate(at) if any(s.start_s - 1e-9 <= t <= s.end_s + 1e-9 for s in found))


def _lost(m: Measured, found: list[Silence]) -> Finding:
    seconds = sum(s.end_s - s.start_s for s in found)
    teeth = sum(s.teeth for s in found if not s.ends)
    longest = max(found, key=lambda s: s.teeth)
    sure = max(s.sure for s in found)
    ratio = longest.teeth / m.limits["lost.teeth_sure"] * (1.0 + 0.25 * (len(found) - 1))
    confidence = float(np.clip(0.5 + 0.45 * min(ratio, 1.0), 0.0, 0.97)) * (1.0 if sure >= 1.0 else 0.45)
    many = f"{len(found)} stretches" if len(found) > 1 else "one stretch"
    missing = f"about {teeth:.0f} teeth are missing" if teeth else "it ends at full speed"
    doubt = "" if sure >= 1.0 else "; a key turned off would look the same"
    return Finding(
        "", "signal-lost", m.channel, "time",
        f"The crank line fell silent in {many} of {_ms(found)} while the engine turned at {longest.rpm:.0f} "
        f"rpm: {missing}"
        f"{doubt}.",
        confidence, tuple(m.stretch(m.channel, found[i].start_s, found[i].end_s) for i in spread(len(found))), None,
        start_s=found[0].start_s, end_s=found[-1].end_s, value=seconds, unit="s",
        evidence={
            "stretches": len(found), "lost_s": seconds, "longest_s": max(s.end_s - s.start_s for s in found),
            "teeth_missing": teeth, "whole_record": False,
        },
    )  # fmt: skip


def _ms(found: list[Silence]) -> str:
    low, high = (f(s.end_s - s.start_s for s in found) * 1e3 for f in (min, max))
    return f"{high:.0f} ms" if round(low) == round(high) else f"{low:.0f} to {high:.0f} ms"


def _passes_in(m: Measured, found: list[Silence]) -> frozenset[int]:
    """Missing passages inside the silences."""
    p = m.wheel.passes
    out: list[int] = []
    for s in found:
        out += np.flatnonzero((p.edge < 0) & (p.time_s > s.start_s) & (p.time_s < s.end_s)).tolist()
    return frozenset(out)


def _by_chance(m: Measured, found: list[Silence]) -> bool:
    """Whether single losses at random, as often as this record shows them, would make such short silences too."""
    longest = int(max(s.teeth for s in found))
    inside = _passes_in(m, found)
    single = int(m.missing.sum()) - len(inside & set(np.flatnonzero(m.missing).tolist()))
    n = max(int(m.wheel.passes.used.sum()), 1)
    rate = clopper_pearson(single, n)[1]
    return single >= 2 and n * rate ** min(longest, 30) > 0.05 * len(found)


def _recorded(m: Measured, channel: str, start_s: float, end_s: float) -> bool:
    """Whether a line was there to be silent: recorded over most of a stretch."""
    lost = m.recording.unrecorded_s(channel, start_s, end_s)
    return lost <= MOST_UNRECORDED * max(end_s - start_s, 1e-9)


def _dead(m: Measured) -> Outcome | None:
    """A crank line without edges while other lines show an attempt; None where that is not so."""
    lines = m.signals.by_role("crank")
    if not lines:
        return None
    line = max(lines, key=lambda c: len(c.edges))
    if line.sensor == "analog" and line.levels.swing > LIVES * line.levels.noise:
        return None  # it moves all along, in a way that could not be read
    attempts = [a for a in m.engine.attempts if a.seen_on != "crank"]
    if not attempts:
        return None
    quiet = []
    for a in attempts:
        inside = (line.edges.time_s >= a.start_s) & (line.edges.time_s <= a.end_s)
        seconds = max(a.end_s - a.start_s, 1e-3)
        if not _recorded(m, line.name, a.start_s, a.end_s):
            continue
        if inside.sum() / seconds < m.limits["lost.edges_per_second"]:
            quiet.append(a)
    if not quiet:
        return None
    whole = len(quiet) == len(m.engine.attempts)
    total = sum(a.end_s - a.start_s for a in quiet)
    seen_on = sorted({a.seen_on for a in quiet})
    finding = Finding(
        "", "signal-lost", line.name, "time",
        f"The crank line gives no edges in {len(quiet)} of {len(m.engine.attempts)} attempts ({total:.1f} s) while the "
        f"{' and '.join(seen_on)} line shows the engine turning.",
        beyond(total / m.limits["lost.dead_s"]), tuple(m.stretch(line.name, a.start_s, a.end_s) for a in quiet[:40]),
        None,
        start_s=quiet[0].start_s, end_s=quiet[-1].end_s, value=total, unit="s",
        evidence={"stretches": len(quiet), "lost_s": total, "whole_record": whole, "seen_on": ", ".join(seen_on)},
    )  # fmt: skip
    return Outcome((finding,), not_assessed=(NotAssessed(
        "Wheel, teeth and polarity", "the crank line gives no edges", "a record with a live crank line",
    ),))  # fmt: skip


FAMILY = Family(
    "lost",
    ("signal-lost",),
    ("intervals of the crank line", "attempts that only other lines show"),
    (
        "lost.teeth_min",
        "lost.pause_teeth",
        "lost.placed_teeth",
        "lost.teeth_sure",
        "lost.wheel_share",
        "lost.stop_s",
        "lost.stall_teeth",
        "lost.stop_teeth",
        "lost.running_rpm",
        "lost.cut_s",
        "lost.cut_rpm",
        "lost.edges_per_second",
        "lost.dead_s",
    ),
    "rotation on both sides of a silence, or on other lines during it",
    find,
)
