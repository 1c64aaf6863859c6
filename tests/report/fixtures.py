"""Analyses built by hand from simulated signals (the bakery's delivery van), independent of every detection stage.

The truth is known because the signals are drawn from it: a 60-2 wheel, a variable-reluctance sensor, three start
attempts of which the last one runs. All data here is simulated.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np

from witnessmark.causes.model import Cause, NextTest, Outcome, Verdict
from witnessmark.engine.model import Attempt, Cam, CamEdge, EngineResult, Output, OutputEvent, Phase, Timeline
from witnessmark.findings.model import Finding, Findings, NotAssessed
from witnessmark.provenance import Step
from witnessmark.recording.model import ChannelInfo, Recording
from witnessmark.recording.setup import CrankWheel, Engine, Setup, Vehicle
from witnessmark.report.figures import pictures
from witnessmark.report.html import report_html
from witnessmark.report.model import Analysis
from witnessmark.report.where import whereabouts
from witnessmark.signals.model import Edges, Levels, Line, Signals
from witnessmark.spans import Evidence, Span
from witnessmark.wheel.model import (
    Alternative,
    CrankAngle,
    Extras,
    Layout,
    Motion,
    Passes,
    Segment,
    Tooth,
    WheelResult,
)

RATE = 20_000.0
SLOW_RATE = 2_000.0
END = 9.5
ATTEMPTS = ((0.5, 2.3), (3.0, 4.8), (5.5, 9.5))
SYNC_S, FIRST_FUEL_S, RUN_S = 6.7, 6.68, 7.05
SLOTS, MISSING = 60, (59, 60)
TDC_SLOT = 15.0
TEETH = tuple(s for s in range(1, SLOTS + 1) if s not in MISSING)
LAYOUT_60_2 = Layout("60-2", SLOTS, MISSING, tuple(6.0 * (s - 1) for s in TEETH), TEETH, source="setup")


class Memory:
    """Arrays as a recording's source."""

    def __init__(self, arrays):
        self.arrays = arrays

    def read(self, index, start, stop):
        return self.arrays[index][start:stop]

    def changes(self, index):
        raise NotImplementedError


def speed_rpm(t):
    """Mean speed: cranking at 190 rpm with soft ends, the last attempt catches and idles at 780 rpm."""
    out = np.zeros_like(t)
    for start, end in ATTEMPTS:
        up = np.clip((t - start) / 0.15, 0, 1)
        down = np.clip((end - t) / 0.25, 0, 1) if end < END else 1.0
        out = np.where((t >= start) & (t <= end), 190.0 * up * down, out)
    catch = np.clip((t - SYNC_S) / 0.45, 0, 1)
    return np.where(t > SYNC_S, 190.0 + (780.0 - 190.0) * catch, out)


@cache
def rotation():
    """(time s, crank angle deg, speed rpm) with compression ripple of a four-cylinder engine."""
    t = np.arange(int(END * RATE)) / RATE
    rpm = speed_rpm(t)
    mean = 130.0 + np.cumsum(6.0 * rpm) / RATE
    swing = np.where(rpm > 400, 1.0, 9.0)
    angle = mean + np.cumsum(np.diff(swing * np.sin(np.radians(2 * mean)), prepend=0.0))
    return t, np.maximum.accumulate(angle), rpm


def vr_voltage(weak):
    """The crank line in V: zero crossing downwards at each tooth's centre, amplitude proportional to speed."""
    _, angle, rpm = rotation()
    place = angle / 6.0
    nearest = np.round(place)
    slot = nearest.astype(int) % SLOTS + 1
    size = np.where(np.isin(slot, MISSING), 0.0, 1.0)
    for s, amplitude in weak.items():
        size = np.where(slot == s, amplitude, size)
    u = place - nearest
    rng = np.random.default_rng(7)
    return -rpm * 0.0045 * size * np.sin(2 * np.pi * u) + 0.01 * rng.standard_normal(len(u))


