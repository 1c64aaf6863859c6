"""The fitted wheel under the sensor: teeth with their faults, and what the sensor makes of one turn."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from witnessmark.simulate.layouts import Wheel
from witnessmark.simulate.parts import Edges
from witnessmark.simulate.scenario import Scenario

F64 = NDArray[np.float64]

TABLE_STEP_DEG = 0.02
TABLE_ROWS = round(360.0 / TABLE_STEP_DEG)
RPM_200_RAD_S = 200.0 / 60.0 * 2.0 * np.pi


@dataclass(frozen=True)
class Teeth:
    """Physical teeth of the fitted wheel, m of them by angle from the design's slot 1.

    slot: design slot (0 for a tooth that the design has not). mark_deg, width_deg: as the wheel really is.
    height: share of a sound tooth's flux. miss, miss_below, below_rpm: passages without a pulse (two-level).
    """

    slot: NDArray[np.int64]
    mark_deg: F64
    width_deg: F64
    height: F64
    miss: F64
    miss_below: F64
    below_rpm: F64

    def sorted(self) -> Teeth:
        """By angle."""
        o = np.argsort(self.mark_deg, kind="stable")
        return Teeth(*(getattr(self, n)[o] for n in self.__dataclass_fields__))


@dataclass(frozen=True)
class Turn:
    """One turn of the line. table: variable-reluctance volts per rad/s every TABLE_STEP_DEG (else None)."""

    edges: Edges
    teeth: Teeth
    table: F64 | None


def _sound(wheel: Wheel, scenario: Scenario, rng: np.random.Generator) -> Teeth:
    n = len(wheel.teeth_deg)
    error = rng.normal(0.0, 1.0, n) * scenario.wheel.pitch_error_deg
    error += scenario.wheel.runout_deg * np.cos(np.deg2rad(wheel.teeth_deg) - rng.uniform(0.0, 2.0 * np.pi))
    zero, one = np.zeros(n), np.ones(n)
    return Teeth(
        np.asarray(wheel.tooth_slots, np.int64), wheel.teeth_deg + error, wheel.widths_deg.copy(), one, zero, zero, one
    )


def _faulty(teeth: Teeth, wheel: Wheel, scenario: Scenario) -> Teeth:
    """Apply the faults that sit on the wheel (weak teeth of a variable-reluctance line are solved for later)."""
    hall = scenario.sensor.kind == "hall"
    for fault in scenario.fault:
        at = np.isin(teeth.slot, fault.slots)
        if fault.kind == "tooth-absent":
            teeth = Teeth(*(getattr(teeth, n)[~at] for n in teeth.__dataclass_fields__))
        elif fault.kind == "tooth-weak" and hall:
            below = np.where(at, fault.share, teeth.miss_below)
            teeth = replace(teeth, miss_below=below, below_rpm=np.where(at, min(fault.below_rpm, 1e7), teeth.below_rpm))
        elif fault.kind == "tooth-displaced":
            teeth = replace(teeth, mark_deg=teeth.mark_deg + np.where(at, fault.deg, 0.0))
        elif fault.kind == "tooth-extra":
            height = fault.amplitude if not hall else 1.0
            width = float(np.median(wheel.widths_deg))
            teeth = _extra(teeth, fault.deg % 360.0, width, height, marks_at_end(scenario))
        elif fault.kind == "wheel-runout":
            wave = fault.deg * np.cos(np.deg2rad(teeth.mark_deg - fault.phase_deg))
            teeth = replace(teeth, mark_deg=teeth.mark_deg + wave)
    return teeth.sorted()


def _extra(teeth: Teeth, deg: float, width: float, height: float, at_end: bool) -> Teeth:
    """One more tooth with its marking edge at ``deg``; its metal takes at most half the room up to its neighbour's."""
    room = deg - teeth.mark_deg if at_end else teeth.mark_deg - deg
    width = min(width, 0.5 * float(np.min(room % 360.0)))
    add = (0, deg, width, height, 0.0, 0.0, 1.0)
    return Teeth(
        *(
            np.append(getattr(teeth, n), np.array(v, getattr(teeth, n).dtype))
            for n, v in zip(teeth.__dataclass_fields__, add, strict=True)
        )
    )


