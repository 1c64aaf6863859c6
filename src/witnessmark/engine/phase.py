"""Where cylinder 1's firing TDC lies: the TDC within the turn, and which of the cycle's two turns is the firing one.

The TDC comes from the setup (``tdc_slot``), else from the pressure in a cylinder without spark, else from described cam
edges, else from the ripple of cranking where the firing pattern comes once a cycle (one cylinder, uneven twins), else
from cylinder 1's sparks or, on compression ignition, its injection. The turn comes from such a pressure, else from
described cam edges, else from a coil that fires once per cycle (compression ignition: an injector), else from ripple
where the compressions of the two turns interleave (odd numbers of cylinders, uneven firing), else from the pulses in
intake or exhaust pipes. Wasted spark, sparks in
every turn, a batch of injectors and injection into a port do not tell the turn. A TDC taken from sparks carries the
doubt of the advance and never judges spark.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from witnessmark.engine import circular
from witnessmark.engine.cams import MATCH_DEG, PARKED_RPM, SEARCH_DEG, Pattern, match
from witnessmark.engine.count import Count
from witnessmark.engine.facts import Facts
from witnessmark.engine.model import Phase
from witnessmark.engine.phase_sources import (
    RIPPLE_CERTAINTY,
    RIPPLE_DOUBT_DEG,
    TURN_CERTAINTY,
    first_of_charge,
    ripple_place,
    turn_by_ripple,
    whole_cycle,
)
from witnessmark.engine.pipe_turn import Pipes, PipeTurn
from witnessmark.engine.pressure_phase import PressureTdc
from witnessmark.engine.tracks import Alignment, Track
from witnessmark.engine.unroll import UNKNOWN_TURN, Unrolled
from witnessmark.recording.setup import Setup
from witnessmark.wheel.model import Layout, WheelResult

Array = NDArray[np.float64]

# Advance of the spark before TDC, with the half width of what is usual: cranking 5-10 degrees, idle 5-20 (common
# practice, no source).
CRANKING_ADVANCE_DEG, CRANKING_DOUBT_DEG = 7.5, 5.0
RUNNING_ADVANCE_DEG, RUNNING_DOUBT_DEG = 12.0, 10.0
# Begin of injection before TDC on compression ignition, cranking and running (memory: 0 to 15 degrees).
INJECTION_ADVANCE_DEG, INJECTION_DOUBT_DEG = 8.0, 10.0
# A correctly timed spark lies within these degrees of its cylinder's firing TDC.
EARLIEST_SPARK_DEG, LATEST_SPARK_DEG = -60.0, 20.0
# Share of a coil's sparks that must fall in one turn before it tells the turn; unsynchronised sparks spread over both.
ONE_TURN_SHARE = 0.8
# Sparks taken for a TDC must agree within this spread; cranking advance is fixed to a few degrees (common practice).
SPARK_SPREAD_DEG = 15.0
# A setup's TDC slot that says it is looser than this is no measure of single degrees (twice what is taken unsaid).
SURE_TDC_DEG = 2.0
# Described cam edges must fit one place this much better than any other (of 1) to be believed.
PLACE_MARGIN = 0.1

COMPRESSION = "compression"
UNKNOWN = "crank degrees from slot 1, 0 to 360: cylinder 1's TDC is not known"


@dataclass(frozen=True, slots=True)
class _Tdc:
    deg: float
    source: str
    certainty: float
    doubt_deg: float
    turn_known: bool  # deg is modulo the whole cycle already
    words: str


def slot_angle_deg(layout: Layout, slot: float) -> float:
    """Angle after slot 1 at which a (fractional) slot position passes."""
    if layout.regular:
        return float(np.mod((slot - 1.0) * 360.0 / layout.slots, 360.0))
    order = np.argsort(layout.tooth_slots)
    slots = np.asarray(layout.tooth_slots, dtype=np.float64)[order]
    teeth = np.asarray(layout.teeth_deg)[order]
    # wrap round by one tooth so that positions between the last tooth and the first are found too
    slots = np.concatenate(([slots[-1] - len(slots)], slots, [slots[0] + len(slots)]))
    teeth = np.concatenate(([teeth[-1] - 360.0], teeth, [teeth[0] + 360.0]))
    return float(np.mod(np.interp(slot, slots, teeth), 360.0))


def _setup_tdc(facts: Facts, wheel: WheelResult, setup: Setup) -> _Tdc | str | None:
    """TDC by tdc_slot; a sentence where the setup's slot cannot be used on this wheel."""
    layout = wheel.layout
    if facts.tdc_slot is None or layout is None:
        return None
    said = setup.crank_wheel
    count = None if said is None else said.slots or (len(said.teeth_deg) if said.teeth_deg else None)
    if count is not None and count != layout.slots:
        return f"the setup's TDC slot belongs to a wheel of {count} slots, the record shows {layout.slots}"
    if layout.periods > 1:
        return "the wheel repeats within one turn: its slot 1, and with it the TDC slot, is not unique"
    doubt = None if said is None else said.tdc_tolerance_deg
    loose = doubt is not None and doubt > SURE_TDC_DEG
    return _Tdc(
        slot_angle_deg(layout, facts.tdc_slot),
        "setup",
        0.9 if loose else 0.99,
        1.0 if doubt is None else doubt,
        False,
        f"cylinder 1's TDC by the setup (slot {facts.tdc_slot:g}{f', good to {doubt:g} degrees' if loose else ''})",
    )


