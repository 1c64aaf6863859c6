"""From the crank line's edges to wheel, crank angle and teeth."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from witnessmark.provenance import Step
from witnessmark.recording.model import Recording
from witnessmark.recording.setup import Setup
from witnessmark.signals.model import Line, Signals
from witnessmark.special import running_median
from witnessmark.wheel import layouts, pitch, polarity, residual, runout, segments, standstill, weighing
from witnessmark.wheel import passes as passing
from witnessmark.wheel.beginnings import Tried, mended
from witnessmark.wheel.damage import Damage, align_marks, is_even
from witnessmark.wheel.design import Choice, choose
from witnessmark.wheel.lattice import Path, Tempo
from witnessmark.wheel.marks import Marks, marks_of
from witnessmark.wheel.model import CrankAngle, Extras, Layout, Passes, Tooth, WheelResult
from witnessmark.wheel.rhythm import Ripple
from witnessmark.wheel.rings import Reading, read_otherwise
from witnessmark.wheel.which_gap import same_gap


def decode_wheel(signals: Signals, setup: Setup, recording: Recording, reading: Reading | None = None) -> WheelResult:
    """Wheel, crank angle and per-tooth table of the recording's crank line.

    reading: which of two teeth to take for the missing one where the line fits both (other lines have told).
    Never raises for what a line holds: where nothing can be decoded ``layout`` is None and ``why_not`` says why.
    """
    line = crank_line(signals)
    if line is None:
        return _nothing(None, "no channel shows a toothed wheel")
    moves = segments.motions_of(line.edges.time_s, 0.7)
    if len(line.edges) < 12:
        return _nothing(line.name, f"only {len(line.edges)} edges on the crank line", moves)
    expected = setup.crank_wheel.edge == "rising" if setup.crank_wheel and setup.crank_wheel.edge else False
    said = bool(setup.crank_wheel and setup.crank_wheel.edge)
    steep = polarity.tell(line.edges) if line.sensor == "vr" else None
    rising = expected
    if steep is not None and steep.steep_rising is not None:
        rising = steep.steep_rising
    both = steep is None and not said
    designed = layouts.from_setup(setup)
    timed = tuple(c for role in ("cam", "coil", "injector") for c in signals.by_role(role) if len(c.edges) >= 4)
    choice = choose(line, rising, both, designed, timed)
    if choice is None:
        return _nothing(line.name, "the edges follow no pattern that a toothed wheel makes", moves)
    if reading is not None:
        choice = _otherwise(choice, reading)
    state = ("unknown", "", 0.0) if steep is None else polarity.judge(steep, expected, said)
    return _read(recording, line, choice, timed, state, designed, setup)


def _otherwise(choice: Choice, reading: Reading) -> Choice:
    """The choice with the damage read the other way."""
    damage = read_otherwise(choice.damage or Damage(dead=((reading.gone, 1.0),)), choice.layout, reading)
    return replace(choice, damage=damage, damaged=tuple(tooth for tooth, _ in damage.dead))


def crank_line(signals: Signals) -> Line | None:
    """The crank line: the one with most edges where several are named so."""
    lines = signals.by_role("crank")
    return max(lines, key=lambda c: len(c.edges)) if lines else None


def _nothing(channel: str | None, why: str, motions: tuple[object, ...] = ()) -> WheelResult:
    none = np.empty(0)
    whole = none.astype(np.int64)
    return WheelResult(
        channel=channel,
        layout=None,
        source="inferred",
        belief=0.0,
        alternatives=(),
        marking_rising=False,
        angle=CrankAngle(none, none, ()),
        passes=Passes(
            none.astype(np.int32),
            none.astype(np.int32),
            none,
            whole,
            none,
            none,
            none,
            none,
            none,
            none.astype(bool),
            none.astype(np.uint8),
        ),
        extras=Extras(whole, none, none, none),
        teeth=(),
        motions=motions,  # type: ignore[arg-type]
        slot_reference="",
        runout_deg=None,
        runout_phase_deg=None,
        runout_se_deg=None,
        amplitude_runout=None,
        nats_per_turn=None,
        residual_rms=None,
        why_not=why,
    )


# Nats a path may lie behind under a known ripple: out of standstill it does not hold yet, and a start afresh behind a
# false one costs 25 (a simulated start followed the wrong slots to its end so).
WIDE_BEAM = 80.0


def full_path(marks: Marks, choice: Choice) -> tuple[Path, Ripple | None]:
    """The whole record aligned to the chosen layout, damaged teeth no longer paid for; and the ripple it follows."""
    readings = [
        Tried(align_marks(marks, choice.layout, tempo, choice.damage), tempo) for tempo in _tempos(marks, choice)
    ]
    readings.sort(key=lambda r: -r.path.score)
    if choice.ripple is not None:
        path = align_marks(marks, choice.layout, choice.tempo, choice.damage, WIDE_BEAM, choice.ripple)
        if path.score >= readings[0].path.score:
            return path, choice.ripple
    return mended(marks, choice.layout, choice.damage, readings[0], readings[1:]), None


def _tempos(marks: Marks, choice: Choice) -> tuple[Tempo, ...]:
    """Tempos for the whole record: cranking all along, cranking that eases with speed, and what fitted the windows."""
    jitter = weighing.jitter_of(marks.time_s)
    walk = float(np.clip(weighing.WALK_PER_DEG3 * choice.layout.pitch_deg**3, 1e-3, 0.3))
    relax = 30.0 / choice.layout.pitch_deg
    return (
        Tempo(walk, jitter),
        Tempo(walk, jitter, torque=True, relax=relax),
        *(() if choice.ripple else (choice.tempo,)),
    )


def _cylinders(setup: Setup) -> int | None:
    """Cylinders of a four-stroke engine as the setup says; none of them counts for a two-stroke one."""
    if setup.engine is None:
        return None
    return 0 if setup.engine.strokes == 2 else setup.engine.cylinder_count


def _read(
    recording: Recording,
    line: Line,
    choice: Choice,
    timed: tuple[Line, ...],
    state: tuple[str, str, float],
    designed: Layout | None,
    setup: Setup,
) -> WheelResult:
    """Everything that follows once the layout is chosen."""
    layout = choice.layout
    marks = marks_of(line, choice.rising)
    path, ripple = full_path(marks, choice)
    path = same_gap(path, layout, marks.time_s, timed, setup)
    layout = layouts.as_learnt(layout, setup)
    chain = segments.chain_of(path, layout, marks.time_s, ripple)
    angle, kept = segments.angle_of(chain, layout, line.info.rate_hz)
    moving_s = standstill.without(line.edges.time_s, angle.undecoded)
    motions = segments.motions_of(moving_s, segments.still_for(layout))
    if not angle.segments:
        return _nothing(
            line.name, "; ".join(sorted({u.reason for u in angle.undecoded})) or "no full turn decoded", motions
        )
    passes, extras = passing.build(chain, kept, marks, line, layout, motions)
    passes, fitted = _with_errors(passes, layout, line, angle)
    left = residual.of_missing(recording, line.name, passes, layout, choice.rising)
    passes = _replace(passes, residual=left)
    teeth = _teeth(passes, layout, fitted, line)
    run = runout.of_passes(passes, layout, angle, line.sensor == "vr", fitted.suspects, _cylinders(setup))
    if run is not None and layout.learnt_deg is not None:
        run = replace(run, single_deg=np.append(run.single_deg[0] - layout.learnt_deg[0], run.single_deg[1:]))
    swing = _amplitude_runout(teeth, layout) if line.sensor == "vr" else None
    used = int(passes.used.sum())
    return WheelResult(
        channel=line.name,
        layout=layout,
        source="setup" if designed is not None and layout.source == "setup" else "inferred",
        belief=choice.belief,
        alternatives=choice.alternatives,
        marking_rising=choice.rising,
        angle=angle,
        passes=passes,
        extras=extras,
        teeth=teeth,
        motions=motions,
        slot_reference=slot_rule(layout),
        runout_deg=None if run is None else run.amplitude_deg,
        runout_phase_deg=None if run is None else run.phase_deg,
        runout_se_deg=None if run is None else run.se_deg,
        amplitude_runout=None if swing is None or swing[2] < 0.5 else swing[0],
        nats_per_turn=choice.margin_per_turn,
        residual_rms=None if not np.isfinite(fitted.noise_deg) else fitted.noise_deg / layout.pitch_deg,
        undecidable=choice.undecidable,
        once=run,
        polarity=state[0],  # type: ignore[arg-type]
        polarity_reason=state[1],
        polarity_confidence=state[2],
        steps=(
            Step(
                "wheel",
                "edges aligned to the wheel",
                {"layout": layout.name, "marking edge": "rising" if choice.rising else "falling"},
                used,
                int(passes.tooth.size),
                "the rest lies at start-up, run-down or in lost stretches",
            ),
        ),
    )


def slot_rule(layout: Layout) -> str:
    """In words, which rule numbered the slots."""
    if is_even(layout) and len(layout.teeth_deg) > 0:
        return "no gap on this wheel: slot 1 is the first tooth decoded"
    if layout.periods > 1:
        first = "slot 1 is the first tooth after the first such gap decoded"
        return f"the pattern repeats {layout.periods} times a turn: {first}"
    if layout.regular:
        return (
            "slot 1 is the first tooth after the longest gap" if layout.missing else "slot 1 is the first tooth decoded"
        )
    if layout.source == "setup":
        return "teeth numbered in order from the setup's first"
    return "teeth numbered in order; tooth 1 follows the longest gap (ties: the one followed by the longest run)"


def _replace(passes: Passes, **what: NDArray[np.float64]) -> Passes:
    return replace(passes, **what)  # type: ignore[arg-type]


def _with_errors(passes: Passes, layout: Layout, line: Line, angle: CrankAngle) -> tuple[Passes, pitch.Pitch]:
    """Lateness of each passage filled in."""
    rows = np.flatnonzero(passes.used & (passes.edge >= 0))
    nominal = passing.angle_of_passes(passes, layout)
    piece = passing.piece_of(passes, angle)
    rows = rows[piece[rows] >= 0]
    per_pitch = layout.pitch_deg
    rate = line.info.rate_hz
    speed = float(np.nanmedian(passes.speed_rpm[rows])) if rows.size else 200.0
    floor = 0.02 + (
        0.0 if not rate else 0.3 * 6.0 * speed / rate / 3.0
    )  # a third of the sampling scatter, averaged over turns
    got = pitch.measure(
        layout, passes.tooth[rows], nominal[rows], passes.time_s[rows], piece[rows], min(floor, 0.1 * per_pitch)
    )
    if layout.learnt_deg is not None:
        first = np.where(np.arange(len(layout.teeth_deg)) == 0, layout.learnt_deg[0], 0.0)
        got = replace(got, mean_deg=got.mean_deg - first, error_deg=got.error_deg - first[passes.tooth[rows]])
    error = np.full(passes.tooth.size, np.nan)
    error[rows] = got.error_deg
    return _replace(passes, error_deg=error), got


def _teeth(passes: Passes, layout: Layout, fitted: pitch.Pitch, line: Line) -> tuple[Tooth, ...]:
    """The per-tooth table, designed gaps included as slots without a tooth."""
    n = len(layout.teeth_deg)
    seen_by_unit = (passes.edge >= 0) & ~(passes.arm_margin < 1.0)
    strength = _strength(passes)
    usual = np.ones(n) if layout.learnt_amplitude is None else np.asarray(layout.learnt_amplitude)
    out: dict[int, Tooth] = {}
    for i in range(n):
        mine = (passes.tooth == i) & passes.used
        left = passes.residual[mine]
        left = left[np.isfinite(left)]
        margins = passes.arm_margin[mine & (passes.edge >= 0)]
        strong = strength[mine & np.isfinite(strength)] / usual[i]
        out[layout.tooth_slots[i]] = Tooth(
            slot=layout.tooth_slots[i],
            expected=True,
            seen=int(np.sum(seen_by_unit & mine)),
            passages=int(mine.sum()),
            error_deg=_number(fitted.mean_deg[i]),
            error_sd_deg=_number(fitted.sd_deg[i]),
            error_se_deg=_number(fitted.se_deg[i]),
            amplitude=float(np.median(strong)) if strong.size else None,
            arm_margin=float(np.median(margins)) if margins.size and np.isfinite(margins).all() else None,
            residual=float(np.median(left)) if left.size else None,
        )
    for slot in range(1, layout.slots + 1):
        out.setdefault(slot, Tooth(slot, False, 0, 0, None, None, None, None, None))
    return tuple(out[s] for s in sorted(out))


def _strength(passes: Passes) -> NDArray[np.float64]:
    """Amplitude over the running median of its neighbours (both grow with speed) [m]."""
    out = np.full(passes.tooth.size, np.nan)
    rows = np.flatnonzero(np.isfinite(passes.amplitude_v) & (passes.amplitude_v > 0))
    if rows.size < 20:
        return out
    with np.errstate(divide="ignore", invalid="ignore"):
        per_speed = passes.amplitude_v[rows] / passes.speed_rpm[rows]
    good = np.isfinite(per_speed)
    rows, per_speed = rows[good], per_speed[good]
    width = int(min(121, rows.size // 2 * 2 - 1))
    out[rows] = per_speed / running_median(per_speed, width // 2)
    return out


def _amplitude_runout(teeth: tuple[Tooth, ...], layout: Layout) -> tuple[float, float, float] | None:
    by_slot = {t.slot: t.amplitude for t in teeth}
    strength = np.array([np.nan if by_slot[s] is None else by_slot[s] for s in layout.tooth_slots], dtype=float)
    return runout.amplitude_runout(np.asarray(layout.teeth_deg), strength)


def _number(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None