def _slope_table(mark_deg: F64, height: F64, sigma_deg: F64) -> F64:
    """Change of flux with angle: each tooth a bell of width sigma; positive as a tooth comes, negative as it leaves.

    A tooth alone gives the same half wave whatever its width.
    """
    grid = np.arange(TABLE_ROWS) * TABLE_STEP_DEG
    out = np.zeros(TABLE_ROWS)
    for mark, high, sigma in zip(mark_deg, height, sigma_deg, strict=True):
        x = ((grid - mark + 180.0) % 360.0 - 180.0) / sigma
        near = np.abs(x) < 6.0
        out[near] -= high * x[near] * np.exp(-0.5 * x[near] ** 2)
    return out


def _falling(table: F64) -> tuple[F64, F64, F64]:
    """Falling zero crossings of a turn: angle, the peak before and the trough after (sizes)."""
    nxt = np.roll(table, -1)
    down = np.flatnonzero((table > 0) & (nxt <= 0))
    up = np.flatnonzero((table <= 0) & (nxt > 0))
    if not len(down) or not len(up):
        return np.zeros(0), np.zeros(0), np.zeros(0)
    angle = (down + table[down] / (table[down] - nxt[down])) * TABLE_STEP_DEG
    twice = np.concatenate([table, table])
    before, after = np.empty(len(down)), np.empty(len(down))
    for n, d in enumerate(down):
        u = up[np.searchsorted(up, d, side="right") - 1]  # -1 wraps to the last of the turn before
        v = up[np.searchsorted(up, d, side="right") % len(up)]
        before[n] = twice[u : d + 1 + (TABLE_ROWS if u > d else 0)].max()
        after[n] = -twice[d : v + 1 + (TABLE_ROWS if v < d else 0)].min()
    return angle, before, after


def _near(angle: F64, mark: float, pitch: float) -> int | None:
    """Index of the crossing nearest to a mark, None when none lies within half a pitch."""
    if not len(angle):
        return None
    off = np.abs((angle - mark + 180.0) % 360.0 - 180.0)
    n = int(np.argmin(off))
    return n if off[n] < 0.5 * pitch else None


def _sigma(mark_deg: F64, own: NDArray[np.bool_], scenario: Scenario, pitch: float) -> F64:
    """Width of each tooth's flux in degrees: the sensor's reach, less where a neighbour stands closer than a pitch.

    Only the wheel's ``own`` teeth count as neighbours: metal that does not belong there adds its flux to theirs, it
    does not sharpen the sensor. On a fine wheel it fills the valley and the teeth beside it merge.

    The default reach was fitted to a measured 60-2 line: intervals of 5.4, 19.0 and 5.5 degrees at the gap and flanks
    three times a regular half wave (0.415 of a 6 degree pitch gives 5.5, 19.0, 5.5 and 3.4). On a coarser wheel the
    same sensor reaches over a smaller share of the pitch.
    """
    blur = scenario.sensor.blur if scenario.sensor.blur is not None else min(0.415, max(0.14, 2.49 / pitch))
    closest = np.full(len(mark_deg), pitch)
    order = np.flatnonzero(own)[np.argsort(mark_deg[own])]
    gaps = np.diff(np.append(mark_deg[order], mark_deg[order][0] + 360.0))
    closest[order] = np.minimum(gaps, np.roll(gaps, 1))
    return np.asarray(blur * np.where(closest < 0.75 * pitch, closest, pitch))


def _pulse(mark: F64, height: F64, sigma: F64, n: int, pitch: float) -> float:
    """Half wave left at tooth n, the smaller of the two; 0 where it gives no crossing."""
    angle, before, after = _falling(_slope_table(mark, height, sigma))
    at = _near(angle, mark[n], pitch)
    return 0.0 if at is None else float(min(before[at], after[at]))