def _cam_tdc(facts: Facts, patterns: Sequence[Pattern]) -> _Tdc | None:
    """TDC by the described cam edges: where all cams together fit best, if nowhere else fits nearly as well."""
    pairs = [(p, said) for p in patterns if p.edges and (said := facts.cam_for(p.track.line)) and said.edges_deg]
    if not pairs or facts.strokes == 2:
        return None
    shift = np.arange(0.0, 720.0, 1.0)
    fit: Array = np.mean([[match(p.edges, said, float(s)) for s in shift] for p, said in pairs], axis=0)
    best = int(np.argmax(fit))
    away: NDArray[np.bool_] = np.abs(circular.signed(shift - float(shift[best]), 720.0)) > 2 * MATCH_DEG
    if fit[best] < 0.6 or fit[best] - fit[away].max() < PLACE_MARGIN:
        return None
    off = []
    for p, said in pairs:
        for angle, kind in said.edges_deg or ():
            d = [float(circular.signed(e.angle_deg - angle - shift[best], 720.0)) for e in p.edges if e.kind == kind]
            off += [min(d, key=abs)] if d and min(map(abs, d)) < 20 else []
    fine = float(np.median(off)) if off else 0.0
    doubt = max((said.tolerance_deg or 6.0) for _, said in pairs)
    return _Tdc(
        float(np.mod(shift[best] + fine, 720.0)), "cam", 0.7, doubt, True,
        "cylinder 1's firing TDC inferred from the cam edges in the setup, which assumes the cam in time",
    )  # fmt: skip


def once_per_cycle(track: Track, cycle_deg: float = 720.0) -> bool:
    """Whether a line's events come once in each cycle: intervals of one cycle, not of one turn."""
    gaps = np.concatenate(
        [np.diff(track.angle_deg[track.segment == s]) for s in np.unique(track.segment)] or [np.empty(0)]
    )
    return len(gaps) >= 2 and float(np.mean(np.abs(gaps - cycle_deg) < 60.0)) >= 0.7


def _aligned(track: Track, alignment: Alignment) -> tuple[Array, NDArray[np.bool_]]:
    """(angle with turns aligned, True where the turn is known)."""
    turn = np.asarray([*alignment.turn, UNKNOWN_TURN])[track.segment]
    return track.angle_deg + 360.0 * np.maximum(turn, 0), turn != UNKNOWN_TURN


def _spark_tdc(facts: Facts, coils: Sequence[Track], unrolled: Unrolled, alignment: Alignment) -> _Tdc | None:
    """TDC by what lights cylinder 1's charge plus the usual advance."""
    injected = facts.ignition == COMPRESSION
    for track in coils:
        if track.line.cylinder != 1 or len(track) < 3:
            continue
        single = once_per_cycle(track, facts.cycle_deg) and facts.ignition in (None, "coil-per-cylinder", COMPRESSION)
        if not single and facts.ignition != "wasted-spark":
            continue
        period = facts.cycle_deg if single else 360.0
        angle, known = _aligned(track, alignment)
        cranking = unrolled.angle.rpm(track.time_s, 180.0) < PARKED_RPM
        slow = int((cranking & known).sum()) >= 3
        use = known & cranking if slow else known
        if use.sum() < 3:
            continue
        centre = circular.median(angle[use], period)
        if circular.spread(angle[use], centre, period) > SPARK_SPREAD_DEG:
            continue
        advance, doubt = (
            (CRANKING_ADVANCE_DEG, CRANKING_DOUBT_DEG) if slow else (RUNNING_ADVANCE_DEG, RUNNING_DOUBT_DEG)
        )
        if injected:
            advance, doubt = INJECTION_ADVANCE_DEG, INJECTION_DOUBT_DEG
        what, usual = ("injection", "memory") if injected else ("spark", "common practice")
        return _Tdc(
            float(np.mod(centre + advance, period)), "injector" if injected else "coil", 0.4 if slow else 0.3, doubt,
            single,
            f"cylinder 1's TDC inferred from its {what}s, taken as {advance:g} degrees before it ({usual}): "
            f"good to {doubt:g} degrees at best and no measure of the {what}",
        )  # fmt: skip
    return None


