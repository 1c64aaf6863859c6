"""Cams that move in time: hunting phasers, loose targets, and what moves all cams alike (loose wheel, slow sensor)."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from witnessmark.engine.coasting import CoastingRipple, coasting_ripple
from witnessmark.engine.model import Cam
from witnessmark.findings.measured import Measured, Outcome, beyond
from witnessmark.findings.model import Finding
from witnessmark.signals.role_words import camshaft_in

Array = NDArray[np.float64]

# Below this speed the engine is cranked (common practice).
CRANKING_RPM = 450.0
LEAST_CYCLES = 8
STEADY = 1.35  # largest over smallest speed of cycles at one speed: an uneven idle wanders by less (common practice)
DEG_PER_RPM_S = 6.0  # crank degrees a second for each rpm
# Share of the cam's motion over the record that speed must explain before a fixed delay is believed.
LINEAR = 0.85


def _motion(cam: Cam) -> tuple[Array, Array, Array] | None:
    if cam.motion is None or len(cam.motion.time_s) < LEAST_CYCLES:
        return None
    ok = np.isfinite(cam.motion.rpm) & np.isfinite(cam.motion.shift_deg)
    if ok.sum() < LEAST_CYCLES:
        return None
    return cam.motion.time_s[ok], cam.motion.shift_deg[ok], cam.motion.rpm[ok]


def _steady(rpm: Array) -> slice:
    """The longest run of cycles of one speed while running: with speed a phaser is meant to move."""
    best = slice(0, 0)
    start = 0
    for i in range(len(rpm)):
        while start <= i and (
            rpm[start] <= CRANKING_RPM or np.max(rpm[start : i + 1]) > STEADY * np.min(rpm[start : i + 1])
        ):
            start += 1
        if i + 1 - start > best.stop - best.start:
            best = slice(start, i + 1)
    return best


def swings(shift_deg: Array, least_deg: float) -> int:
    """How often the cam turns back after moving by ``least_deg`` or more."""
    count, low, high, way = 0, shift_deg[0], shift_deg[0], 0
    for x in shift_deg:
        low, high = min(low, x), max(high, x)
        if way >= 0 and high - x >= least_deg:
            count += way > 0
            way, low = -1, x
        elif way <= 0 and x - low >= least_deg:
            count += way < 0
            way, high = 1, x
    return count


def wander(m: Measured) -> Outcome:
    """A cam that swings back and forth while running, or one edge that wanders among the others."""
    out = Outcome()
    for cam in m.engine.cams:
        out += _hunting(m, cam) + _edge(m, cam)
    return out


def _hunting(m: Measured, cam: Cam) -> Outcome:
    got = _motion(cam)
    if got is None:
        return Outcome()
    time, shift, rpm = got
    run = _steady(rpm)
    if run.stop - run.start < LEAST_CYCLES:
        return Outcome()
    smooth = np.convolve(shift[run], np.ones(3) / 3.0, "valid")
    limit = m.limits["cam.swing_deg"]
    count = swings(smooth, limit)
    size = float(np.quantile(smooth, 0.95) - np.quantile(smooth, 0.05))
    if count < m.limits["cam.swings"]:
        return Outcome()
    others = [g[1] for c in m.engine.cams if c is not cam and (g := _motion(c)) is not None]
    alike = max((float(np.ptp(o)) for o in others), default=0.0)
    beside = f", the other cams by less than {alike:.1f}" if others else ""
    finding = Finding(
        "", "cam-wander", cam.channel, "time",
        f"{cam.channel} swings back and forth by {size:.1f} degrees, {count} times in "
        f"{time[run][-1] - time[run][0]:.1f} s of running at a steady {np.median(rpm[run]):.0f} rpm{beside}.",
        beyond(size / limit) if not others or alike < 0.5 * size else 0.4,
        (m.stretch(cam.channel, float(time[run][0]), float(time[run][-1])),), None,
        start_s=float(time[run][0]), end_s=float(time[run][-1]), value=size, unit="deg",
        evidence={"swing_deg": size, "swings": count, "cycles": run.stop - run.start, "others_deg": alike},
    )  # fmt: skip
    return Outcome((finding,))


def _edge(m: Measured, cam: Cam) -> Outcome:
    """One edge that wanders against the others of its cycle."""
    if cam.motion is None:
        return Outcome()
    sd = np.asarray(cam.motion.edge_sd_deg)
    seen = np.asarray(cam.motion.edge_seen)
    ok = np.isfinite(sd) & (seen >= m.limits["cam.edge_cycles"])
    if ok.sum() < 3:
        return Outcome()
    order = np.argsort(-np.where(ok, sd, 0.0))
    worst, middle = float(sd[order[0]]), float(np.median(sd[ok]))
    limit = max(m.limits["cam.edge_wander_deg"], 4.0 * middle, 2.5 * float(sd[order[1]]))
    if worst < 0.8 * limit:
        return Outcome()
    finding = Finding(
        "", "cam-wander", cam.channel, "cam",
        f"One edge of {cam.channel} wanders by ± {worst:.1f} degrees from cycle to cycle, the others by "
        f"± {middle:.1f}.",
        beyond(worst / limit), (m.stretch(cam.channel, float(cam.motion.time_s[0]), float(cam.motion.time_s[-1])),),
        None, value=worst, unit="deg",
        evidence={"edges_off": 1, "edge_sd_deg": worst, "others_sd_deg": middle, "cycles": int(seen[order[0]])},
    )  # fmt: skip
    return Outcome((finding,))


def together(m: Measured) -> Outcome:
    """What moves every cam alike: a sensor that lags by a fixed time, or a wheel that slips with torque."""
    got = [g for c in m.engine.cams if (g := _motion(c)) is not None]
    if len(got) < 2:
        return Outcome()
    time, first, rpm = got[0]
    rows = [first, *(np.interp(time, t, s) for t, s, _ in got[1:])]
    one = _unbroken(m, time)
    if one.sum() < LEAST_CYCLES:
        return Outcome()
    time, rpm, rows = time[one], rpm[one], [r[one] for r in rows]
    if max(rpm) < 1.5 * min(rpm):
        return _loose(m, time, rows, rpm)
    slopes = [np.polynomial.polynomial.polyfit(rpm, r, 1) for r in rows]
    per_rpm = np.array([s[1] for s in slopes])
    common = np.mean(rows, axis=0)
    left = common - np.polynomial.polynomial.polyval(rpm, np.polynomial.polynomial.polyfit(rpm, common, 1))
    linear = 1.0 - float(np.var(left) / max(np.var(common), 1e-12))
    delay_us = -float(np.median(per_rpm)) / DEG_PER_RPM_S * 1e6
    moved = abs(float(np.median(per_rpm))) * float(np.ptp(rpm))
    alike = float(np.ptp(per_rpm)) < 0.3 * abs(float(np.median(per_rpm)))
    enough = delay_us > 0.8 * m.limits["cam.delay_us"] and moved > m.limits["cam.delay_deg"]
    if alike and linear > LINEAR and enough:
        sure = _not_phased(m) or _of_both_kinds(m)
        lags = beyond(delay_us / m.limits["cam.delay_us"])
        finding = Finding(
            "", "wheel-shifted", m.channel, "speed",
            f"Every cam comes earlier against the wheel the faster the engine turns, by {moved:.1f} degrees from "
            f"{min(rpm):.0f} to {max(rpm):.0f} rpm: the crank signal lags by {delay_us:.0f} microseconds"
            + ("." if sure else ", unless phasers were moved with speed."),
            lags if sure else min(0.3, lags), (m.stretch(m.channel, float(time[0]), float(time[-1])),), None,
            start_s=float(time[0]), end_s=float(time[-1]), value=delay_us, unit="us",
            evidence={"delay_us": delay_us, "moved_deg": moved, "cams": len(rows), "linear": linear},
        )  # fmt: skip
        return Outcome((finding,))
    return _loose(m, time, rows, rpm)


def _unbroken(m: Measured, time_s: Array) -> NDArray[np.bool_]:
    """Cycles in the piece of rotation that holds most of them: another may be placed some slots off on the wheel."""
    begins = np.array([s.start_s for s in m.wheel.angle.segments])
    piece = np.searchsorted(begins, time_s, side="right")
    return np.asarray(piece == np.bincount(piece).argmax())


def _loose(m: Measured, time: Array, rows: list[Array], rpm: Array) -> Outcome:
    """Cams that move alike although their own drives have nothing in common with the wheel's seat.

    Phasers may be moved alike too (both intake cams of a V engine): where they may, the wheel's own speed must say that
    it rocks.
    """
    smooth = [np.convolve(r, np.ones(3) / 3.0, "valid") for r in rows]
    common = np.mean(smooth, axis=0)
    size = float(np.quantile(common, 0.98) - np.quantile(common, 0.02))
    apart = max(float(np.quantile(np.abs(s - common - np.median(s - common)), 0.9)) for s in smooth)
    ripple = coasting_ripple(m.wheel.angle)
    rocks = ripple if ripple is not None and _rocking(m, ripple) else None
    fixed = _not_phased(m)
    if ripple is not None and rocks is None and not fixed:
        return Outcome()  # the wheel sits fast: phasers
    limit = m.limits["cam.common_rocking_deg" if rocks else "cam.common_deg"]
    if size < 0.8 * limit or apart > m.limits["cam.common_alike"] * size:
        return Outcome()
    sure = rocks is not None or fixed
    doubt = ", unless their phasers were moved alike (the setup can say that they have none)"
    finding = Finding(
        "", "wheel-shifted", m.channel, "speed",
        f"All {len(rows)} cams move together against the wheel, by {size:.1f} degrees as load and speed change, and by "
        f"no more than {apart:.1f} against each other: the wheel moves on the crank"
        + (_rocking_words(rocks) if sure else doubt) + ".",
        beyond(size / limit) if sure else min(0.3, beyond(size / limit)),
        (m.stretch(m.channel, float(time[0]), float(time[-1])),), None,
        start_s=float(time[0]), end_s=float(time[-1]), value=size, unit="deg",
        evidence={
            "swing_deg": size, "apart_deg": apart, "cams": len(rows), "rpm_range": float(np.ptp(rpm)),
            **({} if rocks is None else {"coasting_ripple": rocks.coasting, "ripple_growth": rocks.growth}),
        },
    )  # fmt: skip
    return Outcome((finding,))


def _rocking(m: Measured, ripple: CoastingRipple) -> bool:
    """Whether the wheel's speed ripples more while coasting than firing strokes can make it."""
    return ripple.growth > m.limits["wheel.coasting_growth"] and ripple.coasting > m.limits["wheel.coasting_ripple"]


def _rocking_words(ripple: CoastingRipple | None) -> str:
    if ripple is None:
        return ""
    return (
        f"; its speed ripples by {100.0 * ripple.coasting:.1f} per cent while coasting at {ripple.coasting_rpm:.0f} "
        f"rpm, {ripple.growth:.1f} times what the strokes at idle foretell"
    )


def _not_phased(m: Measured) -> bool:
    """Whether the setup describes one of the cams that moved and gives it no phaser."""
    described = {w.channel for w in m.setup.cam_wheel}
    return any(c.channel in described and not c.phaser_range_deg for c in m.engine.cams if c.motion is not None)


def _of_both_kinds(m: Measured) -> bool:
    """Intake and exhaust cams are among them: by the setup, by their names, or as no engine has three intake cams."""
    moved = [c for c in m.engine.cams if c.motion is not None]
    kinds = {c.camshaft or camshaft_in(c.channel) for c in moved}
    return {"intake", "exhaust"} <= kinds or len(moved) > 2