def _solve_heights(teeth: Teeth, scenario: Scenario, sigma: F64, pitch: float, sound: float) -> F64:
    """Tooth heights that leave the asked share of a sound pulse at each weak tooth (by bisection)."""
    height = teeth.height.copy()
    for fault in scenario.fault:
        if fault.kind != "tooth-weak":
            continue
        for n in np.flatnonzero(np.isin(teeth.slot, fault.slots)):
            low, high = 0.0, 1.0
            for _ in range(12):
                height[n] = 0.5 * (low + high)
                if _pulse(teeth.mark_deg, height, sigma, int(n), pitch) > fault.amplitude * sound:
                    high = height[n]
                else:
                    low = height[n]
    return height


def _solve_displacement(teeth: Teeth, scenario: Scenario, sigma: F64, pitch: float) -> F64:
    """Tooth positions whose zero crossing is displaced by the asked angle: overlapping flux moves it by more."""
    mark = teeth.mark_deg.copy()
    for fault in scenario.fault:
        if fault.kind != "tooth-displaced" or abs(fault.deg) < 1e-9:
            continue
        for n in np.flatnonzero(np.isin(teeth.slot, fault.slots)):
            drawn = teeth.mark_deg[n] - fault.deg
            zero = mark.copy()
            zero[n] = drawn
            angle, _, _ = _falling(_slope_table(zero, teeth.height, sigma))
            at = _near(angle, drawn, pitch)
            home = drawn if at is None else float(angle[at])
            low, high = 0.0, 1.5
            for _ in range(12):
                share = 0.5 * (low + high)
                mark[n] = drawn + share * fault.deg
                angle, _, _ = _falling(_slope_table(mark, teeth.height, sigma))
                at = _near(angle, drawn + share * fault.deg, pitch)
                moved = 2.0 if at is None else ((float(angle[at]) - home + 180.0) % 360.0 - 180.0) / fault.deg
                if moved > 1.0:
                    high = share
                else:
                    low = share
    return mark


def _modulation(scenario: Scenario, rng: np.random.Generator) -> F64:
    """Amplitude over one turn about 1: slow waves and one local step on sound wheels, order 1 with runout."""
    grid = np.deg2rad(np.arange(TABLE_ROWS) * TABLE_STEP_DEG)
    out = np.ones(TABLE_ROWS)
    if scenario.sensor.modulation > 0.0:
        wave = sum(rng.normal() / order * np.cos(order * grid + rng.uniform(0.0, 2.0 * np.pi)) for order in range(1, 5))
        centre, width = rng.uniform(0.0, 2.0 * np.pi), rng.uniform(0.2, 0.8)
        wave = wave + rng.normal() * np.exp(-0.5 * (((grid - centre + np.pi) % (2 * np.pi) - np.pi) / width) ** 2)
        wave = wave - wave.mean()
        out = out + scenario.sensor.modulation * wave / np.abs(wave).max()
    for fault in scenario.fault:
        if fault.kind == "wheel-runout":
            out = out * (1.0 + fault.amplitude_runout * np.cos(grid - np.deg2rad(fault.phase_deg + 90.0)))
    return out


def gain(scenario: Scenario) -> float:
    """Share of the swing left by faults of the air gap."""
    return float(np.prod([f.amplitude for f in scenario.fault if f.kind == "signal-low"] or [1.0]))


def reversed_at(scenario: Scenario, where: str) -> bool:
    """Whether a polarity fault sits at the sensor or at the probe."""
    return any(f.kind == "polarity-reversed" and (f.where or "sensor") == where for f in scenario.fault)