def _turn_by_cam(facts: Facts, patterns: Sequence[Pattern], tdc_deg: float) -> tuple[int, float] | None:
    """(turn in which the firing TDC lies, margin) by the described cam edges."""
    total = np.zeros(2)
    for p in patterns:
        said = facts.cam_for(p.track.line)
        if said is None or not said.edges_deg or not p.edges:
            continue
        for h in (0, 1):
            near = np.arange(-SEARCH_DEG, SEARCH_DEG + 1, 1.0)
            total[h] += max(
                match(p.edges, said, tdc_deg + 360.0 * h + s, flip) - 0.004 * abs(s) - 0.3 * flip
                for s in near for flip in (False, True)
            )  # fmt: skip
    margin = float(abs(total[0] - total[1]))
    return (int(np.argmax(total)), margin) if margin >= PLACE_MARGIN else None


def _in_window(late_deg: Array) -> Array:
    return np.asarray((late_deg >= EARLIEST_SPARK_DEG) & (late_deg <= LATEST_SPARK_DEG))


def _turn_by_coil(
    facts: Facts, coils: Sequence[Track], alignment: Alignment, tdc_deg: float
) -> tuple[int, float] | None:
    """(turn, share) by the coils of cylinders whose firing TDC is known: their sparks lie at the firing one."""
    if facts.ignition in ("wasted-spark", "distributor"):
        return None
    votes = np.zeros(2)
    for track in coils:
        firing = facts.firing_deg.get(track.line.cylinder or 0)
        if firing is None:
            continue
        angle, known = _aligned(track, alignment)
        for h in (0, 1):
            votes[h] += _in_window(circular.signed(angle[known] - tdc_deg - firing - 360.0 * h, 720.0)).sum()
    if votes.sum() < 2:
        return None
    share = float(votes.max() / votes.sum())
    return (int(np.argmax(votes)), share) if share >= ONE_TURN_SHARE else None


def _segment_turns(unrolled: Unrolled, alignment: Alignment) -> tuple[int, ...]:
    """Turn to add to each segment of CrankAngle (alignment and bridged losses together), modulo two."""
    pairs = zip(alignment.turn, unrolled.shift_turns, strict=True)
    return tuple(UNKNOWN_TURN if t == UNKNOWN_TURN else (t + s) % 2 for t, s in pairs)


def find_phase(
    facts: Facts,
    wheel: WheelResult,
    setup: Setup,
    unrolled: Unrolled,
    alignment: Alignment,
    patterns: Sequence[Pattern],
    coils: Sequence[Track],
    pressure: PressureTdc | None = None,
    injectors: Sequence[Track] = (),
    count: Count | None = None,
    pipes: Pipes | None = None,
) -> Phase:
    """The phase, with where it comes from and how sure it is. coils, injectors: commands of each line."""
    turns = _segment_turns(unrolled, alignment)
    if facts.ignition == COMPRESSION:  # what is injected burns at once: the injectors stand for the coils
        coils = [first_of_charge(t) for t in injectors]
    place = None if count is None else ripple_place(count, unrolled, alignment)
    said = _setup_tdc(facts, wheel, setup)
    tdc = said if isinstance(said, _Tdc) else None
    if tdc is None and wheel.layout is not None:
        tdc = _by_pressure(pressure, facts) or _cam_tdc(facts, patterns)
        tdc = tdc or _ripple_tdc(count, place) or _spark_tdc(facts, coils, unrolled, alignment)
    if tdc is None:
        why = said if isinstance(said, str) else ""
        return Phase(False, False, None, "", 0.0, f"{UNKNOWN} ({why})" if why else UNKNOWN, turns)
    if facts.strokes == 2:
        words = f"0 to 360 after cylinder 1's TDC (two-stroke); {tdc.words}"
        return Phase(
            True, False, tdc.deg % 360.0, tdc.source, tdc.certainty, words, turns, tdc.source, "", tdc.doubt_deg
        )
    if tdc.turn_known:
        words = f"0 to 720 after cylinder 1's firing TDC; {tdc.words}"
        return Phase(
            True, True, tdc.deg, tdc.source, tdc.certainty, words, turns, tdc.source, tdc.source, tdc.doubt_deg
        )
    phase = _with_turn(tdc, facts, alignment, patterns, coils, turns, pressure, place)
    if phase.turn_known or pipes is None or count is None:
        return phase
    return _by_pipes(phase, tdc, pipes.turn(alignment, count, facts.firing_deg, tdc.deg))


