"""Cams out of time, wandering, with an edge gone or without a signal; and the wheel that has moved against them."""

from __future__ import annotations

import numpy as np

from witnessmark.engine.model import Cam
from witnessmark.findings import cam_motion, cam_rocking, pressure_tdc
from witnessmark.findings.cam_lines import lost
from witnessmark.findings.measured import Family, Measured, Outcome, beyond
from witnessmark.findings.model import Finding, NotAssessed
from witnessmark.findings.valves import in_teeth, shaft_late
from witnessmark.spans import Evidence

IN_TIME = "Are the cams in time?"
# Valve events by pressure agree with a cam line within these degrees: both are good to some (common practice).
VALVES_DEG = 7.0


def find(m: Measured, earlier: Outcome) -> Outcome:
    """cam-offset, cam-wander, cam-edge-absent, cam-signal-lost and wheel-shifted."""
    out = lost(m)
    if not m.engine.cams or m.layout is None:
        return out + _by_gas_alone(m)
    judged = [c for c in m.engine.cams if c.offset_deg is not None and c.cycles >= m.limits["cam.least_cycles"]]
    common = cam_rocking.rocking(m)
    if not any(f.stated for f in common.found):
        common += cam_motion.together(m)
    out += common
    if not any(f.stated for f in common.found):  # a wheel that slips or a sensor that lags moves every cam's edges
        offsets = _offsets(m, judged)
        out += offsets + cam_motion.wander(m)
        if not any(f.kind == "wheel-shifted" for f in offsets.found):
            out += _by_gas_alone(m)
    out += _edges(m, judged)
    return out + Outcome(not_assessed=_open(m, judged))


def _open(m: Measured, judged: list[Cam]) -> tuple[NotAssessed, ...]:
    silent = [c.channel for c in m.engine.cams if c not in judged]
    if not silent:
        return ()
    why = "the setup does not describe them, or the record does not show where TDC and the firing turn are"
    return (NotAssessed(
        IN_TIME, f"{', '.join(silent)}: {why}",
        "a setup with tdc_slot and the cam's edges (witnessmark learn makes one from a good engine of the kind), and "
        "two cycles of cranking",
    ),)  # fmt: skip


def _tolerance(m: Measured, cam: Cam) -> float:
    return cam.tolerance_deg or m.limits["cam.tolerance_deg"]


def _parked(cam: Cam) -> bool:
    """Whether the record shows the cam with its phaser parked: a cycle at cranking speed."""
    return cam.motion is not None and bool(np.any(cam.motion.rpm < cam_motion.CRANKING_RPM))


def _when(m: Measured, cam: Cam) -> tuple[Evidence, ...]:
    if cam.motion is None or len(cam.motion.time_s) == 0:
        return (m.stretch(cam.channel, m.recording.start_s, m.recording.end_s),)
    return (m.stretch(cam.channel, float(cam.motion.time_s[0]) - 0.2, float(cam.motion.time_s[-1]) + 0.2),)


# --- the cam as a whole -----------------------------------------------------------------------------------------------


def _offsets(m: Measured, judged: list[Cam]) -> Outcome:
    off = [c for c in judged if abs(c.offset_deg or 0.0) > 0.85 * _tolerance(m, c)]
    if not off:
        return Outcome()
    unsure = [c for c in off if not _parked(c) and (c.phaser_range_deg is None or c.phaser_range_deg > 0.0)]
    if len(unsure) == len(off):
        return Outcome(not_assessed=(NotAssessed(
            IN_TIME, f"{', '.join(c.channel for c in off)}: only running, where a phaser may have moved it",
            "two cycles of cranking, where the phaser is parked",
        ),))  # fmt: skip
    off = [c for c in off if c not in unsure]
    angles = np.array([c.offset_deg for c in off], dtype=np.float64)
    alike = float(np.ptp(angles)) < max(4.0, 0.25 * abs(float(np.median(angles))))
    everyone = alike and len(off) == len(judged)
    if everyone and _wheel_did_it(m, float(np.median(angles))):
        return Outcome((_moved(m, off, float(np.median(angles))),))
    return Outcome(tuple(_off(m, c, off, judged, everyone) for c in off))


def _gas(m: Measured, offset_deg: float) -> float | None:
    """Distance between "the wheel moved" and "the cams moved", by TDC from compression: positive for the wheel."""
    late = pressure_tdc.late(m)
    if late is not None:
        return abs(late) - abs(late - offset_deg)
    if m.engine.phase.tdc_source == "pressure":
        return -abs(offset_deg)  # the cam was compared with the piston itself: the wheel has no part in it
    gas = m.engine.tdc_by_gas
    if gas is None or gas.late_deg is None:
        return None
    half = 0.5 * gas.interval_deg
    as_wheel = abs((gas.late_deg - offset_deg + half) % gas.interval_deg - half)
    return abs(gas.late_deg) - as_wheel