def _vr(wheel: Wheel, teeth: Teeth, scenario: Scenario, rng: np.random.Generator) -> Turn:
    pitch = wheel.pitch_deg
    sigma = _sigma(teeth.mark_deg, teeth.slot > 0, scenario, pitch)
    sound_teeth = _sound(wheel, scenario, np.random.default_rng(0))
    sound_sigma = _sigma(wheel.teeth_deg, np.ones(len(wheel.teeth_deg), bool), scenario, pitch)
    _, before, after = _falling(_slope_table(wheel.teeth_deg, sound_teeth.height, sound_sigma))
    sound = float(np.median(np.minimum(before, after)))
    teeth = replace(teeth, mark_deg=_solve_displacement(teeth, scenario, sigma, pitch))
    teeth = replace(teeth, height=_solve_heights(teeth, scenario, sigma, pitch, sound))
    table = _slope_table(teeth.mark_deg, teeth.height, sigma) * (scenario.sensor.peak_v / RPM_200_RAD_S / sound)
    table = table * _modulation(scenario, rng) * gain(scenario)
    heard = -table if reversed_at(scenario, "sensor") else table
    angle, before, _ = _falling(heard)
    order = np.argsort(angle)
    angle, before = angle[order], before[order]
    tooth = np.array([int(np.argmin(np.abs((teeth.mark_deg - a + 180.0) % 360.0 - 180.0))) for a in angle], np.int64)
    return Turn(_edges(scenario, angle, tooth, np.ones(len(angle), bool), before, teeth), teeth, table)


def marks_at_end(scenario: Scenario) -> bool:
    """Two-level line: whether the marking edge is the tooth's end (as it leaves) rather than its beginning."""
    return scenario.sensor.tooth_high == (scenario.sensor.edge == "falling")


def _inside_other(angle: F64, tooth: NDArray[np.int64], begin: F64, width: F64) -> NDArray[np.bool_]:
    """Edges that another tooth's metal covers: two teeth that touch are one to the sensor."""
    into = (angle[:, None] - begin[None, :]) % 360.0
    other = tooth[:, None] != np.arange(len(begin))[None, :]
    return np.asarray(np.any(other & (into > 0.0) & (into < width[None, :]), axis=1))


def _hall(teeth: Teeth, scenario: Scenario) -> Turn:
    mark = teeth.mark_deg
    at_end = marks_at_end(scenario)
    other = mark - teeth.width_deg if at_end else mark + teeth.width_deg
    angle = np.concatenate([mark, other]) % 360.0
    tooth = np.tile(np.arange(len(mark)), 2)
    marking = np.repeat([True, False], len(mark))
    bare = ~_inside_other(angle, tooth, other if at_end else mark, teeth.width_deg)
    angle, tooth, marking = angle[bare], tooth[bare], marking[bare]
    order = np.argsort(angle, kind="stable")
    return Turn(_edges(scenario, angle[order], tooth[order], marking[order], np.zeros(len(order)), teeth), teeth, None)


def _edges(
    scenario: Scenario, angle: F64, tooth: NDArray[np.int64], marking: NDArray[np.bool_], volts: F64, teeth: Teeth
) -> Edges:
    dropped = [f.share for f in scenario.fault if f.kind == "edges-dropped"]
    miss = np.maximum(teeth.miss, max(dropped, default=0.0))[tooth]
    s = scenario.sensor
    high = s.low_v + (s.high_v - s.low_v) * gain(scenario)
    return Edges(
        angle_deg=angle, tooth=tooth, marking=marking, amplitude=volts, miss=miss, miss_below=teeth.miss_below[tooth],
        below_rad_s=teeth.below_rpm[tooth] * (2.0 * np.pi / 60.0), jitter_deg=s.jitter_deg if s.kind == "hall" else 0.0,
        startup_deg=s.startup_error_deg if s.kind == "hall" else 0.0, offset_deg=0.0, two_level=s.kind == "hall",
        delay_s=sum(f.delay_us for f in scenario.fault if f.kind == "sensor-delay") * 1e-6,
        loose_deg=sum(f.deg for f in scenario.fault if f.kind == "wheel-loose"),
        visible=high > s.low_v + 0.45 * (s.high_v - s.low_v),
    )  # fmt: skip


def build_turn(fitted: Wheel, scenario: Scenario, rng: np.random.Generator) -> Turn:
    """The fitted wheel with its faults as the sensor of the scenario shows it."""
    teeth = _faulty(_sound(fitted, scenario, rng), fitted, scenario)
    return _vr(fitted, teeth, scenario, rng) if scenario.sensor.kind == "vr" else _hall(teeth, scenario)