def _by_pipes(phase: Phase, tdc: _Tdc, told: PipeTurn | None) -> Phase:
    """The turn by the pulses in a pipe, where they tell it."""
    if told is None or told.turn is None:
        return phase if told is None else replace(phase, why_no_turn=told.because)
    return replace(
        phase, turn_known=True, tdc_deg=float(np.mod(tdc.deg + 360.0 * told.turn, 720.0)), turn_source="pulses",
        certainty=tdc.certainty * TURN_CERTAINTY * told.certainty,
        reference=f"0 to 720 after cylinder 1's firing TDC; {tdc.words}, the turn by {told.because}",
    )  # fmt: skip


def _ripple_tdc(count: Count | None, place: tuple[float, float] | None) -> _Tdc | None:
    """TDC and turn by the ripple of cranking."""
    deg = None if count is None else whole_cycle(count, place)
    if deg is None:
        return None
    return _Tdc(
        deg, "ripple", RIPPLE_CERTAINTY, RIPPLE_DOUBT_DEG, True,
        f"cylinder 1's firing TDC by compression in the ripple of cranking, good to {RIPPLE_DOUBT_DEG:g} degrees",
    )  # fmt: skip


def _by_pressure(found: PressureTdc | None, facts: Facts) -> _Tdc | None:
    """TDC and turn by the pressure in a cylinder without spark."""
    if found is None:
        return None
    return _Tdc(found.deg, "pressure", found.certainty, found.doubt_deg, facts.strokes != 2, found.words)


def _with_turn(
    tdc: _Tdc,
    facts: Facts,
    alignment: Alignment,
    patterns: Sequence[Pattern],
    coils: Sequence[Track],
    turns: tuple[int, ...],
    pressure: PressureTdc | None,
    place: tuple[float, float] | None,
) -> Phase:
    """The turn added to a TDC that is known within the turn."""
    cam = _turn_by_cam(facts, patterns, tdc.deg)
    by_pressure = None if pressure is None else pressure.turn(tdc.deg)
    if by_pressure is not None and (cam is None or cam[0] == by_pressure):
        # a cam that says the other turn wins: a cylinder's number is told wrong sooner than a cam turns by half
        certainty = tdc.certainty * pressure.certainty if pressure is not None else 0.0
        words = f"0 to 720 after cylinder 1's firing TDC; {tdc.words}, the turn by the pressure in a cylinder"
        deg = float(np.mod(tdc.deg + 360.0 * by_pressure, 720.0))
        return Phase(True, True, deg, tdc.source, certainty, words, turns, tdc.source, "pressure", tdc.doubt_deg)
    coil = None if cam else _turn_by_coil(facts, coils, alignment, tdc.deg)
    ripple = None if cam or coil else turn_by_ripple(place, tdc.deg)
    found = cam or coil or (None if ripple is None else (ripple, 1.0))
    if found is None:
        words = f"0 to 360 after a TDC of cylinder 1 (which turn fires is not known); {tdc.words}"
        return Phase(True, False, tdc.deg, tdc.source, tdc.certainty, words, turns, tdc.source, "", tdc.doubt_deg)
    lit = "injector" if facts.ignition == COMPRESSION else "coil"
    source = "cam" if cam else lit if coil else "ripple"
    # a cam tells the turn by metal; a coil only what the control unit believes
    certainty = tdc.certainty * (min(0.98, 0.8 + found[1]) if cam else TURN_CERTAINTY * found[1])
    by = "compression in the ripple of cranking" if source == "ripple" else f"the {source} line"
    words = f"0 to 720 after cylinder 1's firing TDC; {tdc.words}, the turn by {by}"
    deg = float(np.mod(tdc.deg + 360.0 * found[0], 720.0))
    return Phase(True, True, deg, tdc.source, certainty, words, turns, tdc.source, source, tdc.doubt_deg)