def _wheel_did_it(m: Measured, offset_deg: float) -> bool:
    told = _gas(m, offset_deg)
    return told is not None and told > m.limits["cam.gas_margin_deg"]


def _off(m: Measured, cam: Cam, off: list[Cam], judged: list[Cam], everyone: bool) -> Finding:
    late = cam.offset_deg or 0.0
    bank = [c for c in judged if c.bank == cam.bank]
    mates = [c for c in bank if c is not cam]
    with_it = [c for c in mates if c in off and abs((c.offset_deg or 0.0) - late) < max(4.0, 0.25 * abs(late))]
    told = _gas(m, late)
    in_place = told is not None and told < -m.limits["cam.gas_margin_deg"]
    confidence = beyond(abs(late) / _tolerance(m, cam))
    words = f"{cam.channel} is {abs(late):.1f} degrees {'late' if late > 0 else 'early'} as a whole"
    if mates and not with_it:
        words += f", {', '.join(c.channel for c in mates)} on the same bank not"
    elif with_it:
        words += f", as {'is' if len(with_it) == 1 else 'are'} {', '.join(c.channel for c in with_it)}"
    if in_place:
        words += "; TDC by compression is in its place, so the cam moved and not the wheel"
    valve = shaft_late(m.engine, m.setup, m.limits, cam.bank, cam.camshaft)
    with_valves = valve is not None and abs(valve.late_deg - late) < max(VALVES_DEG, 0.35 * abs(late))
    not_valves = valve is not None and not with_valves and abs(valve.late_deg) < 0.5 * abs(late)
    if valve is not None and (with_valves or not_valves):
        told_by = "by the pressure its valves are" if with_valves else "by the pressure its valves are in time"
        words += f"; {told_by}{' as late' if with_valves and late > 0 else ' as early' if with_valves else ''}"
    return Finding(
        "", "cam-offset", cam.channel, "cam", f"{words}{in_teeth(late)} (tolerance {_tolerance(m, cam):.0f} degrees).",
        confidence, _when(m, cam), None, value=late, unit="deg",
        evidence={
            "offset_deg": late, "cycles": cam.cycles, "edges": len(cam.edges), "bank": cam.bank,
            "camshaft": cam.camshaft, "cams_judged": len(judged), "cams_off": len(off),
            "bank_mates": len(mates), "bank_mates_off": len(with_it), "all_together": int(everyone),
            "alone_on_bank": int(bool(mates) and not with_it), "tdc_in_place": int(in_place),
            "valves_agree": int(with_valves), "valves_in_place": int(not_valves),
            "tdc_told": int(told is not None and abs(told) > m.limits["cam.gas_margin_deg"]),
        },
    )  # fmt: skip


def _moved(m: Measured, off: list[Cam], late_deg: float) -> Finding:
    """All cams and TDC by compression off alike: the wheel."""
    gas, by_pressure = m.engine.tdc_by_gas, m.engine.tdc_by_pressure
    seen = pressure_tdc.late(m)
    if seen is not None and by_pressure is not None:
        name, doubt, cycles = (
            f"the pressure in cylinder {by_pressure.cylinder}",
            2.0 * by_pressure.sd_deg,
            by_pressure.cycles,
        )
        evidence: dict[str, object] = {"tdc_by_pressure_deg": seen}
    else:
        assert gas is not None
        assert gas.late_deg is not None
        name, doubt, cycles, seen = "compression", gas.doubt_deg, gas.cycles, gas.late_deg
        evidence = {"tdc_by_gas_deg": seen}
    ahead = "late" if late_deg < 0 else "early"
    confidence = beyond(abs(late_deg) / m.limits["cam.tolerance_deg"])
    if cycles >= 2:
        confidence = max(confidence, beyond(pressure_tdc.ratio(m)))
    return Finding(
        "", "wheel-shifted", m.channel, "none",
        f"Every cam ({', '.join(c.channel for c in off)}) and TDC by {name} ({seen:+.0f} degrees, "
        f"± {doubt:.0f}) are off by the same {abs(late_deg):.1f} degrees: the wheel stands {abs(late_deg):.0f} "
        f"degrees {ahead} on the crank.",
        confidence, _when(m, off[0]), None, value=-late_deg, unit="deg",
        evidence={"cams_off": len(off), "offset_deg": -late_deg, "cycles": cycles, **evidence},
    )  # fmt: skip