def edges_of(channel, times, rising, rate):
    """Edges at these times; the statistics of the half waves are unknown."""
    order = np.argsort(times)
    t = np.asarray(times, dtype=np.float64)[order]
    nan = np.full(len(t), np.nan, dtype=np.float32)
    place = t * rate
    return Edges(
        channel,
        t,
        np.floor(place).astype(np.int64),
        (place - np.floor(place)).astype(np.float32),
        np.asarray(rising, dtype=bool)[order],
        np.zeros(len(t), np.uint8),
        nan,
        nan,
        nan,
        nan,
    )


def levels_of(values):
    low, high = np.quantile(values, [0.05, 0.95])
    return Levels(
        float(low), float(high), float((low + high) / 2), 0.01, float(values.min()), float(values.max()), 0.0, True
    )


@cache
def lines(weak_items=((23, 0.3),)):
    """(recording, lines by name): crank, cam, coil 1, injector 1, battery."""
    t, angle, rpm = rotation()
    cycle = np.mod(angle - (TDC_SLOT - 1) * 6.0, 720.0)
    cam = np.where((cycle > 40) & (cycle < 130) | (cycle > 400) & (cycle < 580), 4.9, 0.1)
    coil = np.where((t > SYNC_S) & (cycle > 690) & (cycle < 712), 0.4, 13.2)
    fuel = np.where((t > FIRST_FUEL_S) & (cycle > 330) & (cycle < 372), 0.5, 13.2)
    slow = t[:: int(RATE / SLOW_RATE)]
    battery = np.where(np.interp(slow, t, rpm) > 20, 10.4, 12.6)
    battery = np.where(slow > RUN_S, 14.1, battery)
    arrays, infos = [], []
    data = {
        "crank": (vr_voltage(dict(weak_items)), RATE, 1e-3),
        "cam b1 in": (cam, RATE, 1e-3),
        "coil 1": (coil, RATE, 1e-3),
        "injector 1": (fuel, RATE, 1e-3),
        "battery": (battery, SLOW_RATE, 1e-3),
    }
    for i, (name, (values, rate, gain)) in enumerate(data.items(), start=1):
        arrays.append(np.round(values / gain).astype(np.int16))
        infos.append(ChannelInfo(name, i, "sampled", len(values), rate, 0.0, gain, 0.0, "V"))
    recording = Recording("bakery-van.parquet", tuple(infos), Memory(arrays), END, format="parquet")
    return recording, {name: values for name, (values, _, _) in data.items()}


def line(info, role, sensor, values, edges, cylinder=None):
    return Line(
        info, info.name, role, "setup", 1.0, "named by the setup", sensor, "setup", levels_of(values), edges,
        cylinder=cylinder, bank=1 if role == "cam" else None,
    )  # fmt: skip


def crossings(values, level, rate):
    """(times, rising) where a two-level line crosses the level."""
    high = values > level
    at = np.flatnonzero(high[1:] != high[:-1]) + 1
    return at / rate, high[at]


def decode(seen_rule, extra_turns=()):
    """(edges, angle, passes, extras) of the crank line drawn from the truth.

    ``seen_rule(slot, speed, turn, rng)`` says whether a passage gives an edge.
    """
    t, angle, rpm = rotation()
    rng = np.random.default_rng(11)
    rows, knots_t, knots_a, segments, extra = [], [], [], [], []
    base = 0
    for start, end in ATTEMPTS:
        inside = (t >= start + 0.05) & (t <= end - 0.08)
        ts, an = t[inside], angle[inside]
        shift = base * 360.0 - np.floor(an[0] / 360.0) * 360.0
        first = len(knots_t)
        for k in range(int(np.ceil(an[0] / 6.0)), int(an[-1] // 6.0) + 1):
            slot = k % SLOTS + 1
            if slot in MISSING:
                continue
            when = float(np.interp(k * 6.0, an, ts))
            turn = int((k * 6.0 + shift) // 360)
            speed = float(np.interp(when, t, rpm))
            seen = seen_rule(slot, speed, turn, rng)
            rows.append((TEETH.index(slot), turn, when, seen, speed))
            if seen:
                knots_t.append(when)
                knots_a.append(k * 6.0 + shift)
        for turn in extra_turns:
            a = turn * 360.0 + 58 * 6.0
            if base * 360.0 <= a <= an[-1] + shift:
                extra.append((float(np.interp(a - shift, an, ts)), a))
        a0, a1 = knots_a[first], knots_a[-1]
        segments.append(Segment(first, len(knots_t), knots_t[first], knots_t[-1], (a1 - a0) / 360.0))
        base = int(a1 // 360.0) + 1
    return rows, np.array(knots_t), np.array(knots_a), tuple(segments), extra


def passes_of(rows, knots_t, extra):
    """(crank edges, passes, extras) of decoded rows."""
    rng = np.random.default_rng(3)
    times = np.concatenate([knots_t, [e[0] for e in extra]])
    edges = edges_of("crank", times, np.zeros(len(times), bool), RATE)
    seen = np.array([r[3] for r in rows])
    speed = np.array([r[4] for r in rows])
    tooth = np.array([r[0] for r in rows], dtype=np.int32)
    edge = np.where(seen, np.searchsorted(edges.time_s, [r[2] for r in rows]), -1)
    error = np.where(seen, 0.05 * rng.standard_normal(len(rows)), np.nan)
    passes = Passes(
        tooth, np.array([r[1] for r in rows], dtype=np.int32), np.array([r[2] for r in rows]), edge, error, speed,
        np.where(seen, 0.006 * speed, np.nan), np.where(seen, np.nan, 0.28), np.where(seen, speed / 90.0, 0.6),
        np.ones(len(rows), bool), np.zeros(len(rows), np.uint8),
    )  # fmt: skip
    extras = Extras(
        np.searchsorted(edges.time_s, [e[0] for e in extra]), np.array([e[0] for e in extra], dtype=float),
        np.array([e[1] for e in extra], dtype=float), np.full(len(extra), 190.0),
    )  # fmt: skip
    return edges, passes, extras


def teeth_of(passes, amplitude):
    out = []
    for i, slot in enumerate(TEETH):
        mine = passes.tooth == i
        seen = mine & (passes.edge >= 0)
        error = passes.error_deg[seen]
        spread = float(error.std()) if len(error) > 1 else None
        out.append(
            Tooth(
                slot, True, int(seen.sum()), int(mine.sum()), float(error.mean()) if len(error) else None, spread,
                spread / len(error) ** 0.5 if spread is not None else None, amplitude.get(slot, 1.0),
                float(np.median(passes.arm_margin[mine])), 0.28 if slot in amplitude else None,
            )
        )  # fmt: skip
    return tuple(out)


SETUP = Setup(
    vehicle=Vehicle(
        description="bakery's delivery van (simulated)",
        complaint="cranks long, starts at the third try; starter and battery were replaced",
        codes=("P0336",),
    ),
    engine=Engine(cylinders=4, firing_order=(1, 3, 4, 2)),
    crank_wheel=CrankWheel(slots=60, missing=(59, 60), edge="falling", tdc_slot=TDC_SLOT),
)
STEPS = (
    Step("signals", "edges of the variable-reluctance line", {"alpha": 0.4, "v_min_v": 0.1}, 2743, 2743),
    Step("wheel", "alignment of intervals to 60-2", {"p_missed": 0.01}, 2700, 2743, "first and last turn cut"),
)


def wheel_result(rows, knots_t, knots_a, segments, extra, amplitude):
    edges, passes, extras = passes_of(rows, knots_t, extra)
    wheel = WheelResult(
        "crank", LAYOUT_60_2, "setup", 0.999,
        (Alternative(replace(LAYOUT_60_2, name="60-3", missing=(58, 59, 60)), 0.001, "slot 58 gives edges"),),
        False, CrankAngle(knots_t, knots_a, segments), passes, extras, teeth_of(passes, amplitude),
        tuple(Motion(a, b) for a, b in ATTEMPTS), "slot 1 is the first tooth after the longest gap",
        0.04, 210.0, 0.02, 0.05, 42.0, 0.011, polarity="as expected",
        polarity_reason="the steep crossing is the timed one", polarity_confidence=0.95, steps=STEPS[1:],
    )  # fmt: skip
    return edges, wheel


def engine_result(started=True):
    t, angle, _ = rotation()
    _, data = lines()
    outputs = []
    for name, role in (("coil 1", "coil"), ("injector 1", "injector")):
        times, rising = crossings(data[name], 7.0, RATE)
        pairs = zip(times[~rising], times[rising], strict=False)
        cycle = [
            np.mod(np.interp(p, t, angle) - (TDC_SLOT - 1) * 6.0, 720.0)
            for p in zip(times[~rising], times[rising], strict=False)
        ]
        events = tuple(OutputEvent(a, b, float(c[0]), float(c[1])) for (a, b), c in zip(pairs, cycle, strict=True))
        outputs.append(Output(name, role, 1, False, events))
    attempts = tuple(
        Attempt(a, b, turns, i == 2, 188.0 - i, 3.6 if i == 2 else None,
                first_fuel_s=FIRST_FUEL_S if i == 2 else None, first_spark_s=SYNC_S + 0.03 if i == 2 else None,
                sync_s=SYNC_S + 0.03 if i == 2 else None, running_s=RUN_S if i == 2 else None,
                running_rpm=780.0 if i == 2 else None, battery_rest_v=12.6, battery_min_v=9.9, battery_cranking_v=10.4)
        for i, ((a, b), turns) in enumerate(zip(ATTEMPTS, (5.2, 5.2, 36.0), strict=True))
    )  # fmt: skip
    phase = Phase(
        True, True, (TDC_SLOT - 1) * 6.0, "setup", 0.98, "crank degrees 0 to 720 after cylinder 1's firing TDC"
    )
    cam = Cam(
        "cam b1 in", 1, "intake", (CamEdge(40.0, 0.3, "rising", 1.0), CamEdge(130.0, 0.3, "falling", 1.0)), 0.4, 23
    )
    timeline = Timeline(5.5, FIRST_FUEL_S, SYNC_S + 0.03, SYNC_S + 0.03, RUN_S, 9.5, 36.0, 3.6, 186.0, 780.0)
    return EngineResult(phase, (cam,), tuple(outputs), attempts, timeline, 4)


def signals_of(recording, data, crank_edges):
    roles = {"crank": ("crank", "vr"), "cam b1 in": ("cam", "hall"), "coil 1": ("coil", "analog"),
             "injector 1": ("injector", "analog"), "battery": ("battery", "analog")}  # fmt: skip
    out = []
    for info in recording.channels:
        role, sensor = roles[info.name]
        edges = crank_edges
        if info.name != "crank":
            times, rising = crossings(data[info.name], 2.5 if role == "cam" else 7.0, info.rate_hz)
            edges = edges_of(info.name, times, rising, info.rate_hz)
        out.append(line(info, role, sensor, data[info.name], edges, 1 if role in ("coil", "injector") else None))
    return Signals(tuple(out), STEPS[:1])


def stretches(passes, rows_wanted):
    """A stretch of two pitches to either side of each of these passages."""
    out = []
    for i in rows_wanted:
        half = 12.0 / (6.0 * max(float(passes.speed_rpm[i]), 40.0))
        a, b = passes.time_s[i] - half, passes.time_s[i] + half
        out.append(Evidence("crank", float(a), float(b), int(a * RATE), int(b * RATE) + 1, int(passes.turn[i])))
    return tuple(out)


TEST = NextTest(
    "look-at-tooth", "Look at the wheel through the sensor hole with slot 23 barred to it.",
    "It sees the metal, which no waveform does.", 15, 0.61,
    (Outcome("the tooth is low, bent or broken", "the wheel is the fault; renew it and record again"),
     Outcome("the tooth is whole and clean", "the sensor, its gap and its seat come next")),
    ("Key out, battery negative off before a finger or probe goes in.",),
)  # fmt: skip
REPEAT = NextTest(
    "record-again", "Record once more while the complaint is present.", "A fault that comes and goes has to be caught.",
    10, 0.2, (Outcome("edges are missing", "their place on the wheel tells what to look at"),),
    ("Hands, hair and leads clear of belts and fans while the starter turns.",),
)  # fmt: skip
CHANGE = "A clean amplitude of slot 23 at cranking speed would reverse it."
CAUTIONS = ("Starter off between attempts: 10 to 15 s cranking, then 1 to 2 min rest.",)


@cache
def weak_tooth():
    """Tooth 23 gives no edge below 420 rpm: two attempts fail, the third runs."""
    recording, data = lines()
    rows, kt, ka, segments, extra = decode(lambda slot, speed, turn, rng: slot != 23 or speed > 420.0)
    crank_edges, wheel = wheel_result(rows, kt, ka, segments, extra, {23: 0.3})
    lost = np.flatnonzero(wheel.passes.edge < 0)
    tooth = wheel.teeth[22]
    found = (
        Finding("F1", "tooth-weak", "crank", "wheel",
                f"Slot 23 gives no edge in {tooth.passages - tooth.seen} of {tooth.passages} turns, all below 420 rpm; "
                "every other tooth gives one in every turn.", 0.97, stretches(wheel.passes, lost), slot=23,
                start_s=float(wheel.passes.time_s[lost[0]]), end_s=float(wheel.passes.time_s[lost[-1]]),
                value=tooth.present, unit="of passages",
                evidence={"passages": tooth.passages, "seen": tooth.seen, "lost_below_rpm": 420.0,
                          "amplitude_rel": 0.3, "bayes_factor_log10": 18.4}),
        Finding("F2", "no-start", "crank", "none", "Two of three start attempts end without the engine running.", 0.95,
                tuple(Evidence("crank", a, b, int(a * RATE), int(b * RATE), None) for a, b in ATTEMPTS[:2]),
                start_s=0.5, end_s=4.8, value=2.0, unit="attempts", evidence={"attempts": 3, "started": 1}),
        Finding("F3", "battery-low", "battery", "none", "The battery dips to 9.9 V while cranking.", 0.2,
                (Evidence("battery", 0.5, 0.9, 1000, 1800, None),), value=9.9, unit="V",
                evidence={"minimum_v": 9.9, "limit_v": 9.6}),
    )  # fmt: skip
    causes = (
        Cause(
            "trigger-wheel-tooth",
            0.91,
            "The tooth at slot 23 of the trigger wheel is low, bent or broken.",
            ("F1", "F2"),
            23,
        ),
        Cause("sensor-air-gap", 0.035, "The sensor stands too far from the wheel.", ("F1",), "crank"),
        Cause("crank-sensor", 0.025, "The crank sensor is weak.", ("F1",), "crank"),
        Cause("measurement-fault", 0.015, "The measurement itself shows what is not there.", ()),
        Cause("none-of-these", 0.015, "Something that is not on this list.", ()),
    )
    return assemble(recording, data, crank_edges, wheel, found, causes, (23,))


@cache
def healthy():
    """Every tooth gives its edge; the engine starts at once in the last attempt."""
    recording, data = lines(())
    rows, kt, ka, segments, extra = decode(lambda slot, speed, turn, rng: True)
    crank_edges, wheel = wheel_result(rows, kt, ka, segments, extra, {})
    causes = (
        Cause("none-found", 0.93, "Nothing wrong is seen in this record.", ()),
        Cause("crank-sensor", 0.04, "A crank sensor that fails only at times would not show here.", (), "crank"),
        Cause("none-of-these", 0.03, "Something that is not on this list.", ()),
    )
    return assemble(recording, data, crank_edges, wheel, (), causes, ())


@cache
def dropouts():
    """One edge in fifty is lost anywhere on the wheel, and a stray edge comes in the gap in two turns."""
    recording, data = lines(())
    rows, kt, ka, segments, extra = decode(lambda slot, speed, turn, rng: rng.random() > 0.02, extra_turns=(8, 20))
    crank_edges, wheel = wheel_result(rows, kt, ka, segments, extra, {})
    lost = np.flatnonzero(wheel.passes.edge < 0)
    found = (
        Finding("F1", "edges-dropped", "crank", "none", f"{len(lost)} edges are missing, at no fixed slot.", 0.9,
                stretches(wheel.passes, lost), value=0.02, unit="of passages", evidence={"missed": len(lost)}),
    )  # fmt: skip
    causes = (
        Cause("crank-circuit", 0.5, "A wire or connector of the crank sensor opens for moments.", ("F1",), "crank"),
        Cause("crank-sensor", 0.4, "The crank sensor fails at moments.", ("F1",), "crank"),
        Cause("none-of-these", 0.1, "Something that is not on this list.", ()),
    )
    return assemble(recording, data, crank_edges, wheel, found, causes, ())


@cache
def undecodable():
    """The crank line moves but no wheel could be told; nothing but the record itself is known."""
    base = weak_tooth()
    empty = np.zeros(0)
    nothing = np.zeros(0, dtype=np.int64)
    wheel = replace(
        base.wheel, layout=None, belief=0.0, alternatives=(), teeth=(), slot_reference="", runout_deg=None,
        runout_phase_deg=None, runout_se_deg=None, amplitude_runout=None, nats_per_turn=None, residual_rms=None,
        source="inferred", why_not="the line clips from 2.1 s on and 10 kHz is too slow for its teeth",
        angle=CrankAngle(empty, empty, (), (Span(0.5, 2.3, "clipped"),)), polarity="unknown", polarity_reason="",
        passes=Passes(nothing.astype(np.int32), nothing.astype(np.int32), empty, nothing, empty, empty, empty, empty,
                      empty, np.zeros(0, bool), np.zeros(0, np.uint8)),
        extras=Extras(nothing, empty, empty, empty),
    )  # fmt: skip
    phase = Phase(False, False, None, "", 0.0, "crank angle not known")
    timeline = Timeline(None, None, None, None, None, None, 0.0, None, None, None)
    engine = EngineResult(phase, (), (), (), timeline, None)
    found = (
        Finding("F1", "record-clipped", "crank", "none", "The crank line is clipped in 31 % of its samples.", 0.9,
                (Evidence("crank", 2.1, 2.3, 42_000, 46_000, None),), value=0.31, unit="of samples"),
    )  # fmt: skip
    causes = (
        Cause("measurement-fault", 0.6, "The recorder's range was too small for this line.", ("F1",), "crank"),
        Cause("none-of-these", 0.4, "Nothing can be told about wheel and sensor.", ()),
    )
    return replace(
        base, setup=Setup(), setup_path=None, wheel=wheel, engine=engine, whereabouts=(),
        findings=Findings(found, (NotAssessed("Is the wheel damaged?", wheel.why_not, "a record within the range"),)),
        verdict=Verdict(causes, (REPEAT,), CAUTIONS),
    )  # fmt: skip


def assemble(recording, data, crank_edges, wheel, found, causes, slots):
    engine = engine_result()
    not_assessed = (
        NotAssessed("Are the cylinders' compressions even?", "no starter current was recorded",
                    "a current clamp on the starter cable"),
    )  # fmt: skip
    bounds = ("No edge beyond those listed was missed in 2 842 passages: a fault of 0.1 % or more would have shown.",)
    return Analysis(
        recording, SETUP, "van.toml", signals_of(recording, data, crank_edges), wheel, engine,
        Findings(found, not_assessed, bounds),
        Verdict(causes, (TEST if slots else REPEAT,), CAUTIONS, CHANGE if slots else ""),
        whereabouts(wheel, engine, SETUP, slots), ("The record was simulated.",), STEPS,
    )  # fmt: skip


ALL = {"weak tooth": weak_tooth, "healthy": healthy, "dropouts": dropouts, "undecodable": undecodable}


@cache
def drawings(name):
    """The pictures of one of these analyses, drawn once for all tests."""
    return pictures(ALL[name]())


@cache
def report(name):
    """The report of one of these analyses as HTML text, made once for all tests."""
    return report_html(ALL[name]())