def _by_gas_alone(m: Measured) -> Outcome:
    """TDC by compression far from the setup's, without a cam that could be compared."""
    if m.engine.tdc_by_pressure is not None and m.engine.tdc_by_pressure.late_deg is not None:
        return pressure_tdc.alone(m)
    gas = m.engine.tdc_by_gas
    if gas is None or gas.late_deg is None or any(c.offset_deg is not None for c in m.engine.cams):
        return Outcome()
    ratio = abs(gas.late_deg) / m.limits["cam.gas_alone_deg"]
    if ratio < 0.8:
        return Outcome()
    return Outcome((Finding(
        "", "wheel-shifted", m.channel, "none",
        f"TDC by compression stands {abs(gas.late_deg):.0f} degrees (± {gas.doubt_deg:.0f}) from the setup's TDC slot; "
        "no cam in the record could be compared.",
        beyond(ratio), (m.stretch(m.channel, m.recording.start_s, m.recording.end_s),), None,
        value=-gas.late_deg, unit="deg", evidence={"tdc_by_gas_deg": gas.late_deg, "cycles": gas.cycles},
    ),))  # fmt: skip


# --- single edges -----------------------------------------------------------------------------------------------------


def _edges(m: Measured, judged: list[Cam]) -> Outcome:
    out = Outcome()
    for cam in judged:
        out += _one_edge(m, cam)
    return out


def _one_edge(m: Measured, cam: Cam) -> Outcome:
    """One edge off its place among the others, or not there at all."""
    late = np.asarray(cam.late_deg, dtype=np.float64)
    seen = np.isfinite(late)
    if cam.cycles < m.limits["cam.edge_cycles"] or seen.sum() < 2:
        return Outcome()
    out = Outcome()
    if 0 < (~seen).sum() <= 2 and seen.sum() >= 2:
        out += Outcome((_absent(m, cam, int((~seen).sum()), len(late)),))
    if seen.sum() < 4:
        return out  # with three or fewer it is open which of them is off
    rest = late - np.median(late[seen])
    order = np.argsort(-np.abs(np.where(seen, rest, 0.0)))
    worst, next_one = float(abs(rest[order[0]])), float(abs(rest[order[1]]))
    limit = max(m.limits["cam.edge_deg"], 3.0 * next_one)
    if worst < 0.8 * limit:
        return out
    finding = Finding(
        "", "cam-offset", cam.channel, "cam",
        f"One edge of {cam.channel} is {worst:.1f} degrees {'late' if rest[order[0]] > 0 else 'early'} in every cycle; "
        f"the other {int(seen.sum()) - 1} agree within {next_one:.1f}.",
        beyond(worst / limit), _when(m, cam), None, value=float(rest[order[0]]), unit="deg",
        evidence={"edges_off": 1, "edges": int(seen.sum()), "others_within_deg": next_one, "cycles": cam.cycles},
    )  # fmt: skip
    return out + Outcome((finding,))


def _absent(m: Measured, cam: Cam, gone: int, of: int) -> Finding:
    return Finding(
        "", "cam-edge-absent", cam.channel, "cam",
        f"{gone} of the {of} edges that the setup names for {cam.channel} {'is' if gone == 1 else 'are'} missing in "
        f"every one of {cam.cycles} cycles.",
        0.85 if cam.cycles >= 2 * m.limits["cam.edge_cycles"] else 0.7, _when(m, cam), None, value=float(gone),
        unit="edges", evidence={"edges_absent": gone, "edges": of, "cycles": cam.cycles},
    )  # fmt: skip


FAMILY = Family(
    "cams",
    ("cam-offset", "cam-wander", "cam-edge-absent", "cam-signal-lost", "wheel-shifted"),
    ("cam edges in crank degrees", "the setup's cam wheels", "TDC by compression", "TDC by pressure"),
    (
        "cam.least_cycles", "cam.tolerance_deg", "cam.gas_margin_deg", "cam.gas_alone_deg", "cam.edge_cycles",
        "cam.edge_deg", "cam.swing_deg", "cam.swings", "cam.edge_wander_deg", "cam.common_deg", "cam.common_alike",
        "cam.rocking_deg", "cam.common_rocking_deg", "wheel.coasting_growth", "wheel.coasting_ripple",
        "cam.delay_us", "cam.delay_deg", "cam.lost_cycles", "cam.dead_turns", "pressure.tdc_deg", "pressure.tdc_sure",
    ),
    "a camshaft turns once in two turns of the crank: what its edges do together is its drive, what one does is metal",
    find,
)  # fmt: skip
